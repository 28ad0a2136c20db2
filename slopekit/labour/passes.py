"""Parallel passes across the slope of a zone, from the foot upward."""

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.errors import InputError

Array = NDArray[np.float64]
Side = Literal["right", "left"]

Point = tuple[float, float]

_TINY = 1e-9
# CRS units that a computed point may lie off the edge it was cut at.
_SLACK = 1e-7
# Lines that the first pass is looked for on.
_MOST_LEVELS = 32
# How far a machine backs up along its pass to turn before that counts as travel (common practice, no source).
_BACKING_WIDTHS = 6.0


@dataclass(frozen=True)
class Passes:
    """How to drive one zone. Coordinates are those of the zone."""

    runs: tuple[shapely.LineString, ...]
    """Passes joined by uphill turns. A zone that bends inward may take several, with travel between them."""
    start: shapely.Point
    """Where the first pass begins: at the foot."""
    bearing_deg: float
    """Direction of the first pass, clockwise from grid north, [0, 360)."""
    passes: int
    turns: int
    length_m: float
    """Passes and turns, plan length; travel between runs is not in it."""
    spacing_m: float
    """Widest distance between two passes."""
    area_m2: float
    """Plan area of the zone."""
    covered_share: float
    """Part of the zone's area, 0 to 1, that the working width goes over. The rest lies along slanting edges and in
    corners, and is left to trimming."""


@dataclass(frozen=True)
class FirstPass:
    """Where work on one zone begins. Coordinates are those of the zone."""

    line: shapely.LineString
    """The first pass, from its start."""
    bearing_deg: float
    """Its direction, clockwise from grid north, [0, 360)."""
    corner: str
    """lower right or lower left, as seen facing the slope."""


def first_pass(
    zone: shapely.Polygon,
    downhill_deg: float,
    width_m: float,
    *,
    up_and_down: bool = False,
    discharge: Side = "right",
    metres_per_unit: float = 1.0,
) -> FirstPass | None:
    """The first pass of a zone: along its foot, or straight up from it along its side.

    Arguments as for `passes_across`. It is the first one from the foot that is at least half as long as passes of the
    zone commonly are: lower tips are left to trimming. up_and_down: whether the zone is worked that way: then the pass
    goes straight up, near the zone's right side, on the left for a discharge to the left, so that what is cut falls
    outside. Starting so is common practice, no source. None for an empty zone.
    """
    if zone.is_empty:
        return None
    frame = _Frame.of(zone, downhill_deg)
    face, width = frame.inward(zone), width_m / metres_per_unit
    right = discharge == "right"
    if up_and_down:
        # A quarter turn: the side to start from becomes the foot.
        face = shapely.transform(face, lambda xy: np.column_stack([xy[:, 1], -xy[:, 0] if right else xy[:, 0]]))
    west, foot, east, top = face.bounds
    step = max(width, (top - foot) / _MOST_LEVELS)
    levels = np.arange(foot + min(width, top - foot) / 2.0, top, step)
    cuts = shapely.intersection(shapely.linestrings([[(west - 1.0, v), (east + 1.0, v)] for v in levels]), face)
    parts, level = shapely.get_parts(cuts, return_index=True)
    length = shapely.length(parts)
    if not length.any():
        return None
    # The longest stretch of each level, the left one of equals.
    order = np.lexsort((shapely.bounds(parts)[:, 0], -length, level))
    longest = order[np.unique(level[order], return_index=True)[1]]
    common = np.median(length[longest][length[longest] > 0.0])
    chosen = longest[np.argmax(length[longest] >= 0.5 * common)]
    (a, _, b, _), v = shapely.bounds(parts[chosen]).tolist(), float(levels[level[chosen]])
    if up_and_down:
        ends, turn = [(-v if right else v, a), (-v if right else v, b)], 180.0
    else:
        ends, turn = ([(b, v), (a, v)], 90.0) if right else ([(a, v), (b, v)], -90.0)
    return FirstPass(frame.outward(np.array(ends)), (downhill_deg + turn) % 360.0, f"lower {discharge}")


