"""A page of the worst paths down, to look at and to print: the ground, the hazard, and what it takes to arrive."""

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from slopekit.outputs import looks, page
from slopekit.outputs.mapaids import round_length, short_id, wrapped
from slopekit.runout.settings import RunoutSettings
from slopekit.wording import metres_words

MOST = 8
"""Paths down on one page."""

# Gravest first.
_HAZARD_WORDS = {"water": "water", "drop": "drop", "hazard": "marked hazard"}
_ENDS = {"water": "water", "drop": "a drop", "hazard": "a marked hazard"}
_TEXT_W, _TICKS_W, _TICKS_H, _LEGEND_H = 2.15, 0.5, 0.2, 0.32
_ROW_LEAST, _ROW_MOST = 1.02, 1.9
# Inches round the line inside its frame: for the word "start", for the hazard and its name, and under the line.
_LEFT, _RIGHT, _ABOVE, _BELOW = 0.16, 1.0, 0.24, 0.13
_EXAGGERATIONS = (10, 5, 3, 2, 1)
_SHOWN_HOLLOW_M = 0.05
_GROUND, _ARRIVES, _GENTLE, _EARTH, _ROAD = "#2b2b2b", looks.PATH, "#8fa3b8", "#ece8df", "#6b6b6b"
_LAYOUTS = [(size, page.WIDTH - 2 * page.EDGE) for size in (8.0, 7.5, 7.0, 6.5, 6.0, 5.5, 5.0, 4.5, 4.0)]
_Text = tuple[str, str, str]
"""Words, weight and colour."""
_NONE_FOUND = (
    "No path down from refused ground to water, a drop or a marked hazard was found, as far as the elevation data can "
    "show. Hazards that neither the survey nor the layers show are not found."
)


@dataclass(frozen=True)
class _Line:
    """One path down: its row of layer `paths` and its points of layer `profiles`."""

    name: str
    hazard: str
    length_m: float
    fall_m: float
    distance: np.ndarray
    height: np.ndarray
    filled: np.ndarray
    landing: np.ndarray
    reach: np.ndarray

    @property
    def gentle_m(self) -> float:
        """Length of the longest gentle stretch: each of its points counts the step to the next one."""
        return max((self.distance[end] - self.distance[start] for start, end in stretches(self.landing)), default=0.0)


