"""Read back what `screen` wrote."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from slopekit.errors import InputError
from slopekit.paths import refuse_special
from slopekit.schema.fields import SCHEMA_VERSION
from slopekit.sources.remote import check_local

_WITHOUT_GEOMETRY = ("run_notes", "profiles", "refusals", "stage_storage")


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
    there = () if path.suffix.lower() == ".parquet" else pyogrio.list_layers(path)[:, 0]
    wanted = (*layers, *(one for one in if_there if one in there))
    return tables | {layer: _layer(path, layer, parcels) for layer in wanted}


def is_result(name: str | os.PathLike[str]) -> bool:
    """Whether a file is a result of slopekit by what it holds; no elevation ends in .parquet."""
    path = os.fspath(name)
    if path.lower().endswith(".parquet"):
        return True
    if not path.lower().endswith(".gpkg") or not os.path.isfile(path):
        return False
    try:
        return "run_notes" in pyogrio.list_layers(path)[:, 0]
    except DataSourceError:
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
    try:
        return pyogrio.read_dataframe(path, layer=layer, where=_where(parcels))
    except DataLayerError:
        raise InputError(f"{path}: it has no layer '{layer}', so name a result of 'slopekit screen'.") from None
    except DataSourceError as error:
        raise InputError(f"{path}: this cannot be read as a GeoPackage, so check that it is whole.") from error


def _where(parcels: Sequence[str] | None) -> str | None:
    if parcels is None:
        return None
    quoted = ", ".join("'" + one.replace("'", "''") + "'" for one in parcels)
    return f"parcel_id IN ({quoted})"
