"""The library and the command say the same of the same ground, however it is given."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import rioxarray
import shapely

import slopekit as sk
from slopekit.cli.entry import main
from slopekit.schema.fields import fields_of
from slopekit.schema.inputs import LAYER_INPUTS
from slopekit.schema.layers import LANDFORM_LAYERS, LAYERS

NAMED = {"elevation", "fleet", "parcels", "job", *LAYER_INPUTS}
"""Inputs in the notes, which tell where the ground came from."""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A copy of the demo's files to stand in, and what the command says of them."""
    folder = tmp_path_factory.mktemp("site")
    for one in sk.demo_data().iterdir():
        if one.suffix in (".gpkg", ".toml", ".tif"):
            shutil.copy(one, folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        options = [word for name in LAYERS_GIVEN for word in (f"--{name}", f"{name}.gpkg")]
        line = ["screen", "office_park.tif", "--parcels", "parcels.gpkg", "--fleet", "fleet.toml", *options]
        line += ["--id-column", "parcel_id", "--z-rmse", "0.05", "--survey-date", "2025-03-01", "--landforms"]
        line += ["--surface", "ground", "--workers", "1"]
        assert main([*line, "--out", "command.gpkg", "--rasters", "rasters", "--quiet"]) == 0
        yield folder


LAYERS_GIVEN = [name for name in LAYER_INPUTS if (sk.demo_data() / f"{name}.gpkg").is_file()]
SAID: dict[str, Any] = {"z_rmse_m": 0.05, "survey_date": "2025-03-01", "surface": "ground", "workers": 1}


@pytest.fixture(scope="module")
def result(site: Path) -> sk.Result:
    layers: dict[str, Any] = {name: f"{name}.gpkg" for name in LAYERS_GIVEN}
    return sk.screen(
        "office_park.tif", "parcels.gpkg", "fleet.toml", id_column="parcel_id", landforms=True, **layers, **SAID
    )


def test_the_same_files_give_the_same_bytes(site: Path, result: sk.Result) -> None:
    assert result.write("library.gpkg") == [Path("library.gpkg")]
    assert Path("library.gpkg").read_bytes() == Path("command.gpkg").read_bytes()


def test_layers_have_the_types_of_the_registry(result: sk.Result) -> None:
    types = {"str": "string", "int": "Int64", "float": "float64", "bool": "boolean"}
    assert set(result.layers) >= set(LAYERS)
    for layer, table in result.layers.items():
        wanted = {f.name: types[f.type] for f in fields_of(layer, result.fleet.conditions)}
        assert {name: str(table[name].dtype) for name in wanted} == wanted
        assert set(table.columns) - set(wanted) <= {"geometry"}
    assert isinstance(result.zones, gpd.GeoDataFrame) and result.zones.crs is not None


def test_rasters_are_those_of_the_command(site: Path, result: sk.Result) -> None:
    found = result.rasters("terrace")
    assert [*found.data_vars] == [f.name for f in fields_of("rasters")]
    for field in fields_of("rasters"):
        with rasterio.open(f"rasters/terrace_{field.name}.tif") as file:
            cells = file.read(1)
            assert found[field.name].dtype == cells.dtype
            assert np.array_equal(found[field.name], cells, equal_nan=cells.dtype.kind == "f")
            assert found.rio.transform() == file.transform and found.rio.crs == file.crs
            assert found[field.name].attrs == {"units": file.units[0], "long_name": field.meaning}
            # rioxarray is the reader of reference for where cells lie.
            opened = rioxarray.open_rasterio(f"rasters/terrace_{field.name}.tif")
            assert np.array_equal(opened.x, found.x) and np.array_equal(opened.y, found.y)


def test_why_is_what_the_command_says(site: Path, result: sk.Result, capsys: pytest.CaptureFixture[str]) -> None:
    worst = result.zones[result.zones.reason.notna()].geometry.iloc[0].representative_point()
    options = [word for name in LAYERS_GIVEN for word in (f"--{name}", f"{name}.gpkg")]
    line = ["why", "office_park.tif", "--at", f"{worst.x!r},{worst.y!r}", "--fleet", "fleet.toml", *options]
    line += ["--parcels", "parcels.gpkg", "--z-rmse", "0.05", "--survey-date", "2025-03-01", "--surface", "ground"]
    assert main([*line, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    found = result.why(worst.x, worst.y)
    facts = json.loads(json.dumps(found.facts()))
    # The command numbers its parcels here.
    assert facts["spot"].pop("parcel") in set(result.zones.parcel_id) and said["spot"].pop("parcel") == "1"
    assert {**facts, "spot": 0}.keys() == said.keys()
    assert facts["answers"] == said["answers"] and facts["settings"] == said["settings"]
    assert all(line in str(found) for line in found.lines())


def test_hours_and_comparison_are_those_of_the_command(site: Path, result: sk.Result) -> None:
    base = ["--fleet", "fleet.toml", "--season", "season.toml", "--quiet"]
    assert main(["hours", "command.gpkg", "--out", "command.json", *base]) == 0
    told = json.loads(Path("command.json").read_text(encoding="utf-8"))
    for zones, fleet in ((result, None), ("command.gpkg", "fleet.toml")):
        bid = sk.hours(zones, fleet, "season.toml")
        bid.write("library.json", overwrite=True)
        found = json.loads(Path("library.json").read_text(encoding="utf-8"))
        assert {**found, "run_notes": 0} == {**told, "run_notes": 0}
    assert bid.summary["machine_class"].tolist() == [r["name"] for r in told["totals"] if r["by"] == "class"]
    text = Path("fleet.toml").read_text(encoding="utf-8")
    first = next(line for line in text.splitlines() if line.startswith("across_deg"))
    Path("steep.toml").write_text(text.replace(first, "across_deg = 3.0", 1), encoding="utf-8")
    changes = sk.compare(result, ["fleet.toml", "steep.toml"])
    again = sk.compare("command.gpkg", ["fleet.toml", sk.load_fleet("steep.toml")])
    assert (changes.table["change"].abs() > 1.0).any()
    pd.testing.assert_frame_equal(changes.table, again.table)


NAMES_OF_BODIES = ("body", "in_water", "inside", "basin", "berm")


def in_order(table: Any, kind: str, layer: str) -> pd.DataFrame:
    """Rows as they stand; landforms, which stand in the order of their names, in the order of their figures."""
    plain = pd.DataFrame(table)
    if "geometry" in plain:
        plain = plain.assign(geometry=shapely.to_wkb(table.geometry.to_numpy(), hex=True))
    if kind == "dataset" or layer not in LANDFORM_LAYERS:
        return plain
    return plain.sort_values([*plain.columns], ignore_index=True, key=lambda column: column.astype(str))


def kinds(site: Path) -> dict[str, tuple[Any, Any, Any, Any]]:
    """Elevation, parcels, fleet and the reading of a layer, for each way to give them."""
    import tomllib

    path = site / "office_park.tif"
    dem = rioxarray.open_rasterio(path, masked=True).squeeze()
    with rasterio.open(path) as file:
        raw = sk.Raster(file.read(1), tuple(file.transform)[:6], file.crs, unit=file.units[0], nodata=file.nodata)
    lots = gpd.read_file(site / "parcels.gpkg")
    fleet = tomllib.loads((site / "fleet.toml").read_text(encoding="utf-8"))
    return {
        "dataset": (rasterio.open(path), site / "parcels.gpkg", sk.load_fleet(site / "fleet.toml"), Path),
        "DataArray": (dem, lots.set_index("parcel_id"), fleet, gpd.read_file),
        "array": (raw, lots, fleet, gpd.read_file),
    }


@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize("kind", ["dataset", "DataArray", "array"])
def test_the_same_ground_in_another_form_gives_the_same_zones(site: Path, result: sk.Result, kind: str) -> None:
    elevation, lots, fleet, reader = kinds(site)[kind]
    column = None if kind == "DataArray" else "parcel_id"
    layers: dict[str, Any] = {name: reader(site / f"{name}.gpkg") for name in LAYERS_GIVEN}
    other = sk.screen(elevation, lots, fleet, id_column=column, landforms=True, **layers, **SAID)
    for layer, table in result.layers.items():
        # Bodies are named after their survey, and the survey after its files, so that a correction means one of them.
        own = [] if kind == "dataset" else [name for name in NAMES_OF_BODIES if name in table]
        if layer != "run_notes":
            left, right = (in_order(one.layers[layer].drop(columns=own), kind, layer) for one in (result, other))
            pd.testing.assert_frame_equal(left, right, check_exact=True)
    notes = [
        {(topic, name): value for topic, name, value in one.notes[["topic", "name", "value"]].itertuples(index=False)}
        for one in (result, other)
    ]
    differ = {key for key in notes[0].keys() | notes[1].keys() if notes[0].get(key) != notes[1].get(key)}
    assert {topic for topic, _ in differ} <= {"inputs"}
    assert {name for _, name in differ} <= NAMED


def test_what_cannot_be_done_is_said_in_the_words_of_the_library(site: Path, result: sk.Result) -> None:
    def said(**given: Any) -> str:
        asked: dict[str, Any] = {"elevation": "office_park.tif", "parcels": "parcels.gpkg", "fleet": "fleet.toml"}
        with pytest.raises(sk.InputError) as caught:
            sk.screen(**{**asked, **given})
        return str(caught.value)

    assert said(water="nix.gpkg") == "nix.gpkg: there is no such file, so check the path given as water."
    assert "so give z_unit as metre" in said(z_unit="ell")
    assert "with z_rmse_m." in said(realisations=3)
    assert said(surface="roof") == "The surface 'roof' is not known, so give surface ground or top."
    assert said(cell_m=0.0).endswith("so give cell_m in metres, more than 0.")
    assert "so correct survey_date." in said(survey_date="2999-01-01")
    assert "'soon' is not a day" in said(survey_date="soon")
    assert said(workers=0) == "workers: 0 is out of range, so give a whole number of 1 or more."
    assert "from 1 to 1000" in said(realisations=5000)
    assert said(fleet={"schema": 1}).startswith("fleet: conditions is missing")
    assert said(fleet=3) == "fleet: a int cannot be read, so give a path, a dict or a Fleet."
    with pytest.raises(TypeError, match="unexpected argument 'watr'"):
        sk.screen("office_park.tif", "parcels.gpkg", "fleet.toml", watr="water.gpkg")


def test_the_command_keeps_the_words_of_its_options(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = ["screen", "office_park.tif", "--parcels", "parcels.gpkg", "--fleet", "fleet.toml", "--quiet"]
    assert main([*line, "--water", "nix.gpkg", "--out", "no.gpkg"]) == 2
    assert "nix.gpkg: there is no such file, so check the path after --water." in capsys.readouterr().err
    Path("mine.gpkg").write_bytes(b"not of slopekit")
    assert main([*line, "--out", "mine.gpkg"]) == 2
    assert "--overwrite" in capsys.readouterr().err


def test_nothing_is_replaced_that_slopekit_did_not_write(site: Path, result: sk.Result) -> None:
    bid = result.hours()
    for write, name in (
        (result.write, "x.gpkg"),
        (result.map, "x.png"),
        (result.report, "x.json"),
        (bid.write, "x.csv"),
    ):
        Path(name).write_bytes(b"mine")
        with pytest.raises(sk.InputError, match=r"overwrite=True"):
            write(name)
        assert Path(name).read_bytes() == b"mine"
        write(name, overwrite=True)
        write(name)
        assert Path(name).stat().st_size > 100
    with pytest.raises(sk.InputError, match="would replace a file that it is made from"):
        result.write("parcels.gpkg", overwrite=True)
    with pytest.raises(sk.InputError, match=r"results are written as .gpkg or .parquet"):
        result.write("x.shp")
    with pytest.raises(sk.InputError, match="passes=True"):
        bid.write_passes("p.gpkg")


def test_what_has_changed_since_is_not_asked_again(site: Path, result: sk.Result) -> None:
    shutil.copy("office_park.tif", "kept.tif")
    try:
        with rasterio.open("office_park.tif", "r+") as file:
            z = file.read(1)
            z[300:320, 300:320] += 5.0
            file.write(z, 1)
        spot = result.zones.geometry.iloc[0].representative_point()
        for ask in (lambda: result.why(spot.x, spot.y), lambda: result.rasters("terrace"), lambda: result.map("c.png")):
            with pytest.raises(sk.InputError, match="the elevation has changed since, so screen the parcels again"):
                ask()
    finally:
        shutil.move("kept.tif", "office_park.tif")
    with pytest.raises(sk.InputError, match="There is no parcel 'north', so give one of: "):
        result.rasters("north")


def test_cautions_come_with_every_answer(result: sk.Result) -> None:
    assert any("without danger" in sentence for sentence in result.cautions)
    for answer in (result, result.hours(), sk.landforms("office_park.tif", "parcels.gpkg", workers=1)):
        assert all(sentence in repr(answer) for sentence in answer.cautions)
        assert len(answer.cautions) > 3
        assert not any(" --" in sentence or "(--" in sentence for sentence in answer.cautions)
