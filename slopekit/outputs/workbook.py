"""Workbooks for people: sheets with units in the header, the same bytes for the same tables."""

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import chain, islice
from pathlib import Path
from typing import Any, Protocol

from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from slopekit.outputs.atomic import scratch, written
from slopekit.outputs.csv_files import write_csv
from slopekit.outputs.manifest import refuse_edited, refuse_foreign, take_away
from slopekit.schema.fields import Field, fields_of

_MOMENT = datetime(2000, 1, 1)  # no clock in the file: the same result gives the same sheets
_WIDEST, _LINE = 60.0, 15.0
"""Most characters across a column; longer texts are wrapped, in lines of 15 points."""
_LOOKED_AT = 100
"""Rows whose texts tell how wide a column must be."""
# What a sheet and a cell of the format hold.
MOST_ROWS, _MOST_TEXT = 1_048_576, 32_767
# XML 1.0, section 2.2, has no place for these.
_NO_CHARACTERS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")

Row = Sequence[Any]
Columns = Mapping[str, tuple[float, str]]
"""By the unit of a field the factor with which its column is shown, and the unit then."""
METRIC: Columns = {}


class Rows(Protocol):
    """Rows of a sheet, whose number is known before they are. They may be asked for more than once."""

    def __len__(self) -> int: ...
    def __iter__(self) -> Iterator[Row]: ...


class Streamed:
    """Rows that are made when they are asked for."""

    def __init__(self, count: int, rows: Callable[[], Iterable[Row]]) -> None:
        self._count, self._rows = count, rows

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[Row]:
        return iter(self._rows())


@dataclass(frozen=True)
class Formula:
    """A cell that the spreadsheet works out."""

    text: str
    """From its '=' on."""
    value: float
    """What comes out now, for readers that work nothing out."""


def write_workbook(path: Path, sheets: Mapping[str, Rows], overwrite: bool = False) -> tuple[Path, ...]:
    """Write rows by sheet title, the first row of each its header; return the files that were written, `path` last.

    Numbers are finite. A sheet with more rows than the format holds becomes a CSV file beside the workbook, and the
    sheet says so; those of an earlier workbook that this one has not are taken away. Rows are written as they come.
    Raises InputError for a CSV file there that slopekit did not write, or that was edited since, unless `overwrite`;
    OutputError when the place cannot take the files.
    """
    beside = {title: csv_beside(path, title) for title, rows in sheets.items() if too_many(rows)}
    older = [csv_beside(path, title) for title in sheets if title not in beside]
    refuse_foreign(beside.values(), overwrite)
    refuse_edited(older, overwrite)
    with scratch(path) as folder, written(*beside.values(), path) as temps:
        for temp, title in zip(temps, beside, strict=False):
            write_csv(temp, ([value_of(cell) for cell in row] for row in sheets[title]))
        # With this option a sheet keeps one row in memory, and its texts stand in its cells.
        with Workbook(str(temps[-1]), {"constant_memory": True, "tmpdir": str(folder)}) as book:
            book.set_properties({"created": _MOMENT})
            bold, text = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
            decimals = book.add_format({"num_format": "#,##0.00"})
            for title, rows in sheets.items():
                shown = _pointer(rows, beside[title]) if title in beside else rows
                _fill(book.add_worksheet(title), shown, bold, text, decimals)
    take_away(older, overwrite)
    return (*beside.values(), path)


def too_many(rows: Rows) -> bool:
    """Whether a sheet cannot hold them."""
    return len(rows) > MOST_ROWS


def csv_beside(path: Path, title: str) -> Path:
    """Where the rows of a sheet go that it cannot hold."""
    return path.with_name(f"{path.stem}_{title.lower().replace(' ', '_')}.csv")


def _pointer(rows: Rows, place: Path) -> list[Row]:
    told = f"A sheet holds {MOST_ROWS:,} rows and these are {len(rows):,}: see {place.name}, beside this file."
    return [next(iter(rows)), [told]]


def rows_of(layer: str, table: Any, columns: Columns = METRIC) -> list[list[Any]]:
    """A table of the registry: the header in words with units, then the rows; what is missing is empty."""
    fields = fields_of(layer)
    values = [_shown(table[f.name], columns.get(f.unit)) for f in fields]
    heads = [head_of(f, columns) for f in fields]
    return [heads, *([plain(value) for value in row] for row in zip(*values, strict=True))]


def _shown(column: Any, shown: tuple[float, str] | None) -> list[Any]:
    column = column if shown is None else column * shown[0]
    return list(column.astype(object).where(column.notna(), None))


def head_of(field: Field, columns: Columns = METRIC) -> str:
    """A field's name in words, with its unit."""
    if field.unit == "-":
        return field.name.replace("_", " ")
    stem, _, end = field.name.rpartition("_")
    words = stem if end in ("m", "m2", "m3", "deg") else field.name
    return f"{words.replace('_', ' ')} ({columns.get(field.unit, (1.0, field.unit))[1]})"


def _fill(sheet: Worksheet, rows: Rows, bold: Format, text: Format, decimals: Format) -> None:
    every = iter(rows)
    first = list(islice(every, _LOOKED_AT))
    for c in range(len(first[0])):
        shown = [row[c] for row in first if c < len(row)]
        width = max(len(str(value)) for value in shown if not isinstance(value, Formula)) + 2.0
        sheet.set_column(c, c, min(_WIDEST, max(10.0, width)))
    for r, values in enumerate(chain(first, every)):
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


def value_of(cell: Any) -> Any:
    """What a cell shows."""
    return cell.value if isinstance(cell, Formula) else cell


def plain(value: Any) -> Any:
    """A value of a cell, with four decimals at most."""
    return round(float(value), 4) if isinstance(value, float) else value
