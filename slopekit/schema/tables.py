"""The tables of a result brought to the types and the order of the field registry."""

from collections.abc import Iterable, Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import shapely

from slopekit.schema.as_text import joined
from slopekit.schema.fields import Field, fields_of
from slopekit.schema.layers import (
    ALL_LAYERS,
    GEOMETRIES,
    LANDFORM_LAYERS,
    LAYERS,
    PACKAGE_LAYERS,
    PASS_LAYERS,
    POINT_LAYERS,
    PORTFOLIO_LAYERS,
    SPOT_LAYERS,
)

_ARROW = {"str": pa.string(), "int": pa.int64(), "float": pa.float64(), "bool": pa.bool_()}
_PROMOTE = {
    "MultiPolygon": ("Polygon", shapely.multipolygons),
    "MultiLineString": ("LineString", shapely.multilinestrings),
}


def table_of(layer: str, records: Iterable[Mapping[str, Any]], crs: str, conditions: Iterable[str] = ()) -> Any:
    """Records of one layer, geometry included where it has one, as a table with the registry's columns.

    A tuple becomes text: all records of a layer have one in the same fields. What the registry does not know is left
    out.
    """
    names = [f.name for f in fields_of(layer, conditions)]
    rows = list(records)
    lists = [name for name in names if rows and isinstance(rows[0].get(name), tuple)]
    if lists:
        rows = [{**row, **{name: joined(row[name]) for name in lists}} for row in rows]
    if GEOMETRIES[layer] is None:
        return pd.DataFrame.from_records(rows, columns=names)
    table = pd.DataFrame.from_records(rows, columns=[*names, "geometry"])
    return gpd.GeoDataFrame(table, geometry="geometry", crs=crs)


def arrow_schema(layer: str, conditions: Iterable[str] = ()) -> pa.Schema:
    """The columns of a layer of the registry as Arrow has them; geometry last, as WKB."""
    columns = [(f.name, _ARROW[f.type]) for f in fields_of(layer, conditions)]
    return pa.schema([*columns, *([("geometry", pa.binary())] if GEOMETRIES[layer] else [])])


def arrow_of(table: Any, schema: pa.Schema) -> pa.Table:
    """A table with the columns of a schema, in its types. A missing number, NaN here, is a null there."""
    plain = pd.DataFrame(table)
    if isinstance(table, gpd.GeoDataFrame):
        plain = plain.assign(geometry=shapely.to_wkb(table.geometry.to_numpy(), flavor="iso"))
    return pa.Table.from_pandas(plain, schema, preserve_index=False).replace_schema_metadata(None)


def frame_of(layer: str, table: pa.Table, crs: str, conditions: Iterable[str] = ()) -> Any:
    """The rows of an Arrow table of a layer as `conform` gives them."""
    frame = table.to_pandas()
    if GEOMETRIES[layer] is not None:
        shapes = shapely.from_wkb(frame.pop("geometry").to_numpy(dtype=object))
        frame = gpd.GeoDataFrame(frame, geometry=shapes, crs=crs)
    return conform_layer(layer, frame, conditions)


def conform(tables: Mapping[str, Any], conditions: Iterable[str]) -> dict[str, Any]:
    """Copies of the tables, one for each layer of the registry, with its columns in order and in its types.

    Text becomes pandas "string", whole numbers "Int64", yes/no "boolean", all with real nulls; numbers become float64
    with NaN. Single polygons and lines become multipart where the layer is multipart. Raises ValueError for a missing
    or unknown layer or column, a value of another type, an infinite number, or a layer with another CRS: each of them
    is a fault of the caller's code, not of the user's input.
    """
    portfolio = {*PORTFOLIO_LAYERS} & {*tables}
    points = [{layer} for layer in POINT_LAYERS]
    noted = [{*layers, "run_notes"} for layers in (LANDFORM_LAYERS, PASS_LAYERS, SPOT_LAYERS)]
    known = ({*LAYERS}, {*ALL_LAYERS}, *noted, *points)
    if {*tables} - portfolio not in known:
        raise ValueError(f"layers must be {sorted(LAYERS)}, with or without landforms, not {sorted(tables)}")
    names = list(conditions)
    out = {layer: conform_layer(layer, tables[layer], names) for layer in PACKAGE_LAYERS if layer in tables}
    systems = [table.crs for layer, table in out.items() if GEOMETRIES[layer]]
    if any(crs is None or crs != systems[0] for crs in systems):
        raise ValueError("every layer must have one and the same CRS")
    return out


def conform_layer(layer: str, table: Any, conditions: Iterable[str] = ()) -> Any:
    """One table as `conform` brings it to the registry. Raises ValueError as it does."""
    fields = fields_of(layer, conditions)
    kind = GEOMETRIES[layer]
    if (kind is not None) != isinstance(table, gpd.GeoDataFrame):
        raise ValueError(f"{layer}: a table {'with' if kind else 'without'} geometry is due")
    wanted = [f.name for f in fields]
    given = [c for c in table.columns if kind is None or c != table.geometry.name]
    missing, unknown = [c for c in wanted if c not in given], [c for c in given if c not in wanted]
    if missing or unknown:
        raise ValueError(f"{layer}: missing columns {missing}, columns that the registry does not know {unknown}")
    columns = {f.name: _column(f, table[f.name].reset_index(drop=True)) for f in fields}
    if kind is None:
        return pd.DataFrame(columns)
    return gpd.GeoDataFrame(columns, geometry=_geometries(layer, kind, table.geometry.to_numpy()), crs=table.crs)


def _column(field: Field, values: pd.Series) -> pd.Series:
    where = f"{field.layer}.{field.name}"
    if field.type == "str":
        strange = [v for v in values.dropna() if not isinstance(v, str)]
        if strange:
            raise ValueError(f"{where}: text is due, not {strange[0]!r}")
        return values.astype("string")
    dtype = {"int": "Int64", "float": "float64", "bool": "boolean"}[field.type]
    try:
        column = values.astype(object).where(values.notna(), None if field.type != "float" else np.nan).astype(dtype)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{where}: a value is not of type {field.type}") from error
    if field.type == "float" and np.isinf(column.to_numpy()).any():
        raise ValueError(f"{where}: an infinite number; what does not exist is NaN")
    return column


def _geometries(layer: str, kind: str, geometries: Any) -> Any:
    shapes = shapely.force_2d(np.asarray(geometries, dtype=object))
    if kind in _PROMOTE:
        single, gather = _PROMOTE[kind]
        lone = np.flatnonzero([g is not None and g.geom_type == single for g in shapes])
        for i in lone:
            shapes[i] = gather([shapes[i]])
    strange = [g for g in shapes if g is None or g.is_empty or g.geom_type != kind]
    if strange:
        raise ValueError(f"{layer}: {kind} is due, not {'nothing' if strange[0] is None else strange[0].geom_type}")
    return shapes
