"""Text on a page of a PDF: fonts that are embedded, and lines that fit."""

import importlib.util
import re
from collections.abc import Iterator
from functools import cache, lru_cache
from pathlib import Path

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

REGULAR, BOLD = "DejaVuSans", "DejaVuSans-Bold"
"""DejaVu Sans has Latin, Greek and Cyrillic letters. Its files, free to embed, ship inside matplotlib."""
# A figure keeps its sign beside it.
_BETWEEN_WORDS = re.compile(r"\s+(?!%)")
LEADING = 1.22
"""Height of a line over the size of its letters."""


@cache
def load_fonts() -> None:
    """Make the fonts known. Needed once, before any text is measured."""
    # Looked for without loading matplotlib, which takes longer than a sheet.
    spec = importlib.util.find_spec("matplotlib")
    assert spec is not None and spec.origin is not None
    for name in (REGULAR, BOLD):
        pdfmetrics.registerFont(TTFont(name, str(Path(spec.origin).parent / "mpl-data/fonts/ttf" / f"{name}.ttf")))


@lru_cache(maxsize=50_000)
def width(text: str, size: float, font: str = REGULAR) -> float:
    """Width of a text in points."""
    return float(pdfmetrics.stringWidth(text, font, size))


def fold(text: str, room: float, size: float, font: str = REGULAR, first: float = 0.0) -> list[str]:
    """The lines of a text, none wider than `room` points; the first one leaves out `first` points at its start.

    A word that is wider than a line is broken.
    """
    lines, line, used = list[str](), "", first
    for word in _pieces(text, room, size, font):
        wide = width(f" {word}" if line else word, size, font)
        if used + wide > room and (line or used):
            lines.append(line)
            line, used, wide = "", 0.0, width(word, size, font)
        line, used = f"{line} {word}" if line else word, used + wide
    return [*lines, line]


def _pieces(text: str, room: float, size: float, font: str) -> Iterator[str]:
    for word in _BETWEEN_WORDS.split(text.strip()):
        while len(word) > 1 and width(word, size, font) > room:
            fits = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or width(word[:n], size, font) <= room)
            yield word[:fits]
            word = word[fits:]
        if word:
            yield word


def shrunk(text: str, room: float, size: float, least: float, font: str = REGULAR) -> tuple[str, float]:
    """A text for one line and the size of its letters, from `size` down to `least`; what is then too long is cut."""
    fit = min(size, size * room / max(width(text, size, font), 1e-9))
    if fit >= least:
        return text, fit
    kept = text
    while kept and width(f"{kept}…", least, font) > room:
        kept = kept[:-1]
    return f"{kept}…", least


def write(pdf: Canvas, x: float, y: float, text: str, size: float, font: str = REGULAR, grey: float = 0.0) -> None:
    """Write one line whose baseline starts at a place."""
    pdf.setFillGray(grey)
    pdf.setFont(font, size)
    pdf.drawString(x, y, text)


def paragraph(pdf: Canvas, x: float, top: float, room: float, lead: str, text: str, size: float) -> float:
    """Write a paragraph that begins with bold words, from its top down; gives its height in points."""
    first = width(f"{lead} ", size, BOLD) if lead else 0.0
    y = top - size
    if lead:
        write(pdf, x, y, lead, size, BOLD)
    for number, line in enumerate(fold(text, room, size, first=first)):
        write(pdf, x if number else x + first, y - number * size * LEADING, line, size)
    return tall(room, lead, text, size)


def tall(room: float, lead: str, text: str, size: float) -> float:
    """Height in points of a paragraph as `paragraph` writes it."""
    first = width(f"{lead} ", size, BOLD) if lead else 0.0
    return len(fold(text, room, size, first=first)) * size * LEADING
