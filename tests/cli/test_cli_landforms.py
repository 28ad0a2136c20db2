"""slopekit landforms on the demo's ground, what it says of bad input, and the same landforms inside `screen`."""

import contextlib
import csv
import re
import shutil
import sqlite3
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
from cli_samples import CRS, NORTH, WEST, write_grid, write_layer
from listing import names
from shapely import LineString, box

from slopekit.api.forms import Landforms
from slopekit.cli import main
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import LANDFORM_LAYERS

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
PARK = str(DEMO / "office_park.tif")
PARCELS = str(DEMO / "parcels.gpkg")
DRAWN = ("basins", "basin_floors", "berms", "berm_sides", "water_bodies")


def rows(path: Path, layer: str) -> pd.DataFrame:
    """A layer's rows without geometry, sorted as text."""
    return pd.DataFrame(pyogrio.read_dataframe(path, layer=layer, read_geometry=False))


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("landforms") / "landforms.gpkg"
    table = str(out.with_suffix(".xlsx"))
    assert (
        main(["landforms", PARK, "--area", PARCELS, "--id-column", "parcel_id", "--out", str(out), "--table", table])
        == 0
    )
    return out


def test_the_package_is_complete_and_styled(result: Path) -> None:
    layers = {name for name, _ in pyogrio.list_layers(result)}
    assert layers == {*LANDFORM_LAYERS, "run_notes", "layer_styles"}
    with contextlib.closing(sqlite3.connect(result)) as db:
        styled = db.execute("SELECT f_table_name, styleQML, useAsDefault FROM layer_styles").fetchall()
    assert [name for name, *_ in styled] == list(DRAWN)
    assert all("RuleRenderer" in qml and default == 1 for _, qml, default in styled)
    for layer in LANDFORM_LAYERS:
        assert list(rows(result, layer).columns) == [f.name for f in fields_of(layer)]


def test_rows_belong_together(result: Path) -> None:
    basins, stages = rows(result, "basins"), rows(result, "stage_storage")
    assert len(basins) and basins.basin.is_unique
    assert (stages.groupby("basin").size() == 11).all() and set(stages.basin) == set(basins.basin)
    assert set(basins.inside) - {""} <= set(basins.basin)
    assert set(rows(result, "basin_floors").basin) <= set(basins.basin)
    berms, sides = rows(result, "berms"), rows(result, "berm_sides")
    assert berms.berm.is_unique and set(sides.berm) <= set(berms.berm)
    parcels = gpd.read_file(PARCELS)
    drawn = gpd.read_file(result, layer="basins").to_crs(parcels.crs)
    for basin in drawn.itertuples():
        touched = parcels[parcels.intersects(basin.geometry)].parcel_id.astype(str)
        assert set(basin.parcels.split(",")) <= set(touched)
        assert basin.parcels


def test_the_notes_tell_of_inputs_and_of_what_was_not_assessed(result: Path) -> None:
    notes = rows(result, "run_notes")
    inputs = notes[notes.topic == "inputs"].set_index("name").value
    assert inputs["area"].startswith("parcels.gpkg (sha256:") and "office_park.tif" in inputs["elevation"]
    missing = " ".join(notes[notes.topic == "not assessed"].value)
    assert "culverts" in missing and "soft" in missing
    assert any(name == "landforms.basin_depth_m" or name == "basin_depth_m" for name in notes.name)


def test_the_workbook_is_the_package(result: Path) -> None:
    book = openpyxl.load_workbook(result.with_suffix(".xlsx"))
    assert book.sheetnames == ["Basins", "Bodies of water", "Berms", "Stage and storage", "Notes"]
    for sheet, layer in (
        ("Basins", "basins"),
        ("Bodies of water", "water_bodies"),
        ("Berms", "berms"),
        ("Stage and storage", "stage_storage"),
    ):
        _, *body = book[sheet].iter_rows(values_only=True)
        table = rows(result, layer)
        assert [row[0] for row in body] == table.iloc[:, 0].tolist()
    assert book["Basins"]["D1"].value == "depth (m)"


