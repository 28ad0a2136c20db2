"""Basins, berms and storage tables as sheets for people, with units in the header."""

import csv
import io
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter
from openpyxl.writer.excel import ExcelWriter

from slopekit.errors import OutputError
from slopekit.fields import fields_of
from slopekit.outputs.atomic import written

SHEETS = {"basins": "Basins", "berms": "Berms", "stage_storage": "Stage and storage"}
MOMENT = datetime(2000, 1, 1)  # no clock in the file: the same result gives the same sheets


def write_landform_table(path: str | Path, tables: Mapping[str, Any]) -> None:
    """Write a .csv with one row a basin, or an .xlsx with a sheet for each of `SHEETS` and one for the notes.

    tables: as `inventory` returns them. Raises OutputError for another ending or a place that cannot take the file.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in (".csv", ".xlsx"):
        raise OutputError(f"{path}: tables are written as .csv or .xlsx, so give the name one of these endings.")
    with written(path) as (temp,):
        if suffix == ".csv":
            with temp.open("w", newline="", encoding="utf-8-sig") as file:
                csv.writer(file).writerows(_rows("basins", tables["basins"]))
        else:
            save_book(_book(tables), temp)


def _book(tables: Mapping[str, Any]) -> Workbook:
    book = Workbook()
    book.remove(book.active)
    for layer, title in SHEETS.items():
        add_sheet(book, title, _rows(layer, tables[layer]))
    notes = tables["run_notes"]
    add_sheet(book, "Notes", [list(notes.columns), *notes.astype(str).values.tolist()])
    book.properties.created = book.properties.modified = MOMENT
    return book


def save_book(book: Workbook, temp: Path) -> None:
    """`Workbook.save` without its clock: that in the properties and that of each part of the archive."""
    raw = io.BytesIO()
    with ZipFile(raw, "w") as parts:
        ExcelWriter(book, parts).write_data()
    with ZipFile(raw) as parts, ZipFile(temp, "w") as out:
        for name in parts.namelist():
            out.writestr(ZipInfo(name), parts.read(name), ZIP_DEFLATED)


def add_sheet(book: Workbook, title: str, rows: list[list[Any]]) -> None:
    sheet = book.create_sheet(title)
    for row, values in enumerate(rows, start=1):
        for column, value in enumerate(values, start=1):
            if isinstance(value, str):
                # A name such as "=A1" is text and no formula.
                sheet.cell(row, column, ILLEGAL_CHARACTERS_RE.sub("", value)).data_type = "s"
            else:
                sheet.cell(row, column, value)
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    sheet.freeze_panes = "B2"
    for number, head in enumerate(rows[0], start=1):
        sheet.column_dimensions[get_column_letter(number)].width = min(60.0, max(10.0, len(str(head)) + 2.0))


def _rows(layer: str, table: Any) -> list[list[Any]]:
    """The header in words with units, then the rows; what is missing is empty."""
    fields = fields_of(layer)
    heads = [f.name.replace("_", " ") if f.unit == "-" else f"{_word(f.name)} ({f.unit})" for f in fields]
    columns = [table[f.name].astype(object).where(table[f.name].notna(), None).tolist() for f in fields]
    return [heads, *([plain(value) for value in row] for row in zip(*columns, strict=True))]


def _word(name: str) -> str:
    """A field's name without the unit at its end."""
    stem, _, end = name.rpartition("_")
    return (stem if end in ("m", "m2", "m3", "deg") else name).replace("_", " ")


def plain(value: Any) -> Any:
    return round(float(value), 4) if isinstance(value, float) else value
