"""A page of the easiest paths to hazards, to look at and to print: ground, energy line, hazard, speed."""

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

from slopekit.outputs import paper, symbology
from slopekit.outputs.mapaids import round_length, short_id, wrapped
from slopekit.runout.profile import Profile
from slopekit.runout.settings import RunoutSettings
from slopekit.runout.speed import speed_of_head
from slopekit.runout.way import ENDS, way_words
from slopekit.wording import UNITS, Units, metres_words, speed_words

MOST = 8
"""Paths down on one page."""

# Gravest first.
_HAZARD_WORDS = {"water": "water", "drop": "drop", "hazard": "marked hazard"}
_TEXT_W, _TICKS_W, _TICKS_H, _LEGEND_H = 2.15, 0.5, 0.2, 0.32
_ROW_LEAST, _ROW_MOST = 1.02, 1.9
# Inches round the line inside its frame: for the word "start", for the hazard and its name, and under the line.
_LEFT, _RIGHT, _ABOVE, _BELOW = 0.16, 1.0, 0.24, 0.13
_EXAGGERATIONS = (10, 5, 3, 2, 1)
_GROUND, _LINE, _ENERGY, _EARTH, _ROAD = "#2b2b2b", symbology.PATH, "#f7dcd6", "#ece8df", "#6b6b6b"
_LAYOUTS = [(size, paper.WIDTH - 2 * paper.EDGE) for size in (8.0, 7.5, 7.0, 6.5, 6.0, 5.5, 5.0, 4.5, 4.0)]
_Text = tuple[str, str, str]
"""Words, weight and colour."""
_NONE_FOUND = (
    "No path from refused ground to water, a drop or a marked hazard was found, as far as the elevation data can "
    "show. Hazards that neither the survey nor the layers show are not found."
)


@dataclass(frozen=True)
class Example:
    """A made way, to be drawn beside those of a result."""

    name: str
    hazard: str
    profile: Profile
    """Of a machine that rolls from its start."""


@dataclass(frozen=True)
class _Way:
    """One way: its row of layer `paths` and its points of layer `profiles`, or an example."""

    name: str
    hazard: str
    across: bool
    profile: Profile


