"""Workbooks for people: sheets with units in the header, the same bytes for the same tables."""

import io
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter
from openpyxl.writer.excel import ExcelWriter

from slopekit.fields import Field, fields_of

_MOMENT = datetime(2000, 1, 1)  # no clock in the file: the same result gives the same sheets
_DECIMALS = "#,##0.00"
_LOOKED_AT = 100
"""Rows whose texts tell how wide a column must be."""

Rows = Sequence[Sequence[Any]]


class Formula(str):
    """Text of a cell that the spreadsheet works out, from its '=' on. Any other text stays text."""


def save_workbook(temp: Path, sheets: Mapping[str, Rows]) -> None:
    """Write rows by sheet title; the first row of each is its header."""
    book = Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        _sheet(book, title, rows)
    book.properties.created = book.properties.modified = _MOMENT
    # `Workbook.save` without its clock: that in the properties and that of each part of the archive.
    raw = io.BytesIO()
    with ZipFile(raw, "w") as parts:
        ExcelWriter(book, parts).write_data()
    with ZipFile(raw) as parts, ZipFile(temp, "w") as out:
        for name in parts.namelist():
            out.writestr(ZipInfo(name), parts.read(name), ZIP_DEFLATED)


def rows_of(layer: str, table: Any) -> list[list[Any]]:
    """A table of the registry: the header in words with units, then the rows; what is missing is empty."""
    fields = fields_of(layer)
    columns = [table[f.name].astype(object).where(table[f.name].notna(), None).tolist() for f in fields]
    return [[head_of(f) for f in fields], *([plain(value) for value in row] for row in zip(*columns, strict=True))]


def note_rows(run_notes: Any) -> list[list[str]]:
    """The run notes as they are."""
    return [list(run_notes.columns), *run_notes.astype(str).values.tolist()]


def head_of(field: Field) -> str:
    """A field's name in words, with its unit."""
    if field.unit == "-":
        return field.name.replace("_", " ")
    stem, _, end = field.name.rpartition("_")
    words = stem if end in ("m", "m2", "m3", "deg") else field.name
    return f"{words.replace('_', ' ')} ({field.unit})"


def _sheet(book: Workbook, title: str, rows: Rows) -> None:
    sheet = book.create_sheet(title)
    for row, values in enumerate(rows, start=1):
        for column, value in enumerate(values, start=1):
            if isinstance(value, str) and not isinstance(value, Formula):
                # A name such as "=A1" is text and no formula.
                sheet.cell(row, column, ILLEGAL_CHARACTERS_RE.sub("", value)).data_type = "s"
            elif value is not None:
                cell = sheet.cell(row, column, value)
                if not isinstance(value, int):
                    cell.number_format = _DECIMALS
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    sheet.freeze_panes = "B2"
    for number in range(len(rows[0])):
        texts = [
            str(row[number]) for row in rows[:_LOOKED_AT] if number < len(row) and not isinstance(row[number], Formula)
        ]
        width = max(len(text) for text in texts) + 2.0
        sheet.column_dimensions[get_column_letter(number + 1)].width = min(60.0, max(10.0, width))


def plain(value: Any) -> Any:
    """A value of a cell, with four decimals at most."""
    return round(float(value), 4) if isinstance(value, float) else value