def passes_across(
    zone: shapely.Polygon,
    downhill_deg: float,
    width_m: float,
    overlap_m: float = 0.0,
    discharge: Side = "right",
    metres_per_unit: float = 1.0,
) -> Passes | None:
    """Passes across the slope of a zone: at right angles to its mean downhill direction, from the foot upward.

    zone: one polygon in CRS units. downhill_deg: clockwise from grid north. width_m, overlap_m: working width and what
    of it runs over the pass before. discharge: side of the chute; on the right the first pass starts at the lower
    right as seen facing the slope, so that it faces uphill (common practice, no source), on the left at the lower left.
    Each pass is a line of the machine's middle from edge to edge. No line leaves the zone, and none goes down. Turns
    follow the zone's edge, or go straight, or, where its edge is notched, straight up from where there is room: the
    machine backs up to there and out again. None where the zone is too low for one pass.
    Raises InputError for a width, overlap or direction that cannot be used.
    """
    if not (math.isfinite(width_m) and width_m > 0.0):
        raise InputError(f"The working width is {width_m:g} m; give one above 0.")
    if not 0.0 <= overlap_m < width_m:
        raise InputError(f"The overlap is {overlap_m:g} m; give one from 0 to less than the width, {width_m:g} m.")
    if not math.isfinite(downhill_deg):
        raise InputError("The downhill direction of the zone is not known; level ground has no passes across it.")
    if zone.is_empty:
        return None
    width, overlap = width_m / metres_per_unit, overlap_m / metres_per_unit
    turned = _Frame.of(zone, downhill_deg)
    face = turned.inward(zone)
    foot, top = face.bounds[1], face.bounds[3]
    levels = _levels(foot, top, width, width - overlap)
    if not levels.size:
        return None
    runs = _runs(face, levels, width, first_left=discharge == "right")
    if not runs:
        return None
    lines = tuple(turned.outward(np.array(run.points)) for run in runs)
    (x0, y0), (x1, y1) = lines[0].coords[0], lines[0].coords[1]
    spacing = float(np.diff(levels).max()) if levels.size > 1 else 0.0
    return Passes(
        lines,
        shapely.Point(x0, y0),
        math.degrees(math.atan2(x1 - x0, y1 - y0)) % 360.0,
        sum(run.passes for run in runs),
        sum(run.passes - 1 for run in runs),
        math.fsum(line.length for line in lines) * metres_per_unit,
        spacing * metres_per_unit,
        face.area * metres_per_unit**2,
        # Snapped to a fine grid, since turned corners of cells may cross by a rounding.
        shapely.intersection(_swath(runs, width), face, grid_size=_SLACK).area / face.area,
    )


@dataclass(frozen=True)
class _Frame:
    """Map coordinates turned so that x goes to the right of a person who faces the slope, and y uphill."""

    right: Point
    up: Point
    origin: Point
    """Near the zone, so that large map coordinates cost no digits."""

    @classmethod
    def of(cls, zone: shapely.Polygon, downhill_deg: float) -> "_Frame":
        # Rounded, since a direction of 1e-300 north is east, and such numbers upset the cutting of lines.
        up = round(-math.sin(math.radians(downhill_deg)), 15), round(-math.cos(math.radians(downhill_deg)), 15)
        return cls((up[1], -up[0]), up, (zone.bounds[0], zone.bounds[1]))

    def inward(self, zone: shapely.Polygon) -> shapely.Polygon:
        turn = np.array([self.right, self.up]).T
        return shapely.transform(zone, lambda xy: (xy - np.array(self.origin)) @ turn)

    def outward(self, points: Array) -> shapely.LineString:
        return shapely.LineString(points @ np.array([self.right, self.up]) + np.array(self.origin))


@dataclass
class _Run:
    points: list[Point]
    passes: int
    leftward: bool
    """Whether the last pass went to the left."""


def _swath(runs: list[_Run], width: float) -> shapely.Geometry:
    """A strip as wide as the machine works along every straight piece, with nothing round its ends."""
    ends = np.concatenate([np.stack([run.points[:-1], run.points[1:]], axis=1) for run in runs])
    moved = (ends[:, 0] != ends[:, 1]).any(axis=1)
    return shapely.union_all(shapely.buffer(shapely.linestrings(ends[moved]), width / 2.0, cap_style="flat"))


def _levels(foot: float, top: float, width: float, step: float) -> Array:
    """Heights of the passes on the face: the lowest half a width above the foot, the highest as far below the top."""
    room = top - foot - width
    if room < -_TINY:
        return np.empty(0)
    between = max(0, math.ceil(room / step - _TINY))
    return foot + width / 2.0 + max(0.0, room) * np.arange(between + 1) / max(1, between)


