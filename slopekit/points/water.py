"""Water that the survey classified, and places without returns that lie as level as a pond between their shores.

Near-infrared pulses are swallowed by water: that no return came is evidence. A triangulation spans such places with
planes from shore to shore, so the grid alone shows no pond.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.points.gather import Cells
from slopekit.points.settings import PointSettings

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

CLASSIFIED, POSSIBLE = "water by class", "possible water"
_JOIN_M = 2.5
"""Returns from water are few: places without others as near as this to one are water too."""
_EXPECTED = 15.0
"""Returns that a square of survey should have before it means something that there are none: by chance one in three
million stays empty."""
_LEAST_M = 3.0
"""Narrower places stay empty between scan lines."""
_WIDEST_M = 10.0
"""Where a wider square would be needed, the survey is too thin to tell."""
_SHORE_M = 2.5
_BEHIND_M = 5.0
_FALLS_M = 0.15
_SEEN = 1.0 / 3.0
"""Of the outline at least so much must be ground: the rest may be the edge of the survey (as for ponds of the grid)."""
_BANKED = 0.75
"""Of the shore so much at least does not fall away behind."""
_BLOCKS = 8
_BLOCK_M = 10.0


@dataclass(frozen=True, eq=False)
class Water:
    classified: Bool
    possible: Bool
    density: float
    """Returns a square metre where the survey has any."""
    assessed: bool
    """Whether the survey is dense enough for empty places to mean anything."""
    weak_from: float
    """Intensity under which a return may be from water; 0 where the survey has no intensities."""


def find_water(cells: Cells, ground: Array, surveyed: Bool, settings: PointSettings) -> Water:
    """Cells of water. ground: (rows, cols), m, NaN where not known; surveyed: cells that the files cover."""
    returns, of_ground, of_water = cells.counts[0], cells.counts[1], cells.counts[2]
    size = cells.size
    classified = of_water > 0
    if classified.any():
        near = ndimage.distance_transform_edt(~classified, sampling=size) <= _JOIN_M
        classified |= near & (returns == of_water) & surveyed
    has = returns > 0
    density = _density(returns, size)
    side_m = max(_LEAST_M, math.sqrt(_EXPECTED / density)) if density else math.inf
    usual = float(np.median(cells.strongest[of_ground > 0])) if of_ground.any() else 0.0
    weak_from = settings.weak * usual
    if side_m > _WIDEST_M:
        return Water(classified, np.zeros(has.shape, bool), density, False, weak_from)
    hard = (cells.counts[3] > 0) | (cells.counts[4] > 0)
    empty = surveyed & ~hard & (~has | (cells.strongest < weak_from))
    side = math.ceil(side_m / size - 1e-9)
    # What lies beyond the survey is as empty as a lake there.
    wide = np.pad(empty, side, constant_values=True)
    wide[side:-side, side:-side] |= ~surveyed
    void = ndimage.binary_opening(wide, np.ones((side, side), bool))[side:-side, side:-side] & empty & ~classified
    label, _ = ndimage.label(void)
    possible = np.zeros(has.shape, bool)
    known = np.where(of_ground > 0, ground, np.nan)
    for number, box in enumerate(ndimage.find_objects(label), 1):
        if box is None:
            continue
        pad = math.ceil((_SHORE_M + _BEHIND_M) / size) + 1
        rows, cols = (slice(max(0, at.start - pad), at.stop + pad) for at in box)
        one = label[rows, cols] == number
        if one.sum() * size**2 >= settings.pond_m2 and _is_pond(
            one, known[rows, cols], ground[rows, cols], surveyed[rows, cols], size, settings.level_m
        ):
            possible[rows, cols] |= one
    return Water(classified, possible, density, True, weak_from)


def thin_from() -> float:
    """Returns a square metre under which places without any mean nothing."""
    return _EXPECTED / _WIDEST_M**2


def _density(returns: NDArray[np.uint32], size: float) -> float:
    """Returns a square metre: the median of the blocks that have any, so that neither water nor an edge counts."""
    side = max(1, round(_BLOCK_M / size))
    rows, cols = (-(-n // side) * side for n in returns.shape)
    wide = np.zeros((rows, cols))
    wide[: returns.shape[0], : returns.shape[1]] = returns
    sums = wide.reshape(rows // side, side, cols // side, side).sum(axis=(1, 3))
    return float(np.median(sums[sums > 0.0])) / (side * size) ** 2 if sums.any() else 0.0


def _is_pond(one: Bool, known: Array, ground: Array, surveyed: Bool, size: float, level_m: float) -> bool:
    """Whether an empty place lies level between its shores. known: ground where returns came, m."""
    away = ndimage.distance_transform_edt(~one, sampling=size)
    outline = (away > 0.0) & (away <= 1.5 * size)
    # Cells of the outline beyond the array are missing from it, and so is the side of the place that it cuts.
    cut = one[0].sum() + one[-1].sum() + one[:, 0].sum() + one[:, -1].sum()
    seen = outline & surveyed
    if seen.sum() < _SEEN * (outline.sum() + cut):
        return False
    shore = outline & np.isfinite(known)
    if 2 * shore.sum() < seen.sum():
        shore = (away > 0.0) & (away <= _SHORE_M) & np.isfinite(known)
    i, j = np.nonzero(shore)
    if i.size < 4:
        return False
    block = max(_LEAST_M / size, max(np.ptp(i), np.ptp(j)) / _BLOCKS)
    key = (i // block).astype(np.int64) * 1000 + (j // block).astype(np.int64)
    names, of = np.unique(key, return_inverse=True)
    levels = np.full(names.size, np.inf)
    np.minimum.at(levels, of, known[i, j])
    if names.size < 3 or np.quantile(levels, 0.9) - np.quantile(levels, 0.1) > level_m:
        return False
    inside = known[one & np.isfinite(known)]
    if inside.size and np.quantile(inside, 0.95) - np.quantile(inside, 0.05) > level_m:
        return False
    # Behind its shore the ground does not fall away, but for a dam or two: else it is a gap on a slope.
    behind = (away > _SHORE_M) & (away <= _SHORE_M + _BEHIND_M) & np.isfinite(ground)
    if not behind.any():
        return True
    to = ndimage.distance_transform_edt(~shore, return_distances=False, return_indices=True)
    bi, bj = np.nonzero(behind)
    owner = np.zeros(one.shape, np.int64)
    owner[i, j] = of
    block_of = owner[to[0][bi, bj], to[1][bi, bj]]
    counted = np.bincount(block_of, minlength=names.size)
    mean = np.bincount(block_of, weights=ground[bi, bj], minlength=names.size) / np.maximum(counted, 1)
    asked = counted > 0
    level = float(np.median(levels))
    return float(np.mean(mean[asked] >= level - _FALLS_M)) >= _BANKED
