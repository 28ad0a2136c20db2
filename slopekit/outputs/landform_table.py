"""Basins, bodies of water, berms and storage tables for people."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from slopekit.errors import OutputError
from slopekit.outputs.atomic import written
from slopekit.outputs.csv_files import write_csv
from slopekit.outputs.workbook import rows_of, write_workbook

SHEETS = {
    "basins": "Basins",
    "water_bodies": "Bodies of water",
    "berms": "Berms",
    "stage_storage": "Stage and storage",
}


def write_landform_table(path: str | Path, tables: Mapping[str, Any], overwrite: bool = False) -> tuple[Path, ...]:
    """Write a .csv with one row a basin and a body of water, or an .xlsx with a sheet for each of `SHEETS` and one for
    the notes.

    tables: as `inventory` returns them. overwrite: see `write_workbook`. Returns the files that were written, `path`
    last. Raises OutputError for another ending or a place that cannot take the file.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in (".csv", ".xlsx"):
        raise OutputError(f"{path}: tables are written as .csv or .xlsx, so give the name one of these endings.")
    if suffix == ".csv":
        with written(path) as (temp,):
            write_csv(temp, rows_of("basins", _in_one(tables)))
        return (Path(path),)
    sheets = {title: rows_of(layer, tables[layer]) for layer, title in SHEETS.items()}
    return write_workbook(Path(path), {**sheets, "Notes": rows_of("run_notes", tables["run_notes"])}, overwrite)


def _in_one(tables: Mapping[str, Any]) -> Any:
    """The basins, and below them the bodies of water in the same columns, each under its own name."""
    basins, water = (pd.DataFrame(tables[name]).drop(columns="geometry") for name in ("basins", "water_bodies"))
    water = water.rename(columns={"basin": "inside"}).rename(columns={"body": "basin"})
    water = water.assign(water_m2=water["area_m2"], wet=True).reindex(columns=basins.columns).astype(basins.dtypes)
    return pd.concat([basins, water], ignore_index=True) if len(water) else basins