def _runs(face: shapely.Polygon, levels: Array, width: float, first_left: bool) -> list[_Run]:
    """Join the pieces of each level to runs; a piece that no run can turn up to begins a new one."""
    west, _, east, _ = face.bounds
    ends = np.array([[(west - 1.0, v), (east + 1.0, v)] for v in levels])
    cuts = shapely.intersection(shapely.linestrings(ends), face)
    bands = shapely.intersection(shapely.boundary(face), shapely.box(west - 1.0, levels[:-1], east + 1.0, levels[1:]))
    # A point computed on the edge may lie a rounding beyond it.
    roomy = face.buffer(_SLACK)
    shapely.prepare(roomy)
    done: list[_Run] = []
    open_runs: list[_Run] = []
    for k, (v, cut) in enumerate(zip(levels, cuts, strict=True)):
        edges = _strands(bands[k - 1]) if k else []
        going: list[_Run] = []
        for left, right in _pieces(cut, width):
            for run in open_runs:
                turn = _turn(roomy, edges, run, left, right, v, width)
                if turn is not None:
                    open_runs.remove(run)
                    run.leftward = not run.leftward
                    run.points += [*turn, (left if run.leftward else right, v)]
                    run.passes += 1
                    break
            else:
                begin, end = (right, left) if first_left else (left, right)
                run = _Run([(begin, v), (end, v)], 1, first_left)
                done.append(run)
            going.append(run)
        open_runs = going
    return done


def _pieces(cut: shapely.Geometry, width: float) -> list[tuple[float, float]]:
    """Left and right ends of the stretches of a level line, the longest first: it is where a run goes on.

    One shorter than the machine is wide, beside a longer one, lies in a notch of the edge: it is left to trimming.
    """
    parts = _lines(cut)
    least = min(width, max((g.length for g in parts), default=0.0))
    parts.sort(key=lambda g: (-g.length, g.bounds[0]))
    return [(g.bounds[0], g.bounds[2]) for g in parts if g.length >= least]


def _lines(cut: shapely.Geometry) -> list[shapely.LineString]:
    return [g for g in shapely.get_parts(cut) if g.geom_type == "LineString" and g.length > _TINY]


def _strands(band: shapely.Geometry) -> list[list[Point]]:
    """The stretches of the zone's edge between two levels, each from its lower end on."""
    lines = [g for g in shapely.get_parts(band) if g.geom_type == "LineString"]
    out = []
    for line in shapely.get_parts(shapely.line_merge(shapely.MultiLineString(lines))):
        points = [(float(x), float(y)) for x, y in line.coords]
        out.append(points if points[0][1] <= points[-1][1] else points[::-1])
    return out


def _turn(
    roomy: shapely.Polygon, edges: list[list[Point]], run: _Run, left: float, right: float, v: float, width: float
) -> list[Point] | None:
    """Points from the end of a run's last pass up to the start of the next one, that start included. None if no way
    leads there that stays in the zone and does not go down."""
    other, end = run.points[-2:]
    begin, far = ((left, v), right) if run.leftward else ((right, v), left)
    for edge in edges:
        if math.dist(edge[0], end) <= _SLACK and math.dist(edge[-1], begin) <= _SLACK:
            heights = [end[1], *(y for _, y in edge[1:-1]), begin[1]]
            if all(b >= a for a, b in pairwise(heights)):
                return [*edge[1:-1], begin]
    if roomy.covers(shapely.LineString([end, begin])):
        return [begin]
    # Towards the middle of the pass, from where both passes are.
    inward = 1.0 if run.leftward else -1.0
    first = max(end[0] * inward, begin[0] * inward)
    room = min(other[0] * inward, far * inward) - first
    if room < 0.0:
        return None
    steps = first + np.arange(0.0, min(room, _BACKING_WIDTHS * width), width / 4.0)
    ups = shapely.linestrings([[(x, end[1]), (x, begin[1])] for x in steps * inward])
    free = np.flatnonzero(shapely.covers(roomy, ups)) if steps.size else steps
    if not free.size:
        return None
    x = float(steps[free[0]] * inward)
    return [(x, end[1]), (x, begin[1]), begin]
