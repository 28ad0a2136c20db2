"""Possible water that the survey shows rough or cut: lakes, wide canals, and what lies at the survey's edge."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.kernels.level import level_cells
from slopekit.kernels.ponds import MISSING, Millimetres

Bool = NDArray[np.bool_]
Array = NDArray[np.float64]

# A box of 9 m: noise of 6 cm in it leaves a mean that is known to 1 cm.
_REACH_M = 4.0
# Millimetres. A lake surveyed with 0.9 points a square metre has 55; the ground of a rough hollow has 80.
_ROUGH = 65.0
# Millimetres a metre over two boxes; a lawn that drains falls by 10 (common practice, no source). The lower keeps a
# lake apart from ground that leads down from it, the higher holds a lake together whose noise hangs together.
_GRADES = 4.0, 6.0
# Millimetres between the highest and the lowest mean: the fall of a long canal, and noise that hangs together.
_RANGE = 400.0
# Millimetres a metre of the best plane. The lakes of one real survey had 0.2 to 0.5; roads, pitches and yards have 5
# and more, so that they drain (common practice, no source).
_TILT = 1.2
# Square metres. Less is asked for by `ponds`, whose noise must be lower.
_LEAST_M2 = 500.0
# Of a piece at the array's border less is asked: what it belongs to may be larger, more level, and rise elsewhere.
_PIECE_M2, _PIECE_TILT, _PIECE_RISES = 100.0, 3.6, 0.85
# Millimetres above the level that the water's noise reaches, beside its standard deviation.
_NEAR = 30.0
# Millimetres that the shore rises, beside its noise, within `_SHORE_M`.
_RISE, _SHORE_M = 80.0, 4.0
# Part of the seen outline that may not rise: an outlet, a jetty, a lock.
_GAP = 0.1
# Least part of the outline that is seen to rise where the rest is cut by the survey's edge or missing ground.
SEEN = 1.0 / 3.0
# So large and so level that no built or tilled ground is, whatever part of its outline is seen: 2 acres, from which on
# ponds are flattened (USGS rules for elevation-derived hydrography, Lake/Pond), and less tilt. Most of it must not
# be seen to fall away.
_SHEET_M2, _SHEET_TILT, _SHEET_FALL = 8000.0, 0.6, 1.0 / 3.0


@dataclass(frozen=True)
class _Outline:
    """Metres of a body's outline."""

    rises: float
    falls: float
    other: float
    missing: float

    @property
    def seen(self) -> float:
        return self.rises + self.falls + self.other

    @property
    def total(self) -> float:
        return self.seen + self.missing


def rim_cells(dx: float, dy: float) -> int:
    """Cells beside an array's border whose answer may be otherwise in a larger one."""
    return 4 * max(_cells(dx), _cells(dy)) + max(_shore(dx), _shore(dy)) + 3


def level_sheets(surface: Millimetres, ground: Millimetres, dx: float, dy: float) -> tuple[Bool, Bool]:
    """Level ground over 500 m2 that rises all around, with up to 6 cm of noise and a fall of up to about 0.1 %.

    surface: (rows, cols), median of 3 x 3 cells, MISSING where missing; ground: as surveyed; dx, dy: cell sides, m.
    A tenth of the outline need not rise. Missing ground counts as rising where at least a third of the whole outline
    is seen to rise. Level ground of 0.8 ha that falls by no more than 0.06 % is one too unless a third of its outline
    falls away: no ground that is built or tilled is so level, and of a lake one may see but little shore.

    Returns (bodies, open), as `ponds.possible_water`. The rule is this project's own; no published one is known for it.
    """
    up, left = _cells(dy), _cells(dx)
    levels, mean, variance = level_cells(ground, up, left, dx, dy, _GRADES, _ROUGH)
    bodies, open_ = np.zeros(ground.shape, bool), np.zeros(ground.shape, bool)
    for level in levels:
        _sheets(level, mean, variance, surface, ground, dx, dy, bodies, open_)
    return bodies, open_