def test_all_of_the_elevation_holds_what_the_parcels_touch(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, table = tmp_path / "all.gpkg", tmp_path / "all.csv"
    assert main(["landforms", PARK, "--out", str(out), "--table", str(table), "--quiet"]) == 0
    said, err = capsys.readouterr()
    everything, some = (rows(path, "basins").drop(columns="parcels").set_index("basin") for path in (out, result))
    pd.testing.assert_frame_equal(everything.loc[some.index], some)
    assert (rows(out, "basins").parcels == "").all()
    lines = said.splitlines()
    count = len(everything)
    assert lines[0].startswith(f"{count} basin{'' if count == 1 else 's'}, ")
    assert lines[1].startswith(f"{len(rows(out, 'water_bodies'))} bod")
    assert lines[2].startswith(f"{len(rows(out, 'berms'))} berm")
    assert lines[-2:] == [str(out), str(table)]
    with table.open(newline="", encoding="utf-8-sig") as file:
        assert [row[0] for row in csv.reader(file)] == ["basin", *everything.index, *rows(out, "water_bodies").body]
    assert not re.search(r"\bsafe", said + err, re.IGNORECASE)


def test_screen_lists_the_same_landforms(result: Path, tmp_path: Path) -> None:
    out, plain = tmp_path / "zones.gpkg", tmp_path / "plain.gpkg"
    job = [
        "screen",
        PARK,
        "--parcels",
        PARCELS,
        "--id-column",
        "parcel_id",
        "--fleet",
        str(DEMO / "fleet.toml"),
        "--quiet",
    ]
    assert main([*job, "--landforms", "--out", str(out)]) == 0
    assert main([*job, "--out", str(plain)]) == 0
    for layer in LANDFORM_LAYERS:
        pd.testing.assert_frame_equal(rows(out, layer), rows(result, layer), obj=layer)
        if layer in DRAWN:
            one, two = (gpd.read_file(path, layer=layer) for path in (out, result))
            assert one.geometry.geom_equals(two.geometry).all()
    assert {name for name, _ in pyogrio.list_layers(out)} - {name for name, _ in pyogrio.list_layers(plain)} == {
        *LANDFORM_LAYERS
    }
    for layer in ("zones", "water", "drops"):
        pd.testing.assert_frame_equal(rows(out, layer), rows(plain, layer), obj=layer)


def test_given_water_makes_a_basin_wet(tmp_path: Path) -> None:
    rows_, cols = np.mgrid[:120, :120] - 60
    write_grid(
        tmp_path / "bowl.tif", (100.0 + np.minimum(np.hypot(rows_, cols) / 10.0, 3.0) + 0.002 * cols).astype("float32")
    )
    pond = write_layer(tmp_path / "pond.gpkg", [box(WEST + 55, NORTH - 65, WEST + 65, NORTH - 55)])
    for more, wet in ([], False), (["--water", str(pond)], True):
        out = tmp_path / "out.gpkg"
        assert main(["landforms", str(tmp_path / "bowl.tif"), "--out", str(out), "--quiet", *more]) == 0
        (basin,) = rows(out, "basins").itertuples()
        assert (bool(basin.wet), basin.water_m2) == (wet, 100.0 if wet else 0.0)


def test_parquet_takes_the_basins_at_its_own_name(tmp_path: Path) -> None:
    assert main(["landforms", PARK, "--area", PARCELS, "--out", str(tmp_path / "a.parquet"), "--quiet"]) == 0
    assert "spill_z_m" in gpd.read_parquet(tmp_path / "a.parquet").columns
    others = {layer for layer in (*LANDFORM_LAYERS, "run_notes") if layer != "basins"}
    assert {*names(tmp_path)} == {"a.parquet", *(f"a.{layer}.parquet" for layer in others)}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Ground with an area on it, one of lines, and one far away."""
    write_grid(tmp_path / "ground.tif", np.add.outer(np.arange(40.0), np.arange(50.0)).astype("float32"))
    write_layer(tmp_path / "area.gpkg", [box(WEST + 5, NORTH - 20, WEST + 30, NORTH - 5)], name=["lawn"])
    write_layer(tmp_path / "lines.gpkg", [LineString([(WEST + 5, NORTH - 5), (WEST + 9, NORTH - 9)])])
    write_layer(tmp_path / "far.gpkg", [box(WEST + 9000, NORTH - 20, WEST + 9030, NORTH - 5)])
    (tmp_path / "fleet.toml").write_text("schema = 7\n")
    return tmp_path


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["nowhere.tif", "--out", "o.gpkg"], r"nowhere\.tif: there is no such file or folder"),
        (
            ["ground.tif", "--area", "nowhere.gpkg", "--out", "o.gpkg"],
            r"nowhere\.gpkg: there is no such file, .*--area",
        ),
        (["ground.tif", "--area", "lines.gpkg", "--out", "o.gpkg"], r"lines\.gpkg: .*polygons"),
        (["ground.tif", "--area", "area.gpkg", "--id-column", "no", "--out", "o.gpkg"], r"no column 'no'"),
        (["ground.tif", "--area", "far.gpkg", "--out", "o.gpkg"], r"Area '1' has no elevation under it in ground\.tif"),
        (["ground.tif", "--out", "o.shp"], r"o\.shp: results are written as \.gpkg or \.parquet"),
        (["ground.tif", "--out", "o.gpkg", "--table", "t.ods"], r"t\.ods: tables are written as \.csv or \.xlsx"),
        (["ground.tif", "--out", "area.gpkg", "--area", "area.gpkg"], r"area\.gpkg: the result would replace a file"),
        (["ground.tif", "--out", "no/o.gpkg"], r"no.*folder"),
        (["ground.tif", "--out", "o.gpkg", "--table", "no/t.csv"], r"no.*folder"),
        (["ground.tif", "--out", "o.gpkg", "--fleet", "fleet.toml"], r"schema = 7"),
        (
            ["ground.tif", "--out", "o.gpkg", "--water", "nowhere.gpkg"],
            r"nowhere\.gpkg: there is no such file, .*--water",
        ),
        (["ground.tif", "--out", "o.gpkg", "--survey-date", "2999-01-01"], r"2999-01-01 lies in the future"),
    ],
)
def test_bad_input_is_one_sentence(
    folder: Path,
    arguments: list[str],
    told: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(folder)
    before = sorted(p.name for p in folder.iterdir())
    assert main(["landforms", *arguments, "--quiet"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert re.fullmatch(rf"Error: [^\n]*(?:{told})[^\n]*\.\n", err), err
    assert sorted(p.name for p in folder.iterdir()) == before


def test_the_table_may_not_replace_an_input_or_the_result(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    # A file of polygons by another ending: what counts is that it is read.
    shutil.copy("area.gpkg", "area.csv")
    assert main(["landforms", "ground.tif", "--area", "area.csv", "--out", "o.gpkg", "--table", "area.csv"]) == 2
    assert "area.csv: the result would replace a file that it is made from" in capsys.readouterr().err
    (folder / "o.csv").symlink_to("area.gpkg")
    assert main(["landforms", "ground.tif", "--area", "area.gpkg", "--out", "o.gpkg", "--table", "o.csv"]) == 2
    assert "o.csv: the result would replace a file" in capsys.readouterr().err
    assert gpd.read_file("area.gpkg").crs == CRS


def test_the_headline_counts_ground_once() -> None:
    """A hollow of 7000 m3, in it a pond of 432 m3 and in that a pit of 20 m3, and a pit of 158 m3 apart: 7158 m3,
    and 10 m3 more of one in a hollow that is in no row.
    """
    basins = pd.DataFrame(
        {
            "basin": ["b-1", "b-2", "b-3", "b-4", "b-5"],
            "inside": ["", "b-1", "b-2", "", "b-9"],
            "volume_m3": [7000.0, 432.0, 20.0, 158.0, 10.0],
            "wet": [False, True, False, False, False],
        }
    )
    berms = pd.DataFrame({"length_m": [93.0]})
    water = pd.DataFrame({"area_m2": [432.0, 90.0]})
    first, second, third = Landforms({"basins": basins, "water_bodies": water, "berms": berms}, ()).summary()
    assert first.startswith("5 basins, 1 of them with water; 7,168 m3 below their spill levels")
    assert second == "2 bodies of water or possible water, 522 m2"
    assert third == "1 berm, 93 m of crest"
