"""The GeoPackage: schema, meanings, styles and bytes, read back with SQLite and with GDAL's own programs."""

import contextlib
import shutil
import sqlite3
import subprocess
import time
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from listing import names
from output_samples import CONDITIONS, WHY, sample_landforms

from slopekit.errors import OutputError
from slopekit.outputs.package import write_result
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import OUTPUT_LAYERS

# GeoPackage 1.2 (OGC 12-128r14), table 1 and requirement 5: the column types of SQL that a package may use.
SQL_TYPES = {"str": "TEXT", "int": "INTEGER", "float": "REAL", "bool": "BOOLEAN"}
GEOMETRIES = {
    "zones": "MULTIPOLYGON",
    "parcels": "MULTIPOLYGON",
    "water": "MULTIPOLYGON",
    "drops": "MULTILINESTRING",
    "paths": "LINESTRING",
    "routes": "LINESTRING",
    "starts": "POINT",
    "directions": "LINESTRING",
    "corrections": "MULTIPOLYGON",
    "basins": "MULTIPOLYGON",
    "basin_floors": "MULTIPOLYGON",
    "berms": "MULTILINESTRING",
    "berm_sides": "MULTIPOLYGON",
    "water_bodies": "MULTIPOLYGON",
}


@pytest.fixture
def package(tmp_path: Path, result: dict[str, Any]) -> Path:
    path = tmp_path / "out.gpkg"
    write_result(path, result, CONDITIONS)
    return path


@pytest.fixture
def screened(tmp_path: Path, tables: dict[str, Any]) -> Path:
    """A package with all that `screen` returns when it is not asked for landforms."""
    path = tmp_path / "screened.gpkg"
    write_result(path, tables, CONDITIONS)
    return path


def _rows(path: Path, sql: str) -> list[tuple[Any, ...]]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(sql).fetchall()


def test_it_is_a_geopackage_1_2(package: Path) -> None:
    # GeoPackage 1.2 (OGC 12-128r14), requirement 2: application id "GPKG", user version 10200.
    assert _rows(package, "PRAGMA application_id") == [(0x47504B47,)]
    assert _rows(package, "PRAGMA user_version") == [(10200,)]
    assert _rows(package, "PRAGMA integrity_check") == [("ok",)]
    assert _rows(package, "PRAGMA foreign_key_check") == []
    assert _rows(package, "PRAGMA journal_mode") == [("delete",)]


def test_every_layer_has_the_columns_of_the_registry(package: Path, result: dict[str, Any]) -> None:
    for layer in result:
        columns = [(name, kind) for _, name, kind, *_ in _rows(package, f"PRAGMA table_info({layer})")]
        own = [("fid", "INTEGER"), *([("geom", GEOMETRIES[layer])] if layer in GEOMETRIES else [])]
        assert columns == own + [(f.name, SQL_TYPES[f.type]) for f in fields_of(layer, CONDITIONS)]


def test_layers_and_columns_say_what_they_mean(package: Path, result: dict[str, Any]) -> None:
    contents = dict(_rows(package, "SELECT table_name, description FROM gpkg_contents"))
    assert {k: v for k, v in contents.items() if k != "layer_styles"} == {
        layer: OUTPUT_LAYERS[layer].meaning for layer in result
    }
    meanings = {
        (t, c): m for t, c, m in _rows(package, "SELECT table_name, column_name, description FROM gpkg_data_columns")
    }
    fields = [f for layer in result for f in fields_of(layer, CONDITIONS)]
    assert len(meanings) == len(fields)
    for field in fields:
        assert meanings[field.layer, field.name].startswith(field.meaning)
    if "zones" in result:
        assert meanings["zones", "plan_m2"].endswith("[m2]")
        assert "'wet'" in meanings["zones", "class_wet"]
    if "basins" in result:
        assert meanings["basins", "side_hv"].endswith("[H:V]")


def test_values_come_back(package: Path, result: dict[str, Any]) -> None:
    for layer in set(GEOMETRIES) & set(result):
        back = gpd.read_file(package, layer=layer)
        given = result[layer]
        assert back.crs == given.crs and len(back) == len(given)
        assert back.geometry.area.to_numpy() == pytest.approx(given.geometry.area.to_numpy())
        for field in fields_of(layer, CONDITIONS):
            pairs = zip(back[field.name], given[field.name], strict=True)
            assert all((pd.isna(a) and pd.isna(b)) or a == b for a, b in pairs), field.name
    for layer in set(result) - set(GEOMETRIES):
        table = pyogrio.read_dataframe(package, layer=layer)
        for field in fields_of(layer, CONDITIONS):
            pairs = zip(table[field.name], result[layer][field.name], strict=True)
            assert all((pd.isna(a) and pd.isna(b)) or a == b for a, b in pairs), field.name


