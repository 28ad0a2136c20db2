"""From the middle line of a strip to crest lines: moved onto the crest, measured, and cut where the form ends."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Grid
from slopekit.kernels.lines import halved, left_of, lengthened, smoothed, steadied
from slopekit.kernels.sections import CENTRE, LEFT_TOE, RIGHT_TOE, TOP_Z, cross_sections
from slopekit.landforms.crests import Lines
from slopekit.landforms.settings import LandformSettings

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

_MEASURED = 0.5
"""Least part of a crest line whose cross-sections stand out."""


@dataclass(frozen=True)
class Crest:
    """A crest line and its cross-sections."""

    points: Array
    """(n, 2) row and column."""
    left: Array
    """(n, 2) one metre to the left of the line, in rows and columns."""
    sections: Array
    """(n, 11) as `cross_sections` gives them; in short gaps taken from the neighbours."""
    measured: Bool
    """(n,) whether the section was measured there."""
    closed: bool
    length_m: float
    width_m: float
    """Median width between the toes."""


def crest_lines(z: Array, lines: Lines, grid: Grid, settings: LandformSettings) -> list[Crest]:
    """The crest lines along the middle lines of strips: one for each stretch that is high, narrow and long enough."""
    cell = max(grid.dx, grid.dy)
    # The tangent of a shorter line means little, and no berm is so short.
    lines = lines.pick(np.diff(lines.starts) >= np.where(lines.closed, 8, 3))
    lines = replace(lines, points=smoothed(lines.points, lines.starts, lines.closed))
    lines = lines.pick(_elongate(lines, grid, settings))
    # Most lines are uneven ground; a look at every third point shows it.
    every = (np.arange(len(lines.points)) - np.repeat(lines.starts[:-1], np.diff(lines.starts))) % 3 == 0
    sections, _ = _across(z, lines, lines.half + cell, cell, grid, settings, every)
    lines = lines.pick(_standing(lines, sections, 3.0 * math.hypot(grid.dx, grid.dy), settings))
    # Onto the crest; then to its ends, which wants the direction of the crest; and onto it there.
    lines = _moved(z, lines, cell, grid, settings)
    free = lines.free & ~lines.closed[:, None]
    points, half, starts = lengthened(lines.points, lines.half, lines.starts, free, grid.dx, grid.dy)
    lines = _moved(z, replace(lines, points=points, half=half, starts=starts), cell, grid, settings)
    # Two points a cell, so that an end is found within half a cell.
    points, half, starts = halved(lines.points, lines.half, lines.starts, lines.closed)
    lines = replace(lines, points=points, half=half, starts=starts)
    step = 0.5 * min(grid.dx, grid.dy)
    # Little room beside the line now, so that a higher form beside it does not take its place.
    sections, left = _across(z, lines, np.full(len(lines.points), 2.0 * step), step, grid, settings)
    steps = np.array([grid.dy, grid.dx])
    out = []
    for a, b, closed in zip(lines.starts[:-1], lines.starts[1:], lines.closed, strict=True):
        own, good = lines.points[a:b], ~np.isnan(sections[a:b, CENTRE])
        for pick, ring in _stretches(good, own, steps, bool(closed), settings.berm_width_m):
            # A look at the number of points first: most stretches are a few.
            widths = (sections[a:b, LEFT_TOE] + sections[a:b, RIGHT_TOE])[pick][good[pick]]
            enough = len(pick) * math.hypot(grid.dx, grid.dy) >= settings.berm_elongation * np.median(widths)
            if not enough or good[pick].mean() < _MEASURED:
                continue
            crest = _crest(own[pick], left[a:b][pick], sections[a:b][pick], ring, steps)
            if crest.length_m >= settings.berm_elongation * crest.width_m:
                out.append(crest)
    return out


def _moved(z: Array, lines: Lines, cell: float, grid: Grid, settings: LandformSettings) -> Lines:
    """The lines moved sideways onto the crest."""
    sections, left = _across(z, lines, lines.half + cell, cell, grid, settings)
    # The median, as the sections at an end see round it.
    aside = steadied(sections[:, CENTRE], lines.starts, lines.closed, 4)
    return replace(lines, points=smoothed(lines.points + left * aside[:, None], lines.starts, lines.closed))


def _across(
    z: Array, lines: Lines, search: Array, step: float, grid: Grid, settings: LandformSettings, some: Bool | None = None
) -> tuple[Array, Array]:
    """Sections at the points (n, 11), or at `some` of them, and the left of every point."""
    left = left_of(lines.points, lines.starts, lines.closed, grid.dx, grid.dy)
    here = slice(None) if some is None else some
    size = settings.berm_width_m, settings.berm_height_m
    found = cross_sections(z, lines.points[here], left[here], search[here], step, *size)
    if some is None:
        return found, left
    sections = np.full((len(some), found.shape[1]), np.nan)
    sections[some] = found
    return sections, left


def _elongate(lines: Lines, grid: Grid, settings: LandformSettings) -> Bool:
    """Whether a line can be long enough for its strip, which is no wider than the berm on it (lines,)."""
    sizes = np.diff(lines.starts)
    owner = np.repeat(np.arange(len(sizes)), sizes)
    pieces = np.hypot(np.diff(lines.points[:, 0]) * grid.dy, np.diff(lines.points[:, 1]) * grid.dx)
    same = owner[1:] == owner[:-1]
    length = np.bincount(owner[1:][same], weights=pieces[same], minlength=len(sizes))
    half = np.bincount(owner, weights=lines.half, minlength=len(sizes)) / np.maximum(sizes, 1)
    # The half-width counts the cell outside too, and a line ends up to a half-width short at both ends.
    least = settings.berm_elongation * 1.8 * np.maximum(half - max(grid.dx, grid.dy), min(grid.dx, grid.dy))
    return lines.closed | (length + 4.0 * half >= least)


def _standing(lines: Lines, sections: Array, spacing: float, settings: LandformSettings) -> Bool:
    """Whether enough sections, `spacing` (m) apart, stand out for half of the least berm of their width (lines,)."""
    sizes = np.diff(lines.starts)
    good = ~np.isnan(sections[:, CENTRE])
    owner = np.repeat(np.arange(len(sizes)), sizes)[good]
    count = np.bincount(owner, minlength=len(sizes))
    widths = np.bincount(owner, weights=sections[good, LEFT_TOE] + sections[good, RIGHT_TOE], minlength=len(sizes))
    length = count * spacing
    return (count > 0) & (length >= 0.5 * _MEASURED * settings.berm_elongation * widths / np.maximum(count, 1))


def _stretches(
    good: Bool, points: Array, steps: Array, closed: bool, gap_m: float
) -> list[tuple[NDArray[np.int64], bool]]:
    """Indices of the points of each stretch of good sections; gaps up to half of `gap_m` do not part it."""
    if not good.any():
        return []
    n = len(points)
    order = np.arange(n)
    if closed:
        if good.all():
            return [(order, True)]
        # Start after the longest gap, so that the join of the ring parts nothing.
        hits = np.nonzero(good)[0]
        gaps = np.diff(np.append(hits, hits[0] + n))
        order = np.roll(order, -int(hits[(int(gaps.argmax()) + 1) % len(hits)]))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*(np.diff(points[order], axis=0) * steps).T))])
    hits = np.nonzero(good[order])[0]
    if closed:
        seam = np.hypot(*((points[order[-1]] - points[order[0]]) * steps)) + along[-1] - along[hits[-1]]
        if max(seam, np.diff(along[hits]).max(initial=0.0)) <= 0.5 * gap_m:
            return [(order, True)]
    breaks = np.nonzero(np.diff(along[hits]) > 0.5 * gap_m)[0] + 1
    return [(order[part[0] : part[-1] + 1], False) for part in np.split(hits, breaks) if len(part) > 1]


def _crest(points: Array, left: Array, sections: Array, closed: bool, steps: Array) -> Crest:
    measured = ~np.isnan(sections[:, CENTRE])
    index = np.arange(len(points))
    filled = sections
    if not measured.all():
        filled = np.stack([np.interp(index, index[measured], column[measured]) for column in sections.T], axis=1)
    if _turn_round(points, filled, closed, steps):
        points, left, measured, filled = points[::-1], -left[::-1], measured[::-1], _swapped(filled[::-1])
    if closed:
        first = -int(filled[:, TOP_Z].argmax())
        points, left, measured, filled = (np.roll(a, first, axis=0) for a in (points, left, measured, filled))
    if closed:
        whole = np.vstack([points, points[:1]])
    else:
        # The last point stands for half of the way to the next one too.
        points = points.copy()
        points[0], points[-1] = 1.5 * points[0] - 0.5 * points[1], 1.5 * points[-1] - 0.5 * points[-2]
        whole = points
    length = float(np.hypot(*(np.diff(whole, axis=0) * steps).T).sum())
    widths = filled[measured, LEFT_TOE] + filled[measured, RIGHT_TOE]
    return Crest(points, left, filled, measured, closed, length, float(np.median(widths)))


def _turn_round(points: Array, sections: Array, closed: bool, steps: Array) -> bool:
    """Whether the line goes the wrong way: an open one from its lower to its higher end, a ring with its inside right.

    The ground decides and not the grid, so that turning the grid does not change left and right.
    """
    if closed:
        down, right = (points * steps).T
        return bool(np.sum(right * np.roll(down, -1) - np.roll(right, -1) * down) > 0.0)
    some = min(len(points), 20)
    start, end = float(np.mean(sections[:some, TOP_Z])), float(np.mean(sections[-some:, TOP_Z]))
    if abs(start - end) > 1e-6:
        return start < end
    return bool(points[0].tolist() > points[-1].tolist())


def _swapped(sections: Array) -> Array:
    """The same sections seen the other way along."""
    out = sections[:, [0, 1, 4, 5, 2, 3, 7, 6, 9, 8, 10]]
    out[:, CENTRE] *= -1.0
    return out
