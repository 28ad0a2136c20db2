"""Reading back what a screening wrote: the same tables from either kind of file, or one sentence."""

import contextlib
import re
import sqlite3
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
from labour_maker import FLEET
from result_maker import CRS, Zone, made_result
from shapely import LineString, box

from slopekit.errors import InputError
from slopekit.outputs.package import write_result
from slopekit.schema.fields import SCHEMA_VERSION
from slopekit.sources.results import read_result, schema_version

LAYERS = ("zones", "water", "drops", "profiles")
ZONES = [
    Zone("z1", box(0, 0, 30, 40), "ride_on,walk_behind"),
    Zone("z2", box(30, 0, 60, 40), {"dry": "crew", "wet": ""}),
]


@pytest.fixture
def tables() -> dict[str, Any]:
    shore, wall = box(0, 42, 20, 50), LineString([(0, 0), (30, 0)])
    return made_result(FLEET, ZONES, water=[shore], drops=[wall])


@pytest.fixture(params=["gpkg", "parquet"])
def written(request: pytest.FixtureRequest, tables: dict[str, Any], tmp_path: Path) -> Path:
    path = tmp_path / f"zones.{request.param}"
    write_result(path, tables, FLEET.conditions)
    return path


def test_what_was_written_is_read(written: Path, tables: dict[str, Any]) -> None:
    read = read_result(written, LAYERS)
    assert set(read) == {*LAYERS, "run_notes"}
    zones = read["zones"]
    assert isinstance(zones, gpd.GeoDataFrame) and zones.crs == CRS
    assert zones.geometry.area.tolist() == [1200.0, 1200.0]
    for name in ("parcel_id", "zone_id", "machine_class", "plan_m2", "surface_m2", "slope_mean_deg", "permitted_dry"):
        assert zones[name].tolist() == tables["zones"][name].tolist(), name
    assert zones["permitted_wet"].fillna("").tolist() == ["ride_on,walk_behind", ""]
    assert read["drops"].geometry.length.tolist() == [30.0] and read["water"].geometry.area.tolist() == [160.0]
    assert len(read["profiles"]) == 0 and not isinstance(read["run_notes"], gpd.GeoDataFrame)
    notes = set(read["run_notes"][["topic", "name", "value"]].itertuples(index=False, name=None))
    assert notes == set(tables["run_notes"].itertuples(index=False, name=None))


def test_only_what_is_asked_for_is_read(written: Path) -> None:
    assert set(read_result(str(written), [])) == {"run_notes"}


def refused(path: str | Path, layers: tuple[str, ...] = LAYERS) -> str:
    with pytest.raises(InputError) as caught:
        read_result(path, layers)
    message = str(caught.value)
    assert message.startswith(str(Path(path).parent)) and message.endswith(".") and "\n" not in message
    assert ". " not in message
    return message


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    for name in ("zones.gpkg", "zones.parquet"):
        assert refused(tmp_path / name).startswith(f"{tmp_path / name}: there is no such file")


def test_a_parquet_result_that_lost_a_file(tmp_path: Path, tables: dict[str, Any]) -> None:
    write_result(tmp_path / "zones.parquet", tables, FLEET.conditions)
    (tmp_path / "zones.drops.parquet").unlink()
    assert "zones.drops.parquet: this cannot be read as a result" in refused(tmp_path / "zones.parquet")
    read_result(tmp_path / "zones.parquet", ["zones", "water"])
    (tmp_path / "zones.run_notes.parquet").write_bytes(b"PAR1")
    assert "zones.run_notes.parquet: this cannot be read" in refused(tmp_path / "zones.parquet")


def test_a_parquet_file_of_somebody_else(tmp_path: Path) -> None:
    pd.DataFrame({"a": [1]}).to_parquet(tmp_path / "zones.parquet")
    assert "cannot be read as a result of slopekit" in refused(tmp_path / "zones.parquet")


def test_a_geopackage_without_a_layer(tmp_path: Path, tables: dict[str, Any]) -> None:
    path = tmp_path / "zones.gpkg"
    write_result(path, tables, FLEET.conditions)
    assert "it has no layer 'berms' (Berms)" in refused(path, ("berms",))
    gpd.GeoDataFrame({"a": [1]}, geometry=[box(0, 0, 1, 1)], crs=CRS).to_file(tmp_path / "lawn.gpkg")
    assert "it has no layer 'run_notes' (Notes and cautions), so name a whole result" in refused(tmp_path / "lawn.gpkg")


@pytest.mark.parametrize("content", [b"", b"no database", b"\x00" * 200], ids=["empty", "text", "zeros"])
def test_a_file_that_is_no_database(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "zones.gpkg").write_bytes(content)
    refused(tmp_path / "zones.gpkg")


def test_a_folder(tmp_path: Path) -> None:
    refused(tmp_path)


def test_a_geopackage_that_was_cut_short(tmp_path: Path, tables: dict[str, Any]) -> None:
    path = tmp_path / "zones.gpkg"
    write_result(path, tables, FLEET.conditions)
    whole = path.read_bytes()
    for part in (0.25, 0.5, 0.9):
        path.write_bytes(whole[: int(len(whole) * part)])
        refused(path)


def test_run_notes_of_somebody_else(tmp_path: Path, tables: dict[str, Any]) -> None:
    """A layer of that name with other columns is no result of ours."""
    path = tmp_path / "zones.gpkg"
    write_result(path, tables, FLEET.conditions)
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        db.execute("ALTER TABLE run_notes RENAME COLUMN topic TO subject")
    refused(path)


@pytest.mark.parametrize(
    ("said", "version"),
    [
        (f"0.1.0, output schema {SCHEMA_VERSION}", SCHEMA_VERSION),
        ("0.1.0, output schema 1", 1),
        ("1.0, output schema 12", 12),
        ("0.1.0", None),
        ("0.1.0, output schema two", None),
        ("output schema ", None),
        ("", None),
    ],
)
def test_the_version_that_a_result_says(said: str, version: int | None, tmp_path: Path) -> None:
    notes = pd.DataFrame({"topic": ["settings", "inputs"], "name": ["slopekit", "slopekit"], "value": ["x 9", said]})
    assert schema_version(notes) == version
    assert schema_version(notes.iloc[:1]) is None
    tables = made_result(FLEET, ZONES)
    own = tables["run_notes"]["name"] == "slopekit"
    tables["run_notes"].loc[own, "value"] = said
    write_result(tmp_path / "zones.gpkg", tables, FLEET.conditions)
    if version == SCHEMA_VERSION:
        read_result(tmp_path / "zones.gpkg", LAYERS)
    else:
        message = refused(tmp_path / "zones.gpkg")
        told = "no version" if version is None else f"version {version}"
        assert re.search(rf"tables are of {told} of the output schema .* reads version {SCHEMA_VERSION}", message)
