"""Results of many parcels as a dataset of GeoParquet files: one folder a layer, one file a part, and its record."""

import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import shapely

from slopekit.errors import InputError, OutputError
from slopekit.outputs.atomic import written
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import ALL_LAYERS, GEOMETRIES, LAYERS, OUTPUT_LAYERS
from slopekit.schema.tables import arrow_schema, conform, table_of
from slopekit.sources.units_of import same_crs
from slopekit.sources.warp import transformer

Records = Mapping[str, Sequence[Mapping[str, Any]]]
PARCEL = "parcel_id"
RECORDS = "parts"
"""Folder beside the layers, with one small file a part."""
NOT_IN_PARTS = tuple(name for name in ALL_LAYERS if OUTPUT_LAYERS[name].of_whole)
"""Layers that speak of the whole."""


def encoded(
    found: Iterable[tuple[str, str, Records]], crs: str, conditions: Iterable[str], landforms: bool
) -> dict[str, tuple[int, bytes]]:
    """Rows and Parquet file of each layer that has any, all in `crs`.

    found: parcel id, CRS of its geometries, its records by layer. Every table has a column `parcel_id`, which stands
    first where the registry has none. Positions in columns ("CRS unit") move with the geometries.
    """
    names = list(conditions)
    layers = [layer for layer in (ALL_LAYERS if landforms else LAYERS) if layer not in NOT_IN_PARTS]
    rows: dict[str, list[dict[str, Any]]] = {layer: [] for layer in layers}
    owners: dict[str, list[str]] = {layer: [] for layer in layers}
    for parcel, from_crs, records in found:
        for layer in layers:
            for record in records.get(layer, ()):
                rows[layer].append(moved(layer, record, from_crs, crs))
                owners[layer].append(parcel)
    tables = {layer: table_of(layer, _told(layer, rows[layer], owners[layer]), crs, names) for layer in layers}
    for layer in NOT_IN_PARTS:
        tables[layer] = table_of(layer, [], crs)
    out = {}
    for layer, table in conform(tables, names).items():
        if len(table) == 0:
            continue
        if PARCEL not in table:
            table.insert(0, PARCEL, pd.array(owners[layer], dtype="string"))
        stream = io.BytesIO()
        table.to_parquet(stream, index=False)
        out[layer] = (len(table), stream.getvalue())
    return out


def _told(layer: str, rows: list[dict[str, Any]], owners: list[str]) -> list[dict[str, Any]]:
    """Landforms know their parcels only when all are done; till then each has the one that it was found for."""
    if not any(f.name == "parcels" for f in fields_of(layer)):
        return rows
    return [{**row, "parcels": owner} for row, owner in zip(rows, owners, strict=True)]


def moved(layer: str, record: Mapping[str, Any], from_crs: str, crs: str) -> dict[str, Any]:
    """A record of a layer whose positions come from one CRS, in another."""
    out = dict(record)
    if same_crs(from_crs, crs):
        return out
    change = transformer(from_crs, crs)
    if GEOMETRIES[layer] is not None:
        out["geometry"] = shapely.transform(record["geometry"], lambda x, y: change.transform(x, y), interleaved=False)
    for field in fields_of(layer):
        if field.unit == "CRS unit" and field.name.endswith("_x"):
            stem = field.name[:-1]
            out[f"{stem}x"], out[f"{stem}y"] = change.transform(record[f"{stem}x"], record[f"{stem}y"])
    return out


def part_path(folder: Path, layer: str, part: str) -> Path:
    return folder / layer / f"part-{part}.parquet"


def record_path(folder: Path, part: str) -> Path:
    """Where a part keeps what is known of it, so that its files can be told from others."""
    return folder / RECORDS / f"part-{part}.json"


def write_part(folder: Path, part: str, record: bytes, files: Mapping[str, bytes]) -> None:
    """Put the record and then the files of one part in place, each whole or not at all. Raises OutputError."""
    write_record(folder, part, record)
    for layer, content in files.items():
        _put(part_path(folder, layer, part), content)


def write_record(folder: Path, part: str, record: bytes) -> None:
    """Put the record of a part in place. Raises OutputError."""
    _put(record_path(folder, part), record)


def _put(path: Path, content: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{path.parent} cannot be made ({error.strerror}): free some space, or name a folder that may be "
            "written to."
        ) from error
    with written(path, noted=False) as (temp,):
        temp.write_bytes(content)


def without(
    folder: Path, part: str, layers: Iterable[str], keep: Callable[[str], bool]
) -> dict[str, tuple[int, bytes]]:
    """Rows and file of each layer of a part, with the rows of the parcels to keep alone."""
    out = {}
    for layer in layers:
        table = pq.read_table(part_path(folder, layer, part))
        kept = table.filter(pa.array([keep(one) for one in table[PARCEL].to_pylist()]))
        if kept.num_rows:
            stream = io.BytesIO()
            pq.write_table(kept, stream)
            out[layer] = (kept.num_rows, stream.getvalue())
    return out


def read_parts(folder: Path, layer: str, parts: Iterable[str], conditions: Iterable[str]) -> Iterator[pa.Table]:
    """The rows of a layer part by part, with the columns of the registry and `parcel_id`, which stands first where the
    registry has none.

    parts: those that have rows of the layer. Raises InputError where a file of them is missing or damaged.
    """
    schema = parts_schema(layer, conditions)
    for part in parts:
        path = part_path(folder, layer, part)
        try:
            table = pq.read_table(path)
        except (OSError, pa.ArrowInvalid) as error:
            raise InputError(
                f"{path}: the file has gone or changed since it was written, so run again with --resume."
            ) from error
        yield table.select(schema.names).cast(schema)


def parts_schema(layer: str, conditions: Iterable[str]) -> pa.Schema:
    """The columns of a layer in the files of the parts."""
    schema = arrow_schema(layer, conditions)
    return schema if PARCEL in schema.names else schema.insert(0, pa.field(PARCEL, pa.string()))
