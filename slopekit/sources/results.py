"""Read back what `screen` wrote."""

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
from pyogrio.errors import DataSourceError

from slopekit.errors import InputError
from slopekit.paths import refuse_special
from slopekit.schema.fields import SCHEMA_VERSION
from slopekit.schema.layers import OUTPUT_LAYERS
from slopekit.sources.remote import check_local

_WITHOUT_GEOMETRY = ("run_notes", "profiles", "refusals", "stage_storage")
_SHOWN = 5


def read_result(
    path: str | Path, layers: Sequence[str], if_there: Sequence[str] = (), parcels: Sequence[str] | None = None
) -> dict[str, Any]:
    """Layers of a result as tables, with `run_notes`; without geometry where the layer has none.

    path: the .gpkg or .parquet that `screen` was told to write, or the .gpkg of a portfolio. if_there: layers that are
    left out where the file has none of that name. parcels: ids of those whose rows are read; all without it. Raises
    InputError for a file that cannot be read, that lacks a layer, or that another version of the schema wrote.
    """
    name, path = str(path), Path(path)
    refuse_special(path)
    if not os.path.exists(path):
        raise InputError(f"{name}: there is no such file, so check the path, or make it with 'slopekit screen'.")
    check_local([path])
    tables = {"run_notes": _layer(path, "run_notes")}
    version = schema_version(tables["run_notes"])
    if version != SCHEMA_VERSION:
        told = "no version" if version is None else f"version {version}"
        raise InputError(
            f"{name}: its tables are of {told} of the output schema and this slopekit reads version {SCHEMA_VERSION}, "
            "so screen the parcels again with this slopekit."
        )
    there = () if path.suffix.lower() == ".parquet" else layers_there(path)
    wanted = (*layers, *(one for one in if_there if one in there))
    return tables | {layer: _layer(path, layer, parcels) for layer in wanted}


def layers_there(path: str | Path) -> dict[str, str]:
    """The names that layers of ours have in a GeoPackage. Where QGIS packaged them, these are their titles.

    Raises InputError for a file that is no GeoPackage.
    """
    try:
        held = {str(name) for name in pyogrio.list_layers(path)[:, 0]}
    except DataSourceError as error:
        raise InputError(f"{path}: this cannot be read as a GeoPackage, so check that it is whole.") from error
    called = {name: name if name in held else row.title for name, row in OUTPUT_LAYERS.items()}
    return {name: table for name, table in called.items() if table in held}


def of_parcels(path: str, tables: Mapping[str, Any], parcels: Sequence[str]) -> Mapping[str, Any]:
    """The rows of some parcels, with a note that says so; all rows where no parcel is named.

    Raises InputError for a parcel that is not there.
    """
    if not parcels:
        return tables
    there = list(dict.fromkeys(tables["parcels" if "parcels" in tables else "zones"]["parcel_id"]))
    for one in parcels:
        if one not in there:
            some = ", ".join(there[:_SHOWN]) + (f" and {len(there) - _SHOWN} more" if len(there) > _SHOWN else "")
            raise InputError(f"{path}: it has no parcel '{one}', so name one of its own with --parcel: {some}.")
    note = {"topic": "ground", "name": "parcels", "value": f"only {', '.join(dict.fromkeys(parcels))}"}
    kept = {
        layer: table[table["parcel_id"].isin(parcels)].reset_index(drop=True) if "parcel_id" in table else table
        for layer, table in tables.items()
    }
    return kept | {"run_notes": pd.concat([kept["run_notes"], pd.DataFrame([note])], ignore_index=True)}


def is_result(name: str | os.PathLike[str]) -> bool:
    """Whether a file is a result of slopekit by what it holds; no elevation ends in .parquet."""
    path = os.fspath(name)
    if path.lower().endswith(".parquet"):
        return True
    if not path.lower().endswith(".gpkg") or not os.path.isfile(path):
        return False
    try:
        return "run_notes" in layers_there(path)
    except InputError:
        return False


def schema_version(run_notes: pd.DataFrame) -> int | None:
    """The output schema that a result says it was written with, or None where it does not say."""
    if not {"topic", "name", "value"} <= set(run_notes.columns):
        return None
    said = run_notes.loc[(run_notes["topic"] == "inputs") & (run_notes["name"] == "slopekit"), "value"]
    number = "" if said.empty else str(said.iloc[0]).rpartition("output schema ")[2]
    return int(number) if number.isdigit() else None


def _layer(path: Path, layer: str, parcels: Sequence[str] | None = None) -> Any:
    if path.suffix.lower() == ".parquet":
        file = path if layer == "zones" else path.with_name(f"{path.stem}.{layer}.parquet")
        try:
            rows = None if parcels is None else [("parcel_id", "in", list(parcels))]
            read = pd.read_parquet if layer in _WITHOUT_GEOMETRY else gpd.read_parquet
            return read(file, filters=rows)
        except (OSError, ValueError) as error:
            raise InputError(
                f"{file}: this cannot be read as a result of slopekit, so check that it is whole."
            ) from error
    called = layers_there(path).get(layer)
    if called is None:
        raise InputError(
            f"{path}: it has no layer '{layer}' ({OUTPUT_LAYERS[layer].title}), so name a whole result of 'slopekit "
            "screen'."
        )
    return pyogrio.read_dataframe(path, layer=called, where=_where(parcels))


def _where(parcels: Sequence[str] | None) -> str | None:
    if parcels is None:
        return None
    quoted = ", ".join("'" + one.replace("'", "''") + "'" for one in parcels)
    return f"parcel_id IN ({quoted})"
