"""One parcel's sheet laid out: the map as large as the rest allows, then the table, sentences, boxes to fill in."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import shapely
from reportlab.pdfgen.canvas import Canvas

from slopekit.outputs.crew_content import Sheet
from slopekit.outputs.crew_legend import Draw, legend_of
from slopekit.outputs.crew_map import ABOVE, BELOW, draw_map
from slopekit.outputs.crew_table import Block, table_head, table_rows
from slopekit.outputs.pdf_place import Viewport
from slopekit.outputs.pdf_text import BOLD, LEADING, fold, shrunk, width, write
from slopekit.texts import line_of
from slopekit.wording import CAUTION, Units

PAPERS: dict[str, tuple[float, float]] = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}
"""Width and height in points, upright: ISO 216, ANSI/ASME Y14.1."""
EDGE = 30.0
_TITLE, _GAP, _FOOT = 34.0, 8.0, 22.0
_FOOT_SIZE = 7.0
# Letters of the table and of the sentences: first the least, then from the largest down.
_LETTERS = ((8.0, 7.2), (9.5, 8.2), (9.0, 8.2), (9.0, 7.7), (8.5, 7.7), (8.0, 7.7))
_LETTERS_COST = 0.9
_BOXES = (
    ("Walked by", "Date", "Conditions today"),
    ("Emergency meeting point", "Telephone", "Signature"),
)
_BOX_H = 25.0
_BOXES_H = _BOX_H * len(_BOXES)
_MAP_LEAST = 250.0
# A page is turned on its side where that makes the map larger by this much.
_WORTH_TURNING = 1.15
_LEGEND_W, _LEGEND_STEP, _LEGEND_SIZE, _SAMPLE_W = 172.0, 15.0, 7.5, 26.0
_FREE_LEAST = 40.0


@dataclass(frozen=True)
class _Plan:
    """How a sheet goes on paper of one size."""

    paper: tuple[float, float]
    pages: list[list[Block]]
    """What stands under the map, and on each page after it."""
    map_wide: float
    map_high: float
    beside: bool
    """The legend stands beside the map, else under it."""
    scale: float
    """Points of the page for one unit of the ground."""
    told_first: bool
    """Whether the sentences stand on the first page."""


def draw_sheet(pdf: Canvas, sheet: Sheet, paper: str, units: Units) -> list[Viewport | None]:
    """Draw the pages of one parcel. Gives for each page what its map shows; None where it has no map."""
    wide, high = PAPERS[paper]
    legend = legend_of(sheet.rows, units)
    upright, turned = (_planned(sheet, size, legend) for size in ((wide, high), (high, wide)))
    plan = max((upright, turned), key=lambda one: (one.told_first, -len(one.pages), one.scale * _favour(one.paper)))
    views: list[Viewport | None] = []
    for number, blocks in enumerate(plan.pages):
        pdf.setPageSize(plan.paper)
        top = _title(pdf, plan, sheet, number)
        views.append(None if number else _map(pdf, plan, sheet, legend, top, units))
        if not number:
            top -= plan.map_high + (0.0 if plan.beside else _legend_height(plan, legend)) + _GAP
        for block in blocks:
            block.draw(pdf, EDGE, top)
            top -= block.height
        if not number:
            _free(pdf, plan, top, EDGE + _FOOT + _BOXES_H)
            _boxes(pdf, plan)
        _foot(pdf, plan)
        pdf.showPage()
    return views


def _favour(paper: tuple[float, float]) -> float:
    return _WORTH_TURNING if paper[0] < paper[1] else 1.0


def _planned(sheet: Sheet, paper: tuple[float, float], legend: Sequence[tuple[Draw, str]]) -> _Plan:
    """In the largest letters that take no page more and leave the map nearly as large as the smallest do."""
    plans = (_in_letters(sheet, paper, legend, *sizes) for sizes in _LETTERS)
    least = next(plans)
    return next(
        (p for p in plans if len(p.pages) == len(least.pages) and p.scale >= _LETTERS_COST * least.scale), least
    )


def _in_letters(
    sheet: Sheet, paper: tuple[float, float], legend: Sequence[tuple[Draw, str]], size: float, note_size: float
) -> _Plan:
    wide = paper[0] - 2.0 * EDGE
    whole = paper[1] - 2.0 * EDGE - _TITLE - _FOOT
    first = whole - _BOXES_H - _GAP
    notes = [block for lead, text in sheet.told for block in _paragraph(lead, text, wide, note_size)]
    table = [table_head(wide, size), *table_rows(sheet.table, wide, whole - 40.0, size)]
    apart = Block(_GAP, lambda pdf, x, top: None)
    blocks = [*table, apart, *notes]
    # One page for all, else the sentences with the map and the table behind them, else the sentences last.
    choices: tuple[tuple[list[Block], list[Block]], ...] = ((blocks, []), (notes, table), ([], blocks))
    plans = (
        (_mapped(sheet, paper, legend, first - _height(under) - _GAP, under != []), under, behind)
        for under, behind in choices
    )
    plan, under, behind = next(found for found in plans if found[0] is not None)
    assert plan is not None
    plan.pages.append(list(under))
    _flow(plan.pages, behind, whole, table[0], len(table))
    return plan


def _height(blocks: Sequence[Block]) -> float:
    return sum(block.height for block in blocks)


def _flow(pages: list[list[Block]], blocks: Sequence[Block], whole: float, head: Block, rows: int) -> None:
    """Add pages for blocks, `rows` of which, from the first on, are of the table, whose head each of its pages has."""
    used = whole + 1.0
    for number, block in enumerate(blocks):
        if used + block.height > whole:
            pages.append([head] if 0 < number < rows else [])
            used = head.height if 0 < number < rows else 0.0
        pages[-1].append(block)
        used += block.height


def _mapped(
    sheet: Sheet, paper: tuple[float, float], legend: Sequence[tuple[Draw, str]], room: float, told: bool
) -> _Plan | None:
    """The larger of two maps in a room of some height: with the legend beside it or under it; None for too small a
    room."""
    west, south, east, north = shapely.total_bounds([row["geometry"] for row in sheet.rows["parcels"]])
    across, up = float(east - west), float(north - south)
    inner = paper[0] - 2.0 * EDGE
    plans = []
    for beside in (True, False):
        wide = inner - _LEGEND_W - _GAP if beside else inner
        under = 0.0 if beside else _legend_rows(inner, len(legend)) * _LEGEND_STEP
        # No taller than the parcel needs, so that the table gets what is left.
        least = max(len(legend) * _LEGEND_STEP if beside else 0.0, 0.35 * wide)
        high = min(room - under - _GAP, max(least, wide * up / across) + ABOVE + BELOW)
        if high >= min(_MAP_LEAST, least + ABOVE + BELOW):
            scale = min(wide / across, (high - ABOVE - BELOW) / up)
            plans.append(_Plan(paper, [], wide, high, beside, scale, told))
    return max(plans, key=lambda plan: plan.scale, default=None)


def _paragraph(lead: str, text: str, wide: float, size: float) -> list[Block]:
    """Sentences line by line, so that they flow."""
    indent = width(f"{lead} ", size, BOLD)

    def line(number: int, words: str) -> Block:
        def draw(pdf: Canvas, x: float, top: float) -> None:
            if number == 0:
                write(pdf, x, top - size, lead, size, BOLD)
            write(pdf, x + (0.0 if number else indent), top - size, words, size)

        return Block(size * LEADING, draw)

    return [line(number, words) for number, words in enumerate(fold(text, wide, size, first=indent))]


def _title(pdf: Canvas, plan: _Plan, sheet: Sheet, number: int) -> float:
    """Write the parcel's name and facts; gives the height at which the page goes on."""
    right, top = plan.paper[0] - EDGE, plan.paper[1] - EDGE
    count = f"Crew sheet {number + 1} of {len(plan.pages)}"
    told = width(count, 9.0, BOLD)
    name, size = shrunk(line_of(sheet.parcel_id), right - EDGE - told - 20.0, 17.0, 9.0, BOLD)
    write(pdf, EDGE, top - 15.0, name, size, BOLD)
    write(pdf, right - told, top - 15.0, count, 9.0, BOLD)
    write(pdf, EDGE, top - 27.0, sheet.facts, 8.5)
    return top - _TITLE