def draw_profiles(
    path: str | Path, *, tables: Mapping[str, Any], settings: RunoutSettings, title: str, cautions: Sequence[str]
) -> None:
    """Draw an A4 page (PNG, 150 dots per inch) of the worst paths down, at most `MOST` of them.

    tables: layers `paths` and `profiles`. settings: the ones that the paths were found with. Without a path down the
    page says so. Raises OutputError when the place cannot take the file.
    """
    paths = tables["paths"]
    shown = chosen(list(paths["parcel_id"]), list(paths["hazard"]), list(paths["length_m"]))
    lines = [_line(paths.iloc[k], tables["profiles"]) for k in shown]
    columns = 1 if len(lines) == 1 else 2
    rows = math.ceil(len(lines) / columns)
    with page.page(path) as (figure, canvas):
        least = _LEGEND_H + max(rows, 1) * _ROW_LEAST
        layouts = [(size, room, least) for size, room in _LAYOUTS]
        foot = page.write_foot(figure, canvas, [*_sentences(lines, len(paths)), *cautions], layouts)
        top = page.write_title(figure, canvas, title)
        if not lines:
            _nothing(figure, canvas, top)
            return
        _legend(page.axes(figure, page.EDGE, top - _LEGEND_H, page.WIDTH - 2 * page.EDGE, _LEGEND_H), canvas, settings)
        high = min((top - _LEGEND_H - foot) / rows, _ROW_MOST)
        wide = (page.WIDTH - 2 * page.EDGE - (columns - 1) * page.GAP) / columns
        places = []
        for number, line in enumerate(lines):
            x = page.EDGE + number % columns * (wide + page.GAP)
            y = top - _LEGEND_H - (number // columns + 1) * high
            ax = page.axes(
                figure, x + _TEXT_W + _TICKS_W, y + _TICKS_H + 0.08, wide - _TEXT_W - _TICKS_W, high - _TICKS_H - 0.14
            )
            places.append((_texts(line, settings, _ground(ax, line)), x, y + high - 0.06))
        _words(figure, canvas, places, high - 0.12)


def chosen(parcels: Sequence[str], hazards: Sequence[str], lengths: Sequence[float], most: int = MOST) -> list[int]:
    """Numbers of the paths to draw, at most `most`, in the order of parcels as given and of gravity.

    The parcels take turns, each with the gravest and then the longest of its paths that are left.
    """
    grave = list(_HAZARD_WORDS)
    order = sorted(range(len(parcels)), key=lambda k: (grave.index(hazards[k]), -lengths[k], k))
    ranked: dict[str, list[int]] = {parcel: [] for parcel in parcels}
    for k in order:
        ranked[parcels[k]].append(k)
    deepest = max((len(own) for own in ranked.values()), default=0)
    turns = [own[turn] for turn in range(deepest) for own in ranked.values() if turn < len(own)]
    kept = set(turns[:most])
    return [k for own in ranked.values() for k in own if k in kept]


def stretches(flags: np.ndarray) -> list[tuple[int, int]]:
    """First and one past the last point of every run of set flags; the last point of all only closes a run."""
    padded = np.concatenate([[False], flags[:-1], [False]]).astype(np.int8)
    edges = np.diff(padded)
    return list(zip(np.flatnonzero(edges > 0).tolist(), np.flatnonzero(edges < 0).tolist(), strict=True))


def _line(row: Any, profiles: Any) -> _Line:
    points = profiles[profiles["zone_id"] == row["zone_id"]].sort_values("point")
    arrays = [
        points[name].to_numpy(float)
        for name in ("distance_m", "height_m", "filled_m", "landing", "speed_to_hazard_kmh")
    ]
    distance, height, filled, landing, reach = arrays
    name = f"{row['parcel_id']} {short_id(row['zone_id'], row['parcel_id'])}"
    return _Line(
        name, row["hazard"], row["length_m"], row["fall_m"], distance, height, filled, landing.astype(bool), reach
    )


def _sentences(lines: Sequence[_Line], count: int) -> list[str]:
    if not lines:
        return []
    left = count - len(lines)
    more = [] if not left else [
        f"{left} more path{'s' if left > 1 else ''} down {'are' if left > 1 else 'is'} not on this page; the layers "
        "paths and profiles of the result hold all of them."
    ]  # fmt: skip
    return [
        *more,
        "Each line is the worst path down from a zone: lengths from its start, heights above its end, both in metres.",
        "Speeds are the least that bring a machine to the hazard, along the line or a path beside it, when it slides "
        "in the slipperiest condition of the fleet file. A machine that rolls needs less.",
    ]


def _nothing(figure: Figure, canvas: FigureCanvasAgg, top: float) -> None:
    lines = wrapped(_NONE_FOUND, page.WIDTH - 2 * page.EDGE, functools.partial(page.text_width, canvas, size=10.0), "")
    for number, line in enumerate(lines):
        figure.text(page.EDGE / page.WIDTH, (top - 0.2 - 0.2 * number) / page.HEIGHT, line, size=10.0, va="top")


def _texts(line: _Line, settings: RunoutSettings, times: int) -> list[_Text]:
    """What is to be said of a path beside it: zone, hazard, speed at the start, level ground, scale."""
    scale = "Heights and lengths to one scale." if times == 1 else f"Heights drawn {times} times as large."
    return [
        (line.name, "bold", "#000000"),
        (
            f"To {_ENDS[line.hazard]} after {metres_words(line.length_m)}, {metres_words(line.fall_m)} lower.",
            "normal",
            "#222222",
        ),
        (f"From the start: {_speed(line.reach[0])}.", "normal", "#222222"),
        (_stopping(line.gentle_m, settings), "normal", "#222222"),
        (scale, "normal", "#555555"),
    ]


def _words(
    figure: Figure, canvas: FigureCanvasAgg, places: Sequence[tuple[list[_Text], float, float]], room: float
) -> None:
    """Write texts at their places (left and upper end, inches), in the largest size at which none is over `room`."""
    for size in (7.5, 7.0, 6.5, 6.0, 5.5, 5.0, 4.5, 4.0):
        step = size * 1.35 / 72.0
        folded = [_folded(canvas, texts, size) for texts, _, _ in places]
        if max(len(lines) for lines in folded) * step <= room:
            break
    for lines, (_, x, y) in zip(folded, places, strict=True):
        for number, (line, weight, colour) in enumerate(lines):
            # A name without a gap to fold it at is made smaller instead.
            fit = min(1.0, _TEXT_W / max(page.text_width(canvas, line, size, weight), 1e-9))
            figure.text(
                x / page.WIDTH, (y - number * step) / page.HEIGHT, line, size=size * fit, weight=weight, color=colour,
                va="top", parse_math=False,
            )  # fmt: skip


def _folded(canvas: FigureCanvasAgg, texts: Sequence[_Text], size: float) -> list[_Text]:
    return [
        (line, weight, colour)
        for words, weight, colour in texts
        for line in wrapped(words, _TEXT_W, functools.partial(page.text_width, canvas, size=size, weight=weight), "")
    ]


def _speed(kmh: float) -> str:
    if kmh == 0.0:
        return "a machine that slides gets there on its own, from a standstill"
    # Rounded down: the figure must not promise more room than there is.
    return f"{math.floor(kmh)} km/h is enough to get there" if kmh >= 1.0 else "less than 1 km/h is enough to get there"


def _stopping(gentle_m: float, settings: RunoutSettings) -> str:
    due = settings.landing_length_m
    if gentle_m >= due:
        return f"Level for {metres_words(gentle_m)} on this line, but a path beside it has less than {due:g} m."
    if gentle_m == 0.0:
        return f"No level ground on the path ({due:g} m are needed to stop)."
    return f"No level ground of {due:g} m on the path: the longest is {metres_words(gentle_m)}."


def _ground(ax: Axes, line: _Line) -> int:
    """Draw a path to scale in its axes; gives how many times the heights are drawn."""
    box = ax.get_window_extent()
    wide, high = box.width / page.DPI - _LEFT - _RIGHT, box.height / page.DPI - _ABOVE - _BELOW
    base = line.height[-1]
    z, filled, s = line.height - base, line.filled - base, line.distance
    low, top = min(z.min(), filled.min()), max(z.max(), filled.max())
    span = max(top - low, 1e-6)
    times = next((t for t in _EXAGGERATIONS if t * span * wide <= high * s[-1]), 1)
    inch = min(wide / s[-1], high / span)  # inches a metre
    ax.set(
        xlim=(-_LEFT / inch, box.width / page.DPI / inch - _LEFT / inch),
        ylim=(low - (_BELOW + (high - span * inch * times) / 2) / inch / times, 0),
    )
    bottom = ax.get_ylim()[0]
    ax.set_ylim(bottom, bottom + box.height / page.DPI / inch / times)
    _ticks(ax, float(s[-1]), float(top), inch, times)
    ax.fill_between(s, z, bottom, color=_EARTH, linewidth=0, zorder=1)
    for start, end in stretches(line.landing):
        ax.plot(s[start : end + 1], z[start : end + 1], color=_GENTLE, linewidth=6, solid_capstyle="butt", zorder=2)
    ax.plot(s, z, color=_GROUND, linewidth=1.1, zorder=3)
    for start, end in stretches(line.reach == 0.0):
        ax.plot(s[start : end + 1], z[start : end + 1], color=_ARRIVES, linewidth=2.4, zorder=4)
        ax.plot(s[start], z[start], marker="o", markersize=4.5, color=_ARRIVES, zorder=5)
    if (filled - z).max() > _SHOWN_HOLLOW_M:
        ax.plot(s, filled, color=_GROUND, linewidth=0.8, linestyle=(0, (3, 2)), zorder=3)
    _hazard(ax, line.hazard, s[-1], bottom)
    style: dict[str, Any] = {"size": 7, "textcoords": "offset points", "color": "#222222"}
    ax.annotate("start", (0.0, max(z[0], filled[0])), (-4, 5), ha="left", va="bottom", **style)
    ax.annotate(_HAZARD_WORDS[line.hazard], (s[-1], 0.0), (8, 5), ha="left", va="bottom", weight="bold", **style)
    return times


def _hazard(ax: Axes, hazard: str, x: float, bottom: float) -> None:
    """Draw what the path ends in, from its last point on to the right."""
    right = ax.get_xlim()[1]
    if hazard == "water":
        ax.fill_between([x, right], [0.0, 0.0], bottom, color=looks.WATER_GIVEN, linewidth=0, zorder=1)
        ax.plot([x, right], [0.0, 0.0], color=looks.WATER_EDGE, linewidth=1.4, zorder=4)
    elif hazard == "drop":
        ax.annotate(
            "", (x, bottom), (x, 0.0), arrowprops={"arrowstyle": "-|>", "color": looks.CREST, "linewidth": 2.2,
            "shrinkA": 0, "shrinkB": 0, "mutation_scale": 9}, zorder=6,
        )  # fmt: skip
    else:
        ax.fill_between([x, right], [0.0, 0.0], bottom, color=_EARTH, linewidth=0, zorder=1)
        ax.plot([x, right], [0.0, 0.0], color=_ROAD, linewidth=4.0, solid_capstyle="butt", zorder=4)


def _ticks(ax: Axes, length: float, top: float, inch: float, times: int) -> None:
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.tick_params(labelsize=6.5, length=2.5, pad=1.5, color="#777777", labelcolor="#444444")
    along, up = _marks(length, inch, 0.4), _marks(max(top, 0.01), inch * times, 0.13)
    ax.set_xticks(along, [f"{v:g} m" for v in along])
    ax.set_yticks(up, [f"{v:g} m" for v in up])


def _marks(length: float, inch: float, least: float) -> list[float]:
    """Round distances from 0 to `length` (m), `least` inches or more apart, at most five."""
    for parts in (1.9, 1.0):
        step = round_length(length / parts)
        if step * inch >= least:
            return [round(k * step, 6) for k in range(math.floor(length / step + 1e-9) + 1)]
    return [0.0]


def _legend(ax: Axes, canvas: FigureCanvasAgg, settings: RunoutSettings) -> None:
    """One row of marks and words."""
    wide, y = page.WIDTH - 2 * page.EDGE, 0.17
    ax.set(xlim=(0, wide), ylim=(0, _LEGEND_H), xticks=[], yticks=[])
    for side in ax.spines.values():
        side.set_visible(False)
    marks: list[tuple[str, dict[str, Any]]] = [
        ("Ground", {"color": _GROUND, "linewidth": 1.1}),
        ("A machine that slides goes on from here to the hazard on its own", {"color": _ARRIVES, "linewidth": 2.4}),
        (
            f"Level enough to stop on ({settings.landing_slope_deg:g}° or less), if long enough",
            {"color": _GENTLE, "linewidth": 6, "solid_capstyle": "butt"},
        ),
        ("Small hollow, counted as filled", {"color": _GROUND, "linewidth": 0.8, "linestyle": (0, (3, 2))}),
    ]
    used = sum(page.text_width(canvas, words, 8.0) + 0.46 for words, _ in marks)
    gap, x = min(0.35, (wide - used) / (len(marks) - 1)), 0.0
    for words, style in marks:
        ax.plot([x, x + 0.36], [y, y], **style)
        if style["color"] == _ARRIVES:
            ax.plot(x, y, marker="o", markersize=4.5, color=_ARRIVES, clip_on=False)
        ax.text(x + 0.44, y, words, size=8.0, va="center")
        x += 0.46 + page.text_width(canvas, words, 8.0) + gap
