"""Crew sheets as PDF: text is text, fonts are embedded, and the maps know where on the Earth they lie."""

from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from pathlib import Path

from pypdf import PageObject, PdfReader, PdfWriter
from pypdf.generic import ArrayObject, NameObject
from reportlab.pdfgen.canvas import Canvas

from slopekit.outputs.atomic import scratch, written
from slopekit.outputs.crew_content import Sheet
from slopekit.outputs.crew_page import draw_sheet
from slopekit.outputs.pdf_place import mark
from slopekit.outputs.pdf_text import REGULAR, load_fonts
from slopekit.wording import Units

_TITLE = "Crew sheets: zones by machine"
# Drawn pages wait uncompressed until their file is closed, and each file has fonts of its own.
_AT_ONCE = 25


def write_crew_sheets(
    path: Path, sheets: Iterable[Sheet], units: Units, paper: str = "a4", each: Mapping[str, Path] | None = None
) -> None:
    """Write one PDF with the sheets in their order, each made when it is asked for.

    paper: one of `PAPERS`. each: by parcel a file for its sheet alone. All of them appear, or none. Raises OutputError
    when a place cannot take a file.
    """
    load_fonts()
    each = each or {}
    with scratch(path) as folder, written(*each.values(), path) as temps:
        own = dict(zip(each, temps, strict=False))
        whole, coming = _writer(), iter(sheets)
        while some := list(islice(coming, _AT_ONCE)):
            for parcel, pages in _drawn(folder / "drawn.pdf", some, units, paper):
                for page in pages:
                    whole.add_page(page)
                if parcel in own:
                    alone = _writer()
                    for page in pages:
                        alone.add_page(page)
                    alone.write(own[parcel])
        whole.write(temps[-1])


def _writer() -> PdfWriter:
    out = PdfWriter()
    # No clock in the file: the same result gives the same bytes.
    out.metadata = {"/Title": _TITLE}
    return out


def _drawn(place: Path, sheets: list[Sheet], units: Units, paper: str) -> Iterator[tuple[str, list[PageObject]]]:
    """The pages of each parcel, with the marks of their maps."""
    pdf = Canvas(str(place), pageCompression=1, invariant=1, initialFontName=REGULAR)
    views = [draw_sheet(pdf, sheet, paper, units) for sheet in sheets]
    pdf.save()
    with PdfReader(place) as file:
        pages = iter(file.pages)
        for sheet, own in zip(sheets, views, strict=True):
            drawn = []
            for view, page in zip(own, pages, strict=False):
                if view is not None:
                    page[NameObject("/VP")] = ArrayObject([mark(view)])
                drawn.append(page)
            yield sheet.parcel_id, drawn