def _map(
    pdf: Canvas, plan: _Plan, sheet: Sheet, legend: Sequence[tuple[Draw, str]], top: float, units: Units
) -> Viewport:
    box = (EDGE, top - plan.map_high, EDGE + plan.map_wide, top)
    view = draw_map(pdf, box, sheet.rows, sheet.crs, sheet.metres_per_unit, units)
    inner = plan.paper[0] - 2.0 * EDGE
    columns = 1 if plan.beside else _legend_columns(inner)
    rows = _legend_rows(inner, len(legend)) if not plan.beside else len(legend)
    left = box[2] + _GAP if plan.beside else EDGE
    upper = top - ABOVE if plan.beside else box[1] - 2.0
    for number, (sample, words) in enumerate(legend):
        column, row = divmod(number, rows)
        x, y = left + column * (inner / columns), upper - row * _LEGEND_STEP - 11.0
        sample(pdf, (x, y, x + _SAMPLE_W, y + 10.0))
        room = (_LEGEND_W if plan.beside else inner / columns) - _SAMPLE_W - 8.0
        fitted, size = shrunk(words, room, _LEGEND_SIZE, 5.0)
        write(pdf, x + _SAMPLE_W + 5.0, y + 2.0, fitted, size)
    return view


def _legend_columns(inner: float) -> int:
    return max(1, int(inner / _LEGEND_W))


def _legend_rows(inner: float, count: int) -> int:
    return ceil(count / _legend_columns(inner))


def _legend_height(plan: _Plan, legend: Sequence[tuple[Draw, str]]) -> float:
    return _legend_rows(plan.paper[0] - 2.0 * EDGE, len(legend)) * _LEGEND_STEP


def _free(pdf: Canvas, plan: _Plan, top: float, bottom: float) -> None:
    """What is left of the first page is for notes by hand."""
    if top - bottom >= _FREE_LEAST + _GAP:
        _box(pdf, EDGE, bottom + _GAP, plan.paper[0] - 2.0 * EDGE, top - bottom - 1.5 * _GAP, "Seen on the walk")


def _boxes(pdf: Canvas, plan: _Plan) -> None:
    for row, names in enumerate(reversed(_BOXES)):
        wide = (plan.paper[0] - 2.0 * EDGE) / len(names)
        for column, name in enumerate(names):
            _box(pdf, EDGE + column * wide, EDGE + _FOOT + row * _BOX_H, wide, _BOX_H, name)


def _box(pdf: Canvas, x: float, y: float, wide: float, high: float, name: str) -> None:
    pdf.setStrokeGray(0.0)
    pdf.setLineWidth(0.7)
    pdf.rect(x, y, wide, high)
    write(pdf, x + 3.0, y + high - 8.5, name, 7.2)


def _foot(pdf: Canvas, plan: _Plan) -> None:
    lines = fold(CAUTION, plan.paper[0] - 2.0 * EDGE, _FOOT_SIZE, BOLD)
    for number, line in enumerate(reversed(lines)):
        write(pdf, EDGE, EDGE + number * _FOOT_SIZE * LEADING, line, _FOOT_SIZE, BOLD)
