"""The printed page that pictures share: A4 on its side, a title at the top, sentences at the foot."""

import functools
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties

from slopekit.outputs.atomic import written
from slopekit.outputs.mapaids import wrapped

# A4 on its side, in inches.
WIDTH, HEIGHT, DPI = 11.69, 8.27, 150
EDGE, TITLE_H, GAP = 0.35, 0.42, 0.2


@contextmanager
def page(path: str | Path) -> Iterator[tuple[Figure, FigureCanvasAgg]]:
    """An empty page to draw on; on leaving without an error it becomes the PNG at `path`.

    Raises OutputError when the place cannot take the file.
    """
    with rc_context({"hatch.linewidth": 0.55, "font.family": "sans-serif", "font.sans-serif": ["DejaVu Sans"]}):
        figure = Figure((WIDTH, HEIGHT), dpi=DPI, facecolor="white")
        yield figure, FigureCanvasAgg(figure)
        with written(path) as (temp,):
            # No version and no date in the file: the same picture gives the same bytes.
            figure.savefig(temp, format="png", metadata={"Software": None})


def axes(figure: Figure, x: float, y: float, width: float, height: float) -> Axes:
    """Axes at a place of the page, in inches from its lower left corner."""
    return figure.add_axes((x / WIDTH, y / HEIGHT, width / WIDTH, height / HEIGHT))


def text_width(canvas: FigureCanvasAgg, text: str, size: float, weight: str = "normal") -> float:
    """Width of a line of text in inches."""
    font = FontProperties(size=size, weight=weight, family="DejaVu Sans")
    return canvas.get_renderer().get_text_width_height_descent(text, font, False)[0] / DPI


def write_title(figure: Figure, canvas: FigureCanvasAgg, title: str) -> float:
    """Write the title; gives the height at which the page goes on below it."""
    room = WIDTH - 2 * EDGE
    size = min(15.0, 15.0 * room / max(text_width(canvas, title, 15.0, "bold"), 1e-9))
    y = HEIGHT - EDGE
    figure.text(EDGE / WIDTH, y / HEIGHT, title, size=size, weight="bold", va="top", parse_math=False)
    return y - TITLE_H


def write_foot(
    figure: Figure, canvas: FigureCanvasAgg, sentences: Sequence[str], layouts: Iterable[tuple[float, float, float]]
) -> float:
    """Write the sentences at the foot in the first layout that leaves room, else in the last one.

    layouts: size of the letters, width of the lines (inches), height to be left between title and foot (inches). Gives
    the height at which the page goes on above the foot.
    """
    for size, room, least in layouts:
        measure = functools.cache(functools.partial(text_width, canvas, size=size))
        lines = [line for s in sentences for line in wrapped(s, room, measure)]
        step = size * 1.35 / 72.0
        if EDGE + len(lines) * step + GAP <= HEIGHT - EDGE - TITLE_H - least:
            break
    for number, line in enumerate(reversed(lines)):
        y = EDGE + number * step
        figure.text(EDGE / WIDTH, y / HEIGHT, line, size=size, va="bottom", color="#222222", parse_math=False)
    return EDGE + len(lines) * step + 0.12
