"""The table of zones on a crew sheet, as pieces that flow from page to page."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import shapely
from reportlab.pdfgen.canvas import Canvas

from slopekit.outputs import crew_marks as marks
from slopekit.outputs.crew_content import Line
from slopekit.outputs.pdf_text import BOLD, LEADING, REGULAR, fold, write

Text = tuple[str, str]
"""A line and its font."""
_PAD, _SWATCH = 3.0, (24.0, 12.0)
_HEADS = ("Zone", "Not refused", "Refused, and why", "Area", "How to work it")
_SHARES = (0.07, 0.18, 0.31, 0.12, 0.32)


@dataclass(frozen=True)
class Block:
    """A piece of a page that is not cut."""

    height: float
    draw: Callable[[Canvas, float, float], None]
    """Given the page, and the left and upper end of its place, points."""


def table_head(wide: float, size: float) -> Block:
    """The heads of the columns, over a line. size: of the letters, points."""
    height = size * LEADING + 2.0 * _PAD

    def draw(pdf: Canvas, x: float, top: float) -> None:
        for (left, _), words in zip(_columns(wide), _HEADS, strict=True):
            write(pdf, x + left + _PAD, top - _PAD - size, words, size, BOLD)
        _rule(pdf, x, top - height, wide, 1.2)

    return Block(height, draw)


def table_rows(table: Sequence[Line], wide: float, most: float, size: float) -> Iterator[Block]:
    """Each zone as a block; one that is taller than `most` points goes on in the next."""
    columns = _columns(wide)
    held = max(3, int((most - 2.0 * _PAD) / (size * LEADING)))
    for line in table:
        rooms = [room - 2.0 * _PAD for _, room in columns[1:]]
        cells = _cells(line, rooms, size)
        tallest = max(len(cell) for cell in cells)
        for first in range(0, max(tallest, 1), held):
            yield _row(line, [cell[first : first + held] for cell in cells], wide, first == 0, size)


def _columns(wide: float) -> list[tuple[float, float]]:
    """Left end and width of each column."""
    lefts = [wide * sum(_SHARES[:n]) for n in range(len(_SHARES))]
    return [(left, wide * share) for left, share in zip(lefts, _SHARES, strict=True)]


def _cells(line: Line, rooms: Sequence[float], size: float) -> list[list[Text]]:
    def lines(text: str, room: float, font: str = REGULAR) -> list[Text]:
        return [(one, font) for one in fold(text, room, size, font)]

    may, refused, area, how = rooms
    return [
        [one for n, text in enumerate(line.may) for one in lines(text, may, REGULAR if n else BOLD)],
        [one for who, why in line.refused for one in (*lines(who, refused, BOLD), *lines(why, refused))],
        [one for n, text in enumerate(line.size) for one in lines(text, area, REGULAR if n else BOLD)],
        lines(" ".join(line.how), how) if line.how else [],
    ]


def _row(line: Line, cells: Sequence[Sequence[Text]], wide: float, first: bool, size: float) -> Block:
    step = size * LEADING
    height = max(max(map(len, cells)) * step, size * LEADING + _SWATCH[1] + 3.0) + 2.0 * _PAD

    def draw(pdf: Canvas, x: float, top: float) -> None:
        write(pdf, x + _PAD, top - _PAD - 9.0, line.name, 10.0, BOLD)
        if first:
            y = top - _PAD - 13.0 - _SWATCH[1]
            box = (x + _PAD, y, x + _PAD + _SWATCH[0], y + _SWATCH[1])
            marks.pattern(pdf, marks.path_of(pdf, [shapely.box(*box)]), box, line.machine_class)
            marks.outline(pdf, marks.path_of(pdf, [shapely.box(*box)]), 0.6)
        for (left, _), cell in zip(_columns(wide)[1:], cells, strict=True):
            for number, (text, font) in enumerate(cell):
                write(pdf, x + left + _PAD, top - _PAD - size - number * step, text, size, font)
        _rule(pdf, x, top - height, wide, 0.4)

    return Block(height, draw)


def _rule(pdf: Canvas, x: float, y: float, wide: float, thick: float) -> None:
    pdf.setStrokeGray(0.0)
    pdf.setLineWidth(thick)
    pdf.line(x, y, x + wide, y)