def _sheets(
    level: Bool,
    mean: Array,
    variance: Array,
    surface: Millimetres,
    ground: Millimetres,
    dx: float,
    dy: float,
    bodies: Bool,
    open_: Bool,
) -> None:
    """Set the cells of those connected pieces of `level` that are water, in `bodies` and where they are open."""
    up, left = _cells(dy), _cells(dx)
    label, _ = ndimage.label(level)
    rim = rim_cells(dx, dy)
    pad = 2 * up + _shore(dy) + 2, 2 * left + _shore(dx) + 2
    for number, (rows, cols) in enumerate(ndimage.find_objects(label), start=1):
        core = label[rows, cols] == number
        piece = min(rows.start, cols.start, label.shape[0] - rows.stop, label.shape[1] - cols.stop) < rim
        heights = mean[rows, cols][core]
        # A core is as much as two boxes smaller than its body all round.
        if heights.size * dx * dy < (_PIECE_M2 if piece else _LEAST_M2) / 4.0 or np.ptp(heights) > _RANGE:
            continue
        tilt = _tilt(core, ground[rows, cols], dx, dy)
        if tilt > (_PIECE_TILT if piece else _TILT):
            continue
        part = tuple(slice(max(0, s.start - p), s.stop + p) for s, p in zip((rows, cols), pad, strict=True))
        core = label[part] == number
        noise = float(np.sqrt(np.median(variance[part][core])))
        known = ground[part] != MISSING
        # Of the level near by, so that a canal may fall from one end to the other.
        box = 2 * pad[0] + 1, 2 * pad[1] + 1
        above = surface[part] - ndimage.maximum_filter(np.where(core, mean[part], -np.inf), box)
        body = _body(core, known & (above <= _NEAR + noise), known & (above < _RISE + noise), up, left)
        outline = _outline(body, np.where(known, above, np.nan), _RISE + noise, dx, dy)
        if _is_water(float(body.sum()) * dx * dy, tilt, outline, piece):
            bodies[part] |= body
            open_[part] |= body & piece


def _is_water(area: float, tilt: float, outline: _Outline, piece: bool) -> bool:
    if area >= _SHEET_M2 and tilt <= _SHEET_TILT and outline.falls <= _SHEET_FALL * outline.total:
        return True
    if piece:
        return area >= _PIECE_M2 and outline.rises >= _PIECE_RISES * outline.seen
    seen = outline.rises >= SEEN * outline.total
    return area >= _LEAST_M2 and seen and outline.rises >= (1.0 - _GAP) * outline.seen


def _cells(side: float) -> int:
    return max(1, round(_REACH_M / side))


def _shore(side: float) -> int:
    return max(1, round(_SHORE_M / side))


def _tilt(core: Bool, heights: Millimetres, dx: float, dy: float) -> float:
    """Grade of the best plane, mm a metre. Whole numbers, so that it is the same however the grid is turned."""
    i, j = np.nonzero(core)
    h = heights[core].astype(np.int64)
    h -= h.min()
    n = i.size
    ii, jj, ij, ih, jh = (
        float(n * int((a * b).sum()) - int(a.sum()) * int(b.sum())) for a, b in ((i, i), (j, j), (i, j), (i, h), (j, h))
    )
    turn = ii * jj - ij * ij
    if turn <= 0.0:
        return float("inf")
    across, down = (jh * ii - ih * ij) / turn / dx, (ih * jj - jh * ij) / turn / dy
    return float(np.sqrt(across * across + down * down))


def _body(core: Bool, low: Bool, no_shore: Bool, up: int, left: int) -> Bool:
    """The low ground that joins the core within two boxes of it, and what it encloses that is not high enough for an
    island."""
    near = ndimage.maximum_filter(core, (4 * up + 3, 4 * left + 3))
    label, count = ndimage.label(near & low)
    joined = np.zeros(count + 1, bool)
    joined[label[core & low]] = True
    joined[0] = False
    body: Bool = joined[label]
    hole, count = ndimage.label(~body)
    high = np.zeros(count + 1, bool)
    high[hole[~no_shore]] = True  # an island, missing ground, or the ground outside
    high[np.concatenate([hole[0], hole[-1], hole[:, 0], hole[:, -1]])] = True
    return body | ~high[hole]


def _outline(body: Bool, above: Array, rise: float, dx: float, dy: float) -> _Outline:
    """above: height above the level near by, mm, NaN where missing."""
    box = (2 * _shore(dy) - 1, 2 * _shore(dx) - 1)
    known = ~np.isnan(above)
    outside = known & ~body
    high = ndimage.maximum_filter(np.where(outside, above, -np.inf), box) >= rise
    low = ndimage.minimum_filter(np.where(outside, above, np.inf), box) <= -rise
    lengths = np.zeros(4)
    for axis, side in ((0, dx), (1, dy)):
        for step in (-1, 1):
            edge = body & ~_beside(body, axis, step) & _beside(np.ones_like(body), axis, step)
            seen, falls, rises = (edge & _beside(a, axis, step) for a in (known, low & known, high & known & ~low))
            other = seen & ~falls & ~rises
            lengths += side * np.array([a.sum() for a in (rises, falls, other, edge & ~seen)])
    return _Outline(*lengths.tolist())


def _beside(mask: Bool, axis: int, step: int) -> Bool:
    """The mask's value at the neighbour of each cell, False beyond the array."""
    out = np.zeros_like(mask)
    at, of = [slice(None)] * 2, [slice(None)] * 2
    at[axis], of[axis] = (slice(1, None), slice(None, -1)) if step < 0 else (slice(None, -1), slice(1, None))
    out[tuple(at)] = mask[tuple(of)]
    return out
