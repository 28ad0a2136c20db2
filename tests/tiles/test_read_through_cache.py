"""`screen`, `landforms` and `portfolio run` with an index on a server give what they give with the tiles on disk."""

import json
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
from district import WEST_CRS
from rasterio.windows import Window
from tile_server import serving_tiles
from tile_site import Site

from slopekit.cli import main
from slopekit.sources import tiles
from slopekit.sources.behind import rasters_behind
from slopekit.sources.cached import bring, cached, is_tile

_TOLD_BY_INDEX = ("named", "vertical_datum", "voids_filled", "credit")
"""Columns that are empty without an index."""


def layers(package: Path) -> dict[str, list[str]]:
    out = {}
    for name, _ in pyogrio.list_layers(package):
        if name in ("layer_styles", "run_notes"):
            continue
        table = pd.DataFrame(pyogrio.read_dataframe(package, layer=name))
        table = table.drop(columns=[c for c in _TOLD_BY_INDEX if c in table])
        rows = (str({k: str(v) for k, v in row.items()}) for row in table.to_dict("records"))
        # Names of bodies rest on the checksum of the survey, which is that of its files.
        out[str(name)] = sorted(re.sub(r"\b([a-z])-[0-9a-f]{8}\b", r"\1-", row) for row in rows)
    return out


def notes(package: Path) -> dict[str, str]:
    table = pyogrio.read_dataframe(package, layer="run_notes")
    return {f"{t} {n}": str(v) for t, n, v in zip(table.topic, table["name"], table.value, strict=True)}


def blocks_needed(site: Site, seen: gpd.GeoDataFrame) -> set[tuple[str, int, int]]:
    """Blocks of the served tiles that boxes of ground meet, by rasterio's own windows."""
    out = set()
    for path in site.folder.glob("*.tif"):
        with rasterio.open(path) as file:
            for (row, col), window in file.block_windows(1):
                box = shapely.box(*file.window_bounds(window))
                if seen.intersects(box.buffer(-0.5)).any():
                    out.add((path.name, row, col))
    return out


def portfolio(site: Site, elevation: list[str], out: Path, *more: str) -> int:
    named = ["--parcels", str(site.parcels), "--id-column", "pid", "--fleet", str(site.fleet), "--workers", "1"]
    return main(["portfolio", *elevation, *named, "--out", str(out), "--quiet", *more])


def test_a_portfolio_from_nothing_but_an_index_gives_the_same_layers(site: Site, tmp_path: Path) -> None:
    assert portfolio(site, [str(site.folder)], tmp_path / "disk") == 0
    site.index(site.folder / "index.gpkg")
    site.server.rules()
    assert portfolio(site, [f"{site.server.address}/index.gpkg"], tmp_path / "web", "--cache", str(tmp_path / "c")) == 0
    disk, far = layers(tmp_path / "disk" / "portfolio.gpkg"), layers(tmp_path / "web" / "portfolio.gpkg")
    assert disk == far and len(disk["zones"]) > 4 and len(disk["sources"]) == 4 and not disk["failures"]
    # Requests for tiles against the blocks that the looks of the parcels meet.
    reach = 30.0 + 62.0
    lots = gpd.read_file(site.parcels)
    needed = blocks_needed(site, gpd.GeoSeries([g.buffer(reach).envelope for g in lots.geometry], crs=WEST_CRS))
    used = {json_name for json_name in ("t00.tif", "t01.tif", "t11.tif", "coarse.tif")}
    needed = {b for b in needed if b[0] in used}
    asked = site.server.asked(".tif")
    print(f"\n{len(asked)} requests for {len(needed)} blocks of {len(used)} tiles: {len(asked) / len(needed):.2f} each")
    assert len(asked) <= 1.5 * len(needed)
    # A second run asks for nothing but the index.
    site.server.rules()
    again = portfolio(
        site, [f"{site.server.address}/index.gpkg"], tmp_path / "web", "--cache", str(tmp_path / "c"), "--resume"
    )
    assert again == 0 and {one["name"] for one in site.server.asked()} == {"index.gpkg"}


@dataclass
class Blocks:
    """Blocks of tiles that a command reads, by the windows that it asks for."""

    found: set[tuple[str, int]] = field(default_factory=set)

    def bring(self, name: str, window: Window) -> int:
        if is_tile(name):
            tile = cached(name)
            row, col = int(window.row_off), int(window.col_off)
            parts = tile.wanted(row, col, int(window.height), int(window.width))
            self.found |= {(tile.bytes.known.address, first) for first, _ in parts}
        return bring(name, window)