def draw_profiles(
    path: str | Path,
    *,
    tables: Mapping[str, Any],
    settings: RunoutSettings,
    title: str,
    cautions: Sequence[str],
    examples: Sequence[Example] = (),
    units: Units = UNITS["metric"],
) -> None:
    """Draw an A4 page (PNG, 150 dots per inch) of the worst paths to hazards, with the examples at most `MOST` of them.

    tables: layers `paths` and `profiles`. settings: the ones that the paths were found with. units: in which figures
    are shown. Without a path the page says so. Raises OutputError when the place cannot take the file.
    """
    paths = tables["paths"]
    most = MOST - len(examples)
    shown = chosen(list(paths["parcel_id"]), list(paths["hazard"]), list(paths["length_m"]), most)
    ways = [_way(paths.iloc[k], tables["profiles"]) for k in shown]
    left = len(paths) - len(ways)
    ways += [_Way(one.name, one.hazard, False, one.profile) for one in examples]
    columns = 1 if len(ways) == 1 else 2
    rows = math.ceil(len(ways) / columns)
    with paper.page(path) as (figure, canvas):
        least = _LEGEND_H + max(rows, 1) * _ROW_LEAST
        layouts = [(size, room, least) for size, room in _LAYOUTS]
        said = [*_sentences(ways, left, settings, units), *map(units.sentence, cautions)]
        foot = paper.write_foot(figure, canvas, said, layouts)
        top = paper.write_title(figure, canvas, title)
        if not ways:
            _nothing(figure, canvas, top)
            return
        _legend(paper.axes(figure, paper.EDGE, top - _LEGEND_H, paper.WIDTH - 2 * paper.EDGE, _LEGEND_H), canvas)
        high = min((top - _LEGEND_H - foot) / rows, _ROW_MOST)
        wide = (paper.WIDTH - 2 * paper.EDGE - (columns - 1) * paper.GAP) / columns
        places = []
        for number, way in enumerate(ways):
            x = paper.EDGE + number % columns * (wide + paper.GAP)
            y = top - _LEGEND_H - (number // columns + 1) * high
            ax = paper.axes(
                figure, x + _TEXT_W + _TICKS_W, y + _TICKS_H + 0.08, wide - _TEXT_W - _TICKS_W, high - _TICKS_H - 0.14
            )
            places.append((_texts(way, settings, _ground(ax, way, units), units), x, y + high - 0.06))
        _words(figure, canvas, places, high - 0.12)


def chosen(parcels: Sequence[str], hazards: Sequence[str], lengths: Sequence[float], most: int = MOST) -> list[int]:
    """Numbers of the ways to draw, at most `most`, in the order of parcels as given and of gravity.

    The parcels take turns, each with the gravest and then the longest of its ways that are left.
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


def _way(row: Any, profiles: Any) -> _Way:
    points = profiles[profiles["zone_id"] == row["zone_id"]].sort_values("point")
    arrays = [points[name].to_numpy(float) for name in ("distance_m", "height_m", "line_m", "speed_kmh")]
    name = f"{row['parcel_id']} {short_id(row['zone_id'], row['parcel_id'])}"
    return _Way(name, row["hazard"], bool(row["across"]), Profile(*arrays))


def _sentences(ways: Sequence[_Way], left: int, settings: RunoutSettings, units: Units) -> list[str]:
    if not ways:
        return []
    more = [] if not left else [
        f"{left} more path{'s' if left > 1 else ''} {'are' if left > 1 else 'is'} not on this page; the layers "
        "paths and profiles of the result hold all of them."
    ]  # fmt: skip
    return [
        *more,
        "Each is the easiest path to a hazard from one zone's highest place: lengths from its start, heights above its "
        f"end, both in {units.bar[1]}.",
        f"The energy line falls by {100.0 * settings.rolling:.3g} % of the length on ground over "
        f"{settings.rolls_from_deg:g}°, where nothing but rolling is assumed to brake, and by the friction of the "
        "slipperiest condition on gentle ground. The higher it stands over the ground, the faster the machine; where "
        "it meets the ground it stops.",
    ]


def _nothing(figure: Figure, canvas: FigureCanvasAgg, top: float) -> None:
    lines = wrapped(
        _NONE_FOUND, paper.WIDTH - 2 * paper.EDGE, functools.partial(paper.text_width, canvas, size=10.0), ""
    )
    for number, line in enumerate(lines):
        figure.text(paper.EDGE / paper.WIDTH, (top - 0.2 - 0.2 * number) / paper.HEIGHT, line, size=10.0, va="top")


def _texts(way: _Way, settings: RunoutSettings, times: int, units: Units) -> list[_Text]:
    """What is to be said of a way beside it: zone, how a machine gets to the hazard or is stopped, scale."""
    scale = "Heights and lengths to one scale." if times == 1 else f"Heights drawn {times} times as large."
    top = float(np.nanmax(way.profile.speed_kmh))
    fastest = [f"At its fastest it does {speed_words(top)}."] if top >= float(way.profile.speed_kmh[-1]) + 1.0 else []
    return [
        (way.name, "bold", "#000000"),
        *((units.sentence(words), "normal", "#222222") for words in (_told(way, settings), *fastest)),
        (scale, "normal", "#555555"),
    ]


def _told(way: _Way, settings: RunoutSettings) -> str:
    profile = way.profile
    length = float(profile.distance_m[-1])
    if (stopped := profile.stopped_m) is not None:
        left = f"{metres_words(length - stopped)} short of {ENDS[way.hazard]}"
        return f"A machine that rolls from the start is stopped after {metres_words(stopped)}, {left}."
    speeds = float(profile.speed_kmh[0]), float(profile.speed_kmh[-1])
    still = float(speed_of_head(settings.still_head_m))
    words = way_words(way.hazard, length, *speeds, way.across, still, whence="from the start")
    return f"{words[0].upper()}{words[1:]}."


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
            fit = min(1.0, _TEXT_W / max(paper.text_width(canvas, line, size, weight), 1e-9))
            figure.text(
                x / paper.WIDTH, (y - number * step) / paper.HEIGHT, line, size=size * fit, weight=weight, color=colour,
                va="top", parse_math=False,
            )  # fmt: skip


def _folded(canvas: FigureCanvasAgg, texts: Sequence[_Text], size: float) -> list[_Text]:
    return [
        (line, weight, colour)
        for words, weight, colour in texts
        for line in wrapped(words, _TEXT_W, functools.partial(paper.text_width, canvas, size=size, weight=weight), "")
    ]


def _ground(ax: Axes, way: _Way, units: Units) -> int:
    """Draw a way to scale in its axes; gives how many times the heights are drawn."""
    box = ax.get_window_extent()
    wide, high = box.width / paper.DPI - _LEFT - _RIGHT, box.height / paper.DPI - _ABOVE - _BELOW
    profile = way.profile
    base, s = profile.height_m[-1], profile.distance_m
    z, line = profile.height_m - base, profile.line_m - base
    moving = np.isfinite(profile.speed_kmh)
    low, top = z.min(), max(z.max(), line[moving].max())
    span = max(top - low, 1e-6)
    times = next((t for t in _EXAGGERATIONS if t * span * wide <= high * s[-1]), 1)
    inch = min(wide / s[-1], high / span)  # inches a metre
    ax.set(
        xlim=(-_LEFT / inch, box.width / paper.DPI / inch - _LEFT / inch),
        ylim=(low - (_BELOW + (high - span * inch * times) / 2) / inch / times, 0),
    )
    bottom = ax.get_ylim()[0]
    ax.set_ylim(bottom, bottom + box.height / paper.DPI / inch / times)
    _ticks(ax, float(s[-1]), float(top), inch, times, units)
    ax.fill_between(s, z, bottom, color=_EARTH, linewidth=0, zorder=1)
    ax.plot(s, z, color=_GROUND, linewidth=1.1, zorder=3)
    along, tops = s[moving], line[moving]
    if (stopped := profile.stopped_m) is not None:
        # Down to where the line meets the ground.
        along, tops = np.append(along, stopped), np.append(tops, np.interp(stopped, s, z))
        ax.plot(stopped, tops[-1], marker="s", markersize=5, color=_LINE, zorder=6)
    ax.fill_between(along, tops, np.interp(along, s, z), color=_ENERGY, linewidth=0, zorder=2)
    ax.plot(along, tops, color=_LINE, linewidth=1.8, zorder=4)
    ax.plot(along[0], tops[0], marker="o", markersize=4.5, color=_LINE, zorder=5)
    _hazard(ax, way.hazard, s[-1], bottom)
    style: dict[str, Any] = {"size": 7, "textcoords": "offset points", "color": "#222222"}
    ax.annotate("start", (0.0, float(line[0])), (-4, 5), ha="left", va="bottom", **style)
    at_end = _HAZARD_WORDS[way.hazard]
    if stopped is None:
        at_end += f"\n{units.speed(profile.speed_kmh[-1])}"
    ax.annotate(at_end, (s[-1], max(0.0, float(tops[-1]) if stopped is None else 0.0)), (8, 5), ha="left", va="bottom",
                weight="bold", **style)  # fmt: skip
    if stopped is not None:
        ax.annotate("stopped", (stopped, float(tops[-1])), (4, 9), ha="left", va="bottom", weight="bold", **style)
    return times


def _hazard(ax: Axes, hazard: str, x: float, bottom: float) -> None:
    """Draw what the way ends in, from its last point on to the right."""
    right = ax.get_xlim()[1]
    if hazard == "water":
        ax.fill_between([x, right], [0.0, 0.0], bottom, color=symbology.WATER_GIVEN, linewidth=0, zorder=1)
        ax.plot([x, right], [0.0, 0.0], color=symbology.WATER_EDGE, linewidth=1.4, zorder=4)
    elif hazard == "drop":
        ax.annotate(
            "", (x, bottom), (x, 0.0), arrowprops={"arrowstyle": "-|>", "color": symbology.CREST, "linewidth": 2.2,
            "shrinkA": 0, "shrinkB": 0, "mutation_scale": 9}, zorder=6,
        )  # fmt: skip
    else:
        ax.fill_between([x, right], [0.0, 0.0], bottom, color=_EARTH, linewidth=0, zorder=1)
        ax.plot([x, right], [0.0, 0.0], color=_ROAD, linewidth=4.0, solid_capstyle="butt", zorder=4)


def _ticks(ax: Axes, length: float, top: float, inch: float, times: int, units: Units) -> None:
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.tick_params(labelsize=6.5, length=2.5, pad=1.5, color="#777777", labelcolor="#444444")
    # The axes count metres.
    one, sign = units.bar
    along, up = _marks(length / one, inch * one, 0.4), _marks(max(top, 0.01) / one, inch * one * times, 0.13)
    ax.set_xticks([v * one for v in along], [f"{v:g} {sign}" for v in along])
    ax.set_yticks([v * one for v in up], [f"{v:g} {sign}" for v in up])


def _marks(length: float, inch: float, least: float) -> list[float]:
    """Round distances from 0 to `length`, `least` inches or more apart, at most five. inch: inches of one of them."""
    for parts in (1.9, 1.0):
        step = round_length(length / parts)
        if step * inch >= least:
            return [round(k * step, 6) for k in range(math.floor(length / step + 1e-9) + 1)]
    return [0.0]


def _legend(ax: Axes, canvas: FigureCanvasAgg) -> None:
    """One row of marks and words."""
    wide, y = paper.WIDTH - 2 * paper.EDGE, 0.17
    ax.set(xlim=(0, wide), ylim=(0, _LEGEND_H), xticks=[], yticks=[])
    for side in ax.spines.values():
        side.set_visible(False)
    marks: list[tuple[str, dict[str, Any]]] = [
        ("Ground", {"color": _GROUND, "linewidth": 1.1}),
        ("Energy line: how high the machine could still climb", {"color": _LINE, "linewidth": 1.8}),
        ("What it has over the ground: its speed", {"color": _ENERGY, "linewidth": 8, "solid_capstyle": "butt"}),
        ("Stopped", {"color": _LINE, "linewidth": 0, "marker": "s", "markersize": 5}),
    ]
    used = sum(paper.text_width(canvas, words, 8.0) + 0.46 for words, _ in marks)
    gap, x = min(0.35, (wide - used) / (len(marks) - 1)), 0.0
    for words, style in marks:
        ax.plot([x + 0.18] if "marker" in style else [x, x + 0.36], [y] if "marker" in style else [y, y], **style)
        ax.text(x + 0.44, y, words, size=8.0, va="center")
        x += 0.46 + paper.text_width(canvas, words, 8.0) + gap
