"""The result of a run: one GeoPackage that QGIS opens styled, or Parquet files when the name ends in .parquet."""

import contextlib
import sqlite3
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pyogrio

from slopekit.errors import OutputError
from slopekit.fields import ALL_LAYERS, PASS_LAYERS, PORTFOLIO_LAYERS, fields_of
from slopekit.outputs.atomic import SIDECARS, written
from slopekit.outputs.geopackage import GEOMETRY_COLUMN, VERSION, any_file_name, disk_faults, finishing, write_styles
from slopekit.outputs.parquet import write_parquet
from slopekit.outputs.styles import layer_styles
from slopekit.outputs.tables import GEOMETRIES, conform

_MEANING = {**ALL_LAYERS, **PASS_LAYERS, **PORTFOLIO_LAYERS}
# GeoPackage 1.2.1 (OGC 12-128r15), annex F.9: the tables of the schema extension.
_SCHEMA_EXTENSION = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name),
  CONSTRAINT fk_gdc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
INSERT INTO gpkg_extensions VALUES
  ('gpkg_data_columns', NULL, 'gpkg_schema', 'http://www.geopackage.org/spec121/#extension_schema', 'read-write'),
  ('gpkg_data_column_constraints', NULL, 'gpkg_schema', 'http://www.geopackage.org/spec121/#extension_schema',
   'read-write');
"""


def write_result(path: str | Path, tables: Mapping[str, Any], conditions: Iterable[str]) -> None:
    """Write one table for each layer to a GeoPackage 1.2 or, if `path` ends in .parquet, to Parquet.

    `tables` are GeoDataFrames (profiles and run_notes: DataFrames) with the columns of `fields_of(layer, conditions)`,
    geometries in CRS units. Nothing appears at `path` until the whole result has been written, flushed and read back.
    Raises OutputError when the place cannot take it, ValueError when the tables do not follow the registry.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in (".gpkg", ".parquet"):
        raise OutputError(f"{path}: results are written as .gpkg or .parquet, so give the name one of these endings.")
    names = list(conditions)
    ready = conform(tables, names)
    if suffix == ".parquet":
        write_parquet(path, ready)
    else:
        _write_package(path, ready, names)


def _write_package(path: str | Path, tables: dict[str, Any], conditions: list[str]) -> None:
    with written(path) as (temp,), disk_faults(), any_file_name():
        for layer, table in tables.items():
            _write_layer(temp, layer, table)
        styles = [style for style in layer_styles() if style.layer in tables]
        write_styles(temp, styles, [_MEANING[s.layer] for s in styles])
        _describe(temp, tables, conditions)
        _verify(temp, {layer: len(table) for layer, table in tables.items()})


def _write_layer(temp: Path, layer: str, table: Any) -> None:
    options = {"DESCRIPTION": _MEANING[layer]}
    if GEOMETRIES[layer]:
        options |= {"GEOMETRY_NAME": GEOMETRY_COLUMN, "SPATIAL_INDEX": "YES"}
    texts = table.select_dtypes("string").columns
    plain = table.assign(**{name: table[name].astype(object).where(table[name].notna(), None) for name in texts})
    pyogrio.write_dataframe(
        plain,
        temp,
        layer=layer,
        driver="GPKG",
        geometry_type=GEOMETRIES[layer],
        dataset_options={"VERSION": VERSION},
        layer_options=options,
    )


def _describe(temp: Path, layers: Iterable[str], conditions: list[str]) -> None:
    """Add the meaning of every column."""
    rows = [
        (layer, f.name, f.name, f.meaning if f.unit == "-" else f"{f.meaning} [{f.unit}]")
        for layer in layers
        for f in fields_of(layer, conditions)
    ]
    with finishing(temp) as db:
        db.executescript(_SCHEMA_EXTENSION)
        db.executemany(
            "INSERT INTO gpkg_data_columns (table_name, column_name, name, description) VALUES (?, ?, ?, ?)", rows
        )


def _verify(temp: Path, counts: dict[str, int]) -> None:
    with contextlib.closing(sqlite3.connect(f"{temp.as_uri()}?mode=ro", uri=True)) as db:
        answer = db.execute("PRAGMA integrity_check").fetchone()[0]
    if answer != "ok":
        raise OSError(f"what was written does not read back: {answer}")
    for layer, count in counts.items():
        found = pyogrio.read_info(temp, layer=layer, force_feature_count=True)["features"]
        if found != count:
            raise OSError(f"of {count} rows of {layer} only {found} read back")
    left = [end for end in SIDECARS if Path(f"{temp}{end}").exists()]
    if left:
        raise OSError(f"the database could not be closed, {left[0]} is left")