LAYOUTS: dict[str, dict[str, Any]] = {
    "small": {"tiled": True, "blockxsize": 128, "blockysize": 128, "compress": "deflate"},
    "wide": {"tiled": True, "blockxsize": 512, "blockysize": 256, "compress": "deflate"},
    "strips": {"tiled": False, "blockysize": 16, "compress": "deflate"},
    "plain": {"tiled": True, "blockxsize": 256, "blockysize": 256},
}


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("command", ["screen", "landforms"])
def test_requests_for_each_block_however_tiles_are_cut(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, layout: str, command: str
) -> None:
    served, seen = tmp_path / "served", Blocks()
    served.mkdir()
    for name in ("t00", "t01", "t10", "t11"):
        with rasterio.open(site.folder / f"{name}.tif") as file:
            cut = {k: v for k, v in file.profile.items() if k not in ("blockxsize", "blockysize", "tiled", "compress")}
            with rasterio.open(served / f"{name}.tif", "w", **cut, **LAYOUTS[layout]) as out:
                out.write(file.read())
                out.update_tags(**file.tags())
    lots = gpd.read_file(site.parcels)
    lots[lots.pid != "d"].to_file(tmp_path / "lots.gpkg")
    near = ["--area" if command == "landforms" else "--parcels", str(tmp_path / "lots.gpkg"), "--id-column", "pid"]
    monkeypatch.setattr(tiles, "bring", seen.bring)
    with serving_tiles(served) as server:
        index = site.index(tmp_path / "index.gpkg", prefix=server.address)
        table = gpd.read_file(index)
        table[table.survey == "new"].to_file(index)
        line = [command, str(index), *near, "--fleet", str(site.fleet), "--workers", "1", "--quiet"]
        assert main([*line, "--out", str(tmp_path / "web.gpkg"), "--cache", str(tmp_path / "cache")]) == 0
        asked = server.asked(".tif")
    used = {Path(address).name for address, _ in seen.found}
    print(f"\n{command}, {layout}: {len(asked)} requests for {len(seen.found)} blocks of {len(used)} tiles")
    assert 0 < len(asked) <= 1.5 * len(seen.found)


@pytest.mark.parametrize("command", ["screen", "landforms"])
def test_one_survey_through_a_cache_gives_the_same_layers(site: Site, tmp_path: Path, command: str) -> None:
    lots = gpd.read_file(site.parcels)
    lots[lots.pid != "d"].to_file(tmp_path / "lots.gpkg")
    near = ["--area" if command == "landforms" else "--parcels", str(tmp_path / "lots.gpkg"), "--id-column", "pid"]
    line = [*near, "--fleet", str(site.fleet), "--workers", "1", "--quiet"]
    # All four fine tiles, as the index has them; the two with ground for the parcels alone would make another survey.
    tiles = [str(site.folder / f"t{row}{col}.tif") for row in range(2) for col in range(2)]
    if command == "screen":
        tiles.remove(str(site.folder / "t10.tif"))
    assert main([command, *tiles, *line, "--out", str(tmp_path / "disk.gpkg")]) == 0
    index = site.index(tmp_path / "index.gpkg")
    through = [command, str(index), *line, "--out", str(tmp_path / "web.gpkg"), "--cache", str(tmp_path / "cache")]
    assert main(through) == 0
    disk, far = layers(tmp_path / "disk.gpkg"), layers(tmp_path / "web.gpkg")
    assert disk == far and disk
    told = notes(tmp_path / "web.gpkg")
    assert told["inputs remote source 1"].startswith(f"{site.server.address}/t00.tif, named in t00-")


