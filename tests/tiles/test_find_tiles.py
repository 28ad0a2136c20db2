"""Which tiles parcels need. The ground truth is where the made tiles lie."""

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from district import WEST_CRS
from tile_site import Site

import slopekit as sk
from slopekit.cli import main
from slopekit.sources.stac import _meets

NEEDED = {"a": {"t00"}, "b": {"t00", "t01"}, "c": {"t11"}}
"""By where the parcels lie: 40 m squares with a look of some 90 m; d reaches beyond the fine tiles."""


def needed(found: sk.FoundTiles) -> dict[str, set[str]]:
    names = [Path(one).stem for one in found.tiles["location"]]
    looks = found.parcels.set_index("parcel_id")["tiles"]
    return {one: {names[int(n)] for n in text.split()} for one, text in looks.items()}


@pytest.mark.parametrize("crs", [WEST_CRS, "EPSG:25833", "EPSG:4326", "EPSG:3857"])
def test_each_parcel_gets_the_finest_and_newest_tiles_whatever_the_crs_of_the_index(
    site: Site, tmp_path: Path, crs: str
) -> None:
    index = site.index(tmp_path / "index.gpkg", crs=crs)
    found = sk.find_tiles(index, site.parcels, fleet=site.fleet, id_column="pid")
    got = needed(found)
    assert {one: got[one] for one in NEEDED} == NEEDED
    # East of 1200 m only the coarse survey has ground, and the fine tiles beside it are taken along.
    assert "coarse" in got["d"]
    assert found.missing == {}
    assert site.server.asked() == []


def test_without_cells_all_surveys_are_taken_since_only_tiles_can_tell(site: Site, tmp_path: Path) -> None:
    index = site.index(tmp_path / "index.gpkg", cell=[None] * 6)
    got = needed(sk.find_tiles(index, site.parcels, fleet=site.fleet, id_column="pid"))
    assert got["a"] == {"t00", "old", "coarse"}


