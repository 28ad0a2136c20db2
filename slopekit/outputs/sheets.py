"""Basins, berms and storage tables as sheets for people."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from slopekit.errors import OutputError
from slopekit.outputs.atomic import written
from slopekit.outputs.csv_files import write_csv
from slopekit.outputs.workbook import rows_of, save_workbook

SHEETS = {"basins": "Basins", "berms": "Berms", "stage_storage": "Stage and storage"}


def write_landform_table(path: str | Path, tables: Mapping[str, Any]) -> None:
    """Write a .csv with one row a basin, or an .xlsx with a sheet for each of `SHEETS` and one for the notes.

    tables: as `inventory` returns them. Raises OutputError for another ending or a place that cannot take the file.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in (".csv", ".xlsx"):
        raise OutputError(f"{path}: tables are written as .csv or .xlsx, so give the name one of these endings.")
    with written(path) as (temp,):
        if suffix == ".csv":
            write_csv(temp, rows_of("basins", tables["basins"]))
        else:
            sheets = {title: rows_of(layer, tables[layer]) for layer, title in SHEETS.items()}
            save_workbook(temp, {**sheets, "Notes": rows_of("run_notes", tables["run_notes"])})
