"""Workbooks for people: sheets with units in the header, the same bytes for the same tables."""

import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from slopekit.errors import OutputError
from slopekit.fields import Field, fields_of

_MOMENT = datetime(2000, 1, 1)  # no clock in the file: the same result gives the same sheets
_WIDEST, _LINE = 60.0, 15.0
"""Most characters across a column; longer texts are wrapped, in lines of 15 points."""
_LOOKED_AT = 100
"""Rows whose texts tell how wide a column must be."""
# What a sheet and a cell of the format hold.
_MOST_ROWS, _MOST_TEXT = 1_048_576, 32_767
# XML 1.0, section 2.2, has no place for these.
_NO_CHARACTERS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")

Rows = Sequence[Sequence[Any]]


@dataclass(frozen=True)
class Formula:
    """A cell that the spreadsheet works out."""

    text: str
    """From its '=' on."""
    value: float
    """What comes out now, for readers that work nothing out."""


def save_workbook(temp: Path, sheets: Mapping[str, Rows]) -> None:
    """Write rows by sheet title; the first row of each is its header.

    Numbers are finite. Raises OutputError for more rows than a sheet holds.
    """
    raw = io.BytesIO()
    with Workbook(raw, {"in_memory": True}) as book:
        book.set_properties({"created": _MOMENT})
        bold, text = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
        decimals = book.add_format({"num_format": "#,##0.00"})
        for title, rows in sheets.items():
            if len(rows) > _MOST_ROWS:
                raise OutputError(
                    f"The sheet '{title}' would have {len(rows):,} rows and a sheet holds {_MOST_ROWS:,}: choose fewer "
                    "parcels."
                )
            _fill(book.add_worksheet(title), rows, bold, text, decimals)
    temp.write_bytes(raw.getvalue())


def rows_of(layer: str, table: Any) -> list[list[Any]]:
    """A table of the registry: the header in words with units, then the rows; what is missing is empty."""
    fields = fields_of(layer)
    columns = [table[f.name].astype(object).where(table[f.name].notna(), None).tolist() for f in fields]
    return [[head_of(f) for f in fields], *([plain(value) for value in row] for row in zip(*columns, strict=True))]


def head_of(field: Field) -> str:
    """A field's name in words, with its unit."""
    if field.unit == "-":
        return field.name.replace("_", " ")
    stem, _, end = field.name.rpartition("_")
    words = stem if end in ("m", "m2", "m3", "deg") else field.name
    return f"{words.replace('_', ' ')} ({field.unit})"


def _fill(sheet: Worksheet, rows: Rows, bold: Format, text: Format, decimals: Format) -> None:
    for r, values in enumerate(rows):
        longest = max((len(value) for value in values if isinstance(value, str)), default=0)
        if longest > _WIDEST:
            sheet.set_row(r, _LINE * math.ceil(longest / _WIDEST))
        for c, value in enumerate(values):
            if isinstance(value, str):
                # Never as a formula or a link: a name such as "=A1" is text.
                style = bold if r == 0 else text
                sheet.write_string(r, c, _NO_CHARACTERS.sub("", value)[:_MOST_TEXT], style)
            elif isinstance(value, bool):
                sheet.write_boolean(r, c, value)
            elif isinstance(value, int):
                sheet.write_number(r, c, value)
            elif isinstance(value, Formula):
                sheet.write_formula(r, c, value.text, decimals, value.value)
            elif value is not None:
                sheet.write_number(r, c, value, decimals)
    sheet.freeze_panes(1, 1)
    # On paper: as wide as a page, the header on each.
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    for c in range(len(rows[0])):
        shown = [row[c] for row in rows[:_LOOKED_AT] if c < len(row)]
        width = max(len(str(value)) for value in shown if not isinstance(value, Formula)) + 2.0
        sheet.set_column(c, c, min(_WIDEST, max(10.0, width)))


def plain(value: Any) -> Any:
    """A value of a cell, with four decimals at most."""
    return round(float(value), 4) if isinstance(value, float) else value
