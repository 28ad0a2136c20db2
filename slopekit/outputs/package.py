"""The result of a run: one GeoPackage that QGIS opens styled, or Parquet files when the name ends in .parquet."""

import contextlib
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyogrio
import pyproj

from slopekit.errors import OutputError
from slopekit.outputs.atomic import SIDECARS, written
from slopekit.outputs.geopackage import (
    GEOMETRY_COLUMN,
    VERSION,
    address_of,
    any_file_name,
    disk_faults,
    finishing,
    write_styles,
)
from slopekit.outputs.parquet import write_parquet
from slopekit.outputs.styles import layer_styles
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import GEOMETRIES, OUTPUT_LAYERS, PACKAGE_LAYERS
from slopekit.schema.tables import arrow_of, arrow_schema, conform

_ROWS = 2000
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
        crs = next(table.crs for layer, table in ready.items() if GEOMETRIES[layer])
        write_package(path, {layer: sliced(layer, table, names) for layer, table in ready.items()}, crs, names)


def write_package(path: str | Path, layers: Mapping[str, Iterable[pa.Table]], crs: str, conditions: list[str]) -> None:
    """Write layers to a GeoPackage as `write_result` does, their rows from tables with the columns of `arrow_schema`.

    One table of a layer is asked for after the other, and one layer after the other, in the order of the registry.
    """
    with written(path) as (temp,), disk_faults(), any_file_name():
        counts = fill(temp, layers, crs, conditions)
        styles = layer_styles(counts, conditions)
        write_styles(temp, styles, [OUTPUT_LAYERS[s.layer].meaning for s in styles])
        describe(temp, counts, conditions)
        verify(temp, counts)


def fill(temp: Path, layers: Mapping[str, Iterable[pa.Table]], crs: str, conditions: list[str]) -> dict[str, int]:
    """Write the rows of some layers to a new GeoPackage, and tell how many each has. As `write_package` takes them."""
    return {
        layer: _write_layer(temp, layer, layers[layer], crs, conditions) for layer in PACKAGE_LAYERS if layer in layers
    }


def _write_layer(temp: Path, layer: str, tables: Iterable[pa.Table], crs: str, conditions: list[str]) -> int:
    """The number of its rows."""
    schema = arrow_schema(layer, conditions)
    options, more = {"DESCRIPTION": OUTPUT_LAYERS[layer].meaning}, {}
    if GEOMETRIES[layer]:
        options |= {"GEOMETRY_NAME": GEOMETRY_COLUMN, "SPATIAL_INDEX": "YES"}
        more = {"geometry_name": "geometry", "geometry_type": GEOMETRIES[layer], "crs": told_crs(crs)}
    rows = _Counted(tables)
    try:
        pyogrio.write_arrow(
            pa.RecordBatchReader.from_batches(schema, rows),
            temp,
            layer=layer,
            driver="GPKG",
            dataset_options={"VERSION": VERSION},
            layer_options=options,
            **more,
        )
    except Exception as error:
        # What goes wrong where the rows come from would be told in the library's words.
        raise rows.fault or error from error
    return rows.count


class _Counted:
    """The batches of some tables, how many rows they had, and the fault that ended them."""

    def __init__(self, tables: Iterable[pa.Table]) -> None:
        self._tables = tables
        self.count = 0
        self.fault: BaseException | None = None

    def __iter__(self) -> Iterator[pa.RecordBatch]:
        try:
            for table in self._tables:
                self.count += table.num_rows
                yield from table.combine_chunks().to_batches()
        except BaseException as fault:
            self.fault = fault
            raise


def told_crs(crs: str) -> str:
    """A CRS by its EPSG code where it has one, else as WKT."""
    known = pyproj.CRS(crs)
    code = known.to_epsg()
    return str(known.to_wkt("WKT1_GDAL")) if code is None else f"EPSG:{code}"


def sliced(layer: str, table: Any, conditions: list[str]) -> Iterator[pa.Table]:
    """A whole table, some rows at a time, since they are twice in memory."""
    schema = arrow_schema(layer, conditions)
    for start in range(0, len(table), _ROWS):
        yield arrow_of(table.iloc[start : start + _ROWS], schema)


def describe(temp: Path, layers: Iterable[str], conditions: list[str]) -> None:
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


def verify(temp: Path, counts: Mapping[str, int]) -> None:
    """Raise OSError where a database does not read back with so many rows a layer."""
    with contextlib.closing(sqlite3.connect(address_of(temp, "mode=ro"), uri=True)) as db:
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