def test_what_is_missing_is_told(site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lots = gpd.read_file(site.parcels)
    away = lots.iloc[[0]].assign(pid="away", geometry=lots.geometry.iloc[[0]].translate(90_000.0))
    cut = lots.iloc[[0]].assign(pid="cut", geometry=lots.geometry.iloc[[0]].translate(-140.0))
    part = lots.iloc[[0]].assign(pid="part", geometry=lots.geometry.iloc[[0]].translate(-170.0))
    gpd.GeoDataFrame(pd.concat([lots, away, cut, part]), crs=lots.crs).to_file(tmp_path / "lots.gpkg")
    index = site.index(tmp_path / "index.gpkg")
    line = ["tiles", "find", str(index), "--parcels", str(tmp_path / "lots.gpkg"), "--id-column", "pid", "--fleet"]
    assert main([*line, str(site.fleet), "--out", str(tmp_path / "tiles.gpkg")]) == 3
    told = capsys.readouterr()
    assert "Missing: away: tiles cover nothing." in told.err
    assert "Missing: cut: tiles cover look cut." in told.err
    assert "Missing: part: tiles cover in part." in told.err
    assert "address from 'location', survey from 'survey', date from 'date', cell from 'cell'" in told.err
    assert "7 parcels: 4 covered with their look, 2 in part or with a cut look, 1 without a tile" in told.out
    looks = gpd.read_file(tmp_path / "tiles.gpkg", layer="looks").set_index("parcel_id")
    assert looks.loc["away", "covers"] == "nothing" and looks.loc["away", "tiles"] == ""


def test_columns_layers_and_values_can_be_named(site: Site, tmp_path: Path) -> None:
    site.index(tmp_path / "index.gpkg")
    table = gpd.read_file(tmp_path / "index.gpkg").rename(columns={"location": "x1", "cell": "x2"})
    table["x3"] = [f"{site.server.address}/wrong.tif"] * len(table)
    table.to_file(tmp_path / "two.gpkg", layer="one")
    table.to_file(tmp_path / "two.gpkg", layer="other")
    with pytest.raises(sk.InputError, match="has the layers one, other, so name one with layer"):
        sk.find_tiles(tmp_path / "two.gpkg", site.parcels)
    named = {"address": "x1", "cell": "x2"}
    found = sk.find_tiles(
        tmp_path / "two.gpkg", site.parcels, fleet=site.fleet, id_column="pid", layer="one", columns=named,
        only={"survey": "old"},
    )  # fmt: skip
    assert {Path(one).stem for one in found.tiles["location"]} == {"old"}
    # The first column that looks like addresses is guessed, and said.
    guessed = sk.find_tiles(tmp_path / "two.gpkg", site.parcels, layer="one")
    assert "address from 'x1'" in guessed.plan.index.guesses[0]
    for wrong, sentence in (
        ({"columns": {"address": "nowhere"}}, "has no column 'nowhere', so name one of"),
        ({"columns": {"colour": "x1"}}, "There is no column for 'colour', so name one of: address"),
        ({"only": {"nowhere": "1"}}, "has no column 'nowhere' for only, so name one of: x1, survey"),
        (
            {"only": {"survey": "odd"}},
            "no tile near the parcels has 'odd' in the column 'survey' of only, which says: ",
        ),
        ({"only": {"survey": "old", "x2": "2"}}, "no tile near the parcels has all that only asks for"),
    ):
        with pytest.raises(sk.InputError, match=sentence):
            sk.find_tiles(tmp_path / "two.gpkg", site.parcels, layer="one", **wrong)
    table[["survey", "geometry"]].to_file(tmp_path / "none.gpkg")
    with pytest.raises(sk.InputError, match="no column of the index looks like addresses or paths of tiles"):
        sk.find_tiles(tmp_path / "none.gpkg", site.parcels)


@pytest.mark.parametrize("wanted", ["1", "1.0", "1.00"])
def test_numbers_are_compared_as_numbers(site: Site, tmp_path: Path, wanted: str) -> None:
    index = site.index(tmp_path / "index.gpkg", code=["01", "1", "1", "1", "1", "1"])
    found = sk.find_tiles(index, site.parcels, fleet=site.fleet, only={"cell": wanted})
    assert {Path(one).stem for one in found.tiles["location"]} == {"t00", "t01", "t11"}
    with pytest.raises(sk.InputError, match=r"no tile near the parcels has '7' in the column 'cell' .* says: 1, 2"):
        sk.find_tiles(index, site.parcels, fleet=site.fleet, only={"cell": "7"})
    # A text that looks like a number is a text.
    codes = sk.find_tiles(index, site.parcels, fleet=site.fleet, only={"code": "01"})
    assert {Path(one).stem for one in codes.tiles["location"]} == {"t00"}


def test_plain_features_at_an_address_are_an_index(site: Site, tmp_path: Path) -> None:
    """A list of sheets as a public survey publishes it: GeoJSON with its own CRS (GeoJSON 2008, 3), and columns `url`
    and `length` (see `nl-05m` of presets.toml)."""
    table = gpd.read_file(site.index(tmp_path / "index.gpkg")).rename(columns={"location": "url"})
    table["length"] = [str(9_000_000 + n) for n in range(len(table))]
    text = json.loads(table.to_json(drop_id=True))
    text["crs"] = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:{WEST_CRS.replace(':', '::')}"}}
    (site.folder / "sheets.json").write_text(json.dumps(text))
    index = f"{site.server.address}/sheets.json"
    found = sk.find_tiles(index, site.parcels, fleet=site.fleet, id_column="pid", columns={"bytes": "length"})
    assert {one: needed(found)[one] for one in NEEDED} == NEEDED
    assert set(found.tiles["bytes"]) <= {9_000_000 + n for n in range(len(table))}
    (site.folder / "sheets.json").unlink()


def test_all_pages_of_a_list_of_items_are_read(site: Site) -> None:
    """OGC API - Features 1.0, 7.15.5: a link `next` leads to more."""
    items = json.loads((site.folder / "items.json").read_text())["features"]
    for n in range(3):
        links = [{"rel": "next", "href": f"./page{n + 1}.json"}] if n < 2 else []
        page = {"type": "FeatureCollection", "features": items[2 * n : 2 * n + 2], "links": links}
        (site.folder / f"page{n}.json").write_text(json.dumps(page))
    for index in (f"{site.server.address}/page0.json", str(site.folder / "page0.json")):
        found = sk.find_tiles(index, site.parcels, fleet=site.fleet, id_column="pid")
        assert {one: needed(found)[one] for one in NEEDED} == NEEDED


def test_boxes_that_span_the_180th_meridian() -> None:
    """RFC 7946, 5.2: then the west is greater than the east."""
    span = {"extent": {"spatial": {"bbox": [[177.0, -20.0, -178.0, -16.0]]}}}
    assert _meets(span, (179.0, -18.0, 179.1, -17.9)) and _meets(span, (-179.0, -18.0, -178.9, -17.9))
    assert not _meets(span, (170.0, -18.0, 170.1, -17.9)) and not _meets(span, (179.0, 18.0, 179.1, 18.1))


def test_vertical_datums_are_never_mixed(site: Site, tmp_path: Path) -> None:
    """Parcel b lies on t00 and t01, which are alike but for the vertical datum that the index names."""
    lots = gpd.read_file(site.parcels)
    lots[lots.pid != "d"].to_file(tmp_path / "lots.gpkg")
    data = ["A", "B", "A", "B", "", ""]
    index = site.index(tmp_path / "index.gpkg", vertical_datum=data)
    found = sk.find_tiles(index, tmp_path / "lots.gpkg", fleet=site.fleet, id_column="pid", only={"survey": "new"})
    assert found.missing == {"b": "look cut"}
    got = sk.fetch_tiles(found, tmp_path / "cache")
    with pytest.raises(sk.InputError, match=r"the tile index names the vertical datums '[AB]' and '[AB]'"):
        sk.screen(got.elevation, tmp_path / "lots.gpkg", site.fleet)
    line = ["portfolio", str(got.elevation), "--parcels", str(tmp_path / "lots.gpkg"), "--id-column", "pid", "--quiet"]
    assert main([*line, "--fleet", str(site.fleet), "--workers", "1", "--out", str(tmp_path / "out")]) in (0, 3)
    package = tmp_path / "out" / "portfolio.gpkg"
    sources = pyogrio.read_dataframe(package, layer="sources")
    assert not sources.vertical_datum.str.contains(";").any()
    zones = pyogrio.read_dataframe(package, layer="zones")
    assert zones[zones.parcel_id == "b"].reasons.str.contains("unknown_ground").any()


def test_the_order_that_gdal_is_told_decides_between_overlapping_tiles(site: Site, tmp_path: Path) -> None:
    """GDAL's manual, GTI: SORT_FIELD in the layer's metadata; the highest value is on top."""
    site.index(tmp_path / "index.gpkg")
    table = gpd.read_file(tmp_path / "index.gpkg").drop(columns=["survey", "date", "cell"])
    table["rank"] = [1, 2, 3, 4, 9, 0]
    for ascending, first in (("YES", "old"), ("NO", "coarse")):
        out = tmp_path / f"{ascending}.gpkg"
        told = {"SORT_FIELD": "rank", "SORT_FIELD_ASC": ascending}
        pyogrio.write_dataframe(table, out, layer_metadata=told)
        found = sk.find_tiles(out, site.parcels, fleet=site.fleet, id_column="pid")
        assert Path(found.tiles["location"].iloc[0]).stem == first


@pytest.mark.parametrize(
    ("name", "remote"),
    [("items.json", True), ("items.json", False), ("catalog.json", True), ("catalog.json", False), ("api", True)],
)
def test_stac_gives_the_same_tiles_as_a_vector_index(site: Site, tmp_path: Path, name: str, remote: bool) -> None:
    index = f"{site.server.address}/{name}" if remote else str(site.folder / name)
    found = sk.find_tiles(index, site.parcels, fleet=site.fleet, id_column="pid")
    got = needed(found)
    assert {one: got[one] for one in NEEDED} == NEEDED and "coarse" in got["d"]
    asked = [one["name"] for one in site.server.asked()]
    # A collection whose extent lies elsewhere is not followed, and no tile is opened.
    assert "elsewhere/nothing.json" not in asked and not [one for one in asked if one.endswith(".tif")]
    if name == "catalog.json":
        assert set(found.tiles["credit"]) == {"Nobody, CC0-1.0"}
        paths = {str(one) for one in found.tiles["location"]}
        assert all(one.startswith(site.server.address) if remote else Path(one).is_file() for one in paths)


def test_an_asset_that_is_not_named_must_be_the_only_one(site: Site, tmp_path: Path) -> None:
    items = json.loads((site.folder / "items.json").read_text())
    for item in items["features"]:
        item["assets"]["surface"] = {**item["assets"]["heights"], "href": "elsewhere.tif"}
    (tmp_path / "items.json").write_text(json.dumps(items))
    with pytest.raises(
        sk.InputError, match="has several assets that may be the heights, so name it with asset, one of"
    ):
        sk.find_tiles(tmp_path / "items.json", site.parcels)
    found = sk.find_tiles(tmp_path / "items.json", site.parcels, fleet=site.fleet, id_column="pid", asset="hei*")
    assert needed(found)["a"] == {"t00"}
    only = sk.find_tiles(
        tmp_path / "items.json", site.parcels, fleet=site.fleet, asset="heights", only={"collection": "coarse"}
    )
    assert {Path(one).stem for one in only.tiles["location"]} == {"coarse"}


@pytest.mark.parametrize(
    ("index", "sentence"),
    [
        ("nothing.gpkg", "nothing.gpkg: there is no such file, so check the name of the index."),
        (
            "s3://bucket/a.gpkg?sig=hush",
            "https address; a public bucket answers at https://bucket.s3.amazonaws.com/a.gpkg.",
        ),
        ("ftp://example.com/a.gpkg", "an index is read from a file or from an http or https address."),
        ("http://127.0.0.1:99999/a.gpkg", "a.gpkg: this is no sound address, so write it as https://HOST/PATH."),
        ("http://[::1/a.gpkg", "this is no sound address, so write it as https://HOST/PATH."),
        ("http:///a.gpkg", "this is no sound address, so write it as https://HOST/PATH."),
        ("http://a b/a.gpkg", "this is no sound address, so write it as https://HOST/PATH."),
    ],
)
def test_wrong_names_of_an_index(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str], index: str, sentence: str
) -> None:
    line = ["tiles", "find", index, "--parcels", str(site.parcels), "--out", str(tmp_path / "t.gpkg")]
    assert main(line) == 2
    (told,) = capsys.readouterr().err.splitlines()
    assert told.startswith("Error: ") and told.endswith(sentence) and "hush" not in told


def test_a_wrong_place_for_the_table_is_told_before_anything_is_asked(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = ["tiles", "find", f"{site.server.address}/items.json", "--parcels", str(site.parcels), "--out"]
    for out, sentence in (
        ("t.csv", "tables of tiles are written as .gpkg"),
        ("none/t.gpkg", "is not there: create it"),
    ):
        assert main([*line, str(tmp_path / out)]) == 2
        assert sentence in capsys.readouterr().err
    assert site.server.asked() == []


def test_an_unsound_address_in_an_index_is_named(site: Site, tmp_path: Path) -> None:
    for bad in ("http://example.com:99999", "http://[::1", "//[::1"):
        index = site.index(site.folder / "bad.gpkg", prefix=bad)
        names = (
            (str(index), f"{site.server.address}/bad.gpkg")
            if bad.startswith("h")
            else (f"{site.server.address}/bad.gpkg",)
        )
        for name in names:
            with pytest.raises(sk.InputError, match=r"this is no sound address|only http, https and names of files"):
                sk.find_tiles(name, site.parcels)
    (site.folder / "bad.gpkg").unlink()