def test_an_index_without_a_cache_is_told(site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = ["screen", f"{site.server.address}/index.gpkg", "--parcels", str(site.parcels), "--fleet", str(site.fleet)]
    assert main([*line, "--out", str(tmp_path / "a.gpkg")]) == 2
    assert "this is an index of tiles, so give --cache" in capsys.readouterr().err
    line = ["landforms", f"{site.server.address}/index.gpkg", "--out", str(tmp_path / "a.gpkg")]
    assert main([*line, "--cache", str(tmp_path / "cache")]) == 2
    assert "of an index only what parcels need is read, so give --area" in capsys.readouterr().err


def test_a_failing_tile_fails_its_parcels_alone(site: Site, tmp_path: Path) -> None:
    site.index(site.folder / "index.gpkg", cell=[1.0] * 4 + [None, None], survey=["new"] * 4 + ["", ""])
    (site.folder / "few.gpkg").unlink(missing_ok=True)
    table = gpd.read_file(site.folder / "index.gpkg")
    table[table.survey == "new"].to_file(site.folder / "few.gpkg")
    for name, rule in (("404", {"do": "status", "code": 404}), ("page", {"do": "page"}), ("cut", {"do": "cut"})):
        site.server.rules(t11=rule)
        out = tmp_path / name
        code = portfolio(site, [f"{site.server.address}/few.gpkg"], out, "--cache", str(tmp_path / f"cache-{name}"))
        assert code == 3
        failures = pyogrio.read_dataframe(out / "portfolio.gpkg", layer="failures").set_index("parcel_id")
        # Parcel d has no tile of this index at all.
        assert set(failures.index) == {"c", "d"}
        assert f"{site.server.address}/t11.tif: " in failures.sentence["c"]
        answered = pyogrio.read_dataframe(out / "portfolio.gpkg", layer="parcels")
        assert {"a", "b"} <= set(answered.parcel_id)


def test_a_part_that_lacks_later_fails_its_parcels_alone(site: Site, tmp_path: Path) -> None:
    """The first bytes of a tile came, its blocks do not."""
    site.index(site.folder / "index.gpkg")
    site.server.rules(t11={"do": "status", "code": 503, "times": 0})
    index, cache = f"{site.server.address}/index.gpkg", tmp_path / "cache"
    heads: dict[str, Any] = {"t11": {"do": "status", "code": 503}}
    named = ["--parcels", str(site.parcels), "--id-column", "pid", "--fleet", str(site.fleet), "--quiet"]
    assert main(["tiles", "find", index, *named, "--out", str(tmp_path / "t.gpkg")]) == 0
    assert main(["tiles", "fetch", str(tmp_path / "t.gpkg"), "--cache", str(cache), "--quiet"]) == 0
    for mark in cache.glob("data/*/*-*"):
        if not mark.name.startswith("0-"):
            mark.unlink()
    site.server.rules(**heads)
    assert portfolio(site, [index], tmp_path / "out", "--cache", str(cache)) == 3
    failures = pyogrio.read_dataframe(tmp_path / "out" / "portfolio.gpkg", layer="failures").set_index("parcel_id")
    # Parcel a asks for more ground, up to the end of a long hollow, and so for the same tile.
    assert set(failures.index) == {"a", "c"}
    assert failures.sentence.str.contains(f"{site.server.address}/t11.tif: the server answered 503", regex=False).all()
    site.server.rules()
    assert portfolio(site, [index], tmp_path / "out", "--cache", str(cache), "--resume") == 0


def test_what_the_index_says_of_the_survey_stands_in_the_result(site: Site, tmp_path: Path) -> None:
    index = site.index(
        tmp_path / "index.gpkg", vertical_datum="NAVD88", vertical_rmse=0.07, voids_filled="from 10 m cells",
        credit="Nobody, CC0",
    )  # fmt: skip
    out = tmp_path / "plain"
    assert portfolio(site, [str(index)], out, "--cache", str(tmp_path / "cache")) == 0
    told = " ".join(v for k, v in notes(out / "portfolio.gpkg").items())
    for words in (
        "The tile index names the vertical datum: NAVD88.", "a vertical error of up to 0.07 m, which was not used",
        "voids were filled (from 10 m cells)", "Elevation: Nobody, CC0.",
    ):  # fmt: skip
        assert words in told
    sources = pyogrio.read_dataframe(out / "portfolio.gpkg", layer="sources").set_index("parcel_id")
    assert dict(sources.loc["a", ["named", "vertical_datum", "voids_filled", "credit"]]) == {
        "named": "new", "vertical_datum": "NAVD88", "voids_filled": "from 10 m cells", "credit": "Nobody, CC0",
    }  # fmt: skip
    assert pd.isna(sources.vertical_error_m["a"])
    agreed = tmp_path / "agreed"
    assert portfolio(site, [str(index)], agreed, "--cache", str(tmp_path / "cache"), "--trust-index-error") == 0
    sources = pyogrio.read_dataframe(agreed / "portfolio.gpkg", layer="sources").set_index("parcel_id")
    assert sources.vertical_error_m["a"] == 0.07
    summary = json.loads((agreed / "summary.json").read_text())
    assert {row["vertical_datum"] for row in summary["parcels"]} == {"NAVD88"}


def test_what_an_index_says_of_tiles_on_this_machine_stands_in_the_result_too(site: Site, tmp_path: Path) -> None:
    index = site.index(tmp_path / "index.gpkg", prefix=str(site.folder), vertical_datum="NAVD88", vertical_rmse=0.07)
    out, cache = tmp_path / "out", tmp_path / "cache"
    assert portfolio(site, [str(index)], out, "--cache", str(cache), "--trust-index-error") == 0
    assert portfolio(site, [str(site.folder)], tmp_path / "disk") == 0
    sources = pyogrio.read_dataframe(out / "portfolio.gpkg", layer="sources").set_index("parcel_id")
    assert dict(sources.loc["a", ["named", "vertical_datum"]]) == {"named": "new", "vertical_datum": "NAVD88"}
    assert sources.vertical_error_m["a"] == 0.07
    # The ground is that of the files, which a result may not be written over.
    for layer in ("water", "basins"):
        assert layers(out / "portfolio.gpkg").get(layer) == layers(tmp_path / "disk" / "portfolio.gpkg").get(layer)
    assert not (cache / "data").exists()
    (elevation,) = cache.glob("*.tiles")
    before = (site.folder / "t00.tif").read_bytes()
    line = ["screen", str(elevation), "--parcels", str(site.parcels), "--fleet", str(site.fleet), "--quiet"]
    assert main([*line, "--out", str(site.folder / "t00.tif"), "--overwrite"]) == 2
    assert (site.folder / "t00.tif").read_bytes() == before
    assert "t00.tif" in " ".join(rasters_behind([str(elevation)]))