def test_what_is_empty_differs_from_what_is_not_there(screened: Path) -> None:
    # Text that is not there is NULL, text that is empty stays: a zone with no machine differs from one not asked about.
    assert _rows(screened, "SELECT DISTINCT permitted, permitted_wet FROM zones WHERE zone_id = 'north lawn-z5'") == [
        ("", None)
    ]
    assert _rows(screened, "SELECT value FROM run_notes WHERE name = 'soft ground'") == [(None,)]
    # A share of 0 differs from one that nobody asked for, and water without a name from one whose name is not known.
    shares = "SELECT zone_id, realisations_share FROM zones WHERE parcel_id = 'north lawn' ORDER BY fid LIMIT 3"
    assert [share for _, share in _rows(screened, shares)] == [0.0, 0.96, None]
    assert _rows(screened, "SELECT body FROM water WHERE origin = 'given'") == [("",)]
    assert _rows(screened, "SELECT why FROM corrections ORDER BY number") == [("",), (WHY,), (None,)]


def test_tables_without_geometry_are_attributes(package: Path, result: dict[str, Any]) -> None:
    # GeoPackage 1.2 (OGC 12-128r14), section 2.4: data_type "attributes" for a table without geometry. Table 1: BOOLEAN
    # holds 0 for no and 1 for yes.
    kinds = dict(_rows(package, "SELECT table_name, data_type FROM gpkg_contents"))
    assert {layer: kinds[layer] for layer in result} == {
        layer: "features" if layer in GEOMETRIES else "attributes" for layer in result
    }


def test_profiles_belong_to_their_paths(screened: Path) -> None:
    points = _rows(screened, "SELECT point, typeof(line_m), mark FROM profiles ORDER BY fid")
    assert points == [
        (1, "real", "start"), (2, "real", ""), (3, "real", ""), (4, "real", "hazard: water"),
    ]  # fmt: skip
    way = "SELECT count(*) FROM profiles JOIN paths USING (parcel_id, zone_id)"
    assert _rows(screened, way) == [(len(points),)]


def test_spatial_index(package: Path, result: dict[str, Any]) -> None:
    drawn = [layer for layer in result if layer in GEOMETRIES]
    for layer in drawn:
        count = _rows(package, f"SELECT count(*) FROM {layer}")
        assert _rows(package, f"SELECT count(*) FROM rtree_{layer}_geom") == count
    info = pyogrio.read_info(package, layer=drawn[0])
    assert info["capabilities"]["fast_spatial_filter"]


def test_empty_layers_keep_their_schema(tmp_path: Path, result: dict[str, Any]) -> None:
    full, empty = tmp_path / "full.gpkg", tmp_path / "empty.gpkg"
    write_result(full, result, CONDITIONS)
    write_result(empty, {layer: table.iloc[:0] for layer, table in result.items()}, CONDITIONS)
    for layer in result:
        assert _rows(empty, f"PRAGMA table_info({layer})") == _rows(full, f"PRAGMA table_info({layer})")
        assert _rows(empty, f"SELECT count(*) FROM {layer}") == [(0,)]
    lines = "drops" if "drops" in result else "berms"
    assert pyogrio.read_info(empty, layer=lines)["geometry_type"] == "MultiLineString"


def test_columns_that_hold_nothing_keep_their_type(tmp_path: Path, tables: dict[str, Any]) -> None:
    zones = tables["zones"]
    for field in fields_of("zones", CONDITIONS):
        zones[field.name] = None
    write_result(tmp_path / "out.gpkg", tables, CONDITIONS)
    kinds = [row[2] for row in _rows(tmp_path / "out.gpkg", "PRAGMA table_info(zones)")][2:]
    assert kinds == [SQL_TYPES[f.type] for f in fields_of("zones", CONDITIONS)]


def test_single_geometries_become_multipart_and_numbers_their_type(tmp_path: Path, tables: dict[str, Any]) -> None:
    tables["zones"]["parts"] = tables["zones"]["parts"].astype(float)
    tables["parcels"]["zones"] = tables["parcels"]["zones"].astype(np.int32)
    tables["drops"] = tables["drops"].explode().reset_index(drop=True)
    write_result(tmp_path / "out.gpkg", tables, CONDITIONS)
    assert pyogrio.read_info(tmp_path / "out.gpkg", layer="drops")["geometry_type"] == "MultiLineString"
    assert set(_rows(tmp_path / "out.gpkg", "SELECT typeof(parts) FROM zones")) == {("integer",)}


def _without_column(tables: dict[str, Any]) -> None:
    tables["zones"] = tables["zones"].drop(columns="hazard_m")


def _unknown_column(tables: dict[str, Any]) -> None:
    tables["water"]["depth"] = 1.0


def _without_layer(tables: dict[str, Any]) -> None:
    del tables["paths"]


def _some_landforms(tables: dict[str, Any]) -> None:
    tables |= {layer: table for layer, table in sample_landforms().items() if layer != "berm_sides"}


def _landforms_without_notes(tables: dict[str, Any]) -> None:
    tables.clear()
    tables |= sample_landforms()


def _half_a_part(tables: dict[str, Any]) -> None:
    tables["zones"]["parts"] = 1.5


def _number_for_text(tables: dict[str, Any]) -> None:
    tables["zones"]["note"] = 7


def _infinite(tables: dict[str, Any]) -> None:
    tables["zones"]["speed_to_hazard_kmh"] = np.inf


def _wrong_geometry(tables: dict[str, Any]) -> None:
    tables["paths"] = tables["paths"].set_geometry(tables["paths"].geometry.buffer(1.0))


def _other_crs(tables: dict[str, Any]) -> None:
    tables["water"] = tables["water"].to_crs(25833)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_without_column, "hazard_m"),
        (_unknown_column, "depth"),
        (_without_layer, "layers must be"),
        (_some_landforms, "with or without landforms"),
        (_landforms_without_notes, "with or without landforms"),
        (_half_a_part, r"zones\.parts"),
        (_number_for_text, r"zones\.note"),
        (_infinite, r"zones\.speed_to_hazard_kmh"),
        (_wrong_geometry, "paths: LineString is due, not Polygon"),
        (_other_crs, "one and the same CRS"),
    ],
)
def test_tables_that_break_the_registry_are_a_fault_of_ours(
    tmp_path: Path, tables: dict[str, Any], spoil: Any, words: str
) -> None:
    spoil(tables)
    with pytest.raises(ValueError, match=words):
        write_result(tmp_path / "out.gpkg", tables, CONDITIONS)
    assert list(tmp_path.iterdir()) == []


def test_the_same_result_has_the_same_bytes(tmp_path: Path, tables: dict[str, Any], landforms: dict[str, Any]) -> None:
    write_result(tmp_path / "a.gpkg", tables | landforms, CONDITIONS)
    # Long enough for any clock in the file to show.
    time.sleep(1.1)
    write_result(tmp_path / "b.gpkg", tables | landforms, CONDITIONS)
    write_result(tmp_path / "a.gpkg", tables | landforms, CONDITIONS)
    content = (tmp_path / "a.gpkg").read_bytes()
    assert content == (tmp_path / "b.gpkg").read_bytes()
    # SQLite's count of changes (sqlite.org/fileformat2.html, 1.3) would differ now and then.
    assert content[24:28] == content[92:96] == b"\0\0\0\1"
    assert names(tmp_path) == ["a.gpkg", "b.gpkg"]


def test_other_endings_are_refused(tmp_path: Path, tables: dict[str, Any]) -> None:
    with pytest.raises(OutputError, match=r"out\.shp: results are written as \.gpkg or \.parquet"):
        write_result(tmp_path / "out.shp", tables, CONDITIONS)


def test_styles_lie_where_qgis_looks(package: Path, result: dict[str, Any]) -> None:
    # QGIS user manual, "Saving and sharing layer properties": styles of a GeoPackage live in the table layer_styles.
    # The columns and the empty schema text are from memory of what QGIS itself writes.
    columns = [row[1] for row in _rows(package, "PRAGMA table_info(layer_styles)")]
    assert columns == [
        "id", "f_table_catalog", "f_table_schema", "f_table_name", "f_geometry_column", "styleName", "styleQML",
        "styleSLD", "useAsDefault", "description", "owner", "ui", "update_time",
    ]  # fmt: skip
    rows = _rows(package, "SELECT f_table_name, f_table_schema, f_geometry_column, useAsDefault FROM layer_styles")
    assert rows == [(layer, "", "geom", 1) for layer in GEOMETRIES if layer in result]
    kind = _rows(package, "SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'")
    assert kind == [("attributes",)]


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="GDAL's ogrinfo is not installed")
def test_gdal_reads_it_without_a_warning(package: Path, result: dict[str, Any]) -> None:
    answer = subprocess.run(["ogrinfo", "-al", "-so", str(package)], capture_output=True, text=True, check=True)
    assert answer.stderr == ""
    assert "Warning" not in answer.stdout and "ERROR" not in answer.stdout
    for layer, table in result.items():
        told = answer.stdout.partition(f"Layer name: {layer}\n")[2].partition("Layer name:")[0]
        assert f"Feature Count: {len(table)}\n" in told, layer
