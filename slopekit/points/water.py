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
_EXPECTED = 14.0
"""Returns that a disc of survey should have before it means something that there are none: by chance one in a million
stays empty."""
_LEAST_M = 3.0
"""Narrower places stay empty between scan lines."""
_WIDEST_M = 10.0
"""Where a wider disc would be needed, the survey is too thin to tell."""
_FEW_OF = 60.0
"""Returns that a disc should have before it means something that they are few."""
_FEW = 0.25
"""Part of the usual density up to which returns are few: waves, leaves that float and steep pulses give some. Two
strips that overlap make twice or three times the density of one, so a half or a third means nothing."""
_SHORE_M = 2.5
_BEHIND_M = 5.0
_FALLS_M = 0.15
_DAM_M = 0.3
"""A crest so much over the water behind its shore holds it, though the ground falls away beyond."""
_SEEN = 1.0 / 3.0
"""Of the outline at least so much must be ground: the rest may be the edge of the survey (as for ponds of the grid)."""
_LOW = 1.0 / 3.0
"""Of the shore so much at least lies at the water's level. The rest may be higher: walls, quays, steep banks."""
_BANKED = 0.75
"""Of the low shore so much at least does not fall away behind."""
_OUTLINE = 6
"""Cells of shore that tell a level."""
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
    seen: Bool
    """Cells with returns, or with some so near that a gap in them means nothing, and those of water. Of the others the
    survey tells nothing."""


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
    usual = float(np.median(cells.strongest[of_ground > 0])) if of_ground.any() else 0.0
    weak_from = settings.weak * usual
    disc_m = max(_LEAST_M, _across(_EXPECTED, density))
    assessed = disc_m <= _WIDEST_M
    possible = np.zeros(has.shape, bool)
    if assessed:
        hard = (cells.counts[3] > 0) | (cells.counts[4] > 0)
        open_to = surveyed & ~hard & ~classified
        weak = cells.strongest < weak_from
        known = np.where(of_ground > 0, ground, np.nan)
        empty = _empty(~has | weak, surveyed, disc_m, size) & open_to
        few = _few(np.where(weak, 0, returns), surveyed, density, size) & open_to
        for places in (empty, few):
            possible |= _ponds(places, known, ground, surveyed, size, settings)
    # As wide as the ground is carried over a gap, or as an empty disc may be by chance.
    reach = 0.5 * max(settings.gap_m, _LEAST_M, _across(_EXPECTED, density))
    seen = ndimage.distance_transform_edt(~has, sampling=size) <= reach if has.any() else has
    return Water(classified, possible, density, assessed, weak_from, cells.used & (seen | classified | possible))


def _across(count: float, density: float) -> float:
    """Diameter (m) of the disc in which so many returns are to be expected."""
    return 2.0 * math.sqrt(count / (math.pi * density)) if density else math.inf


def _odd(across_m: float, size: float) -> int:
    """The least odd number of cells that are so wide."""
    return 2 * math.ceil(0.5 * (across_m / size - 1.0) - 1e-9) + 1


def _disc(across_m: float, size: float) -> Bool:
    """Cells of a disc about so wide, so that little hangs on how the grid is turned."""
    n = math.ceil(across_m / size - 1e-9)
    at = np.arange(n) - 0.5 * (n - 1)
    return np.asarray(np.hypot(at[:, None], at[None, :]) <= 0.5 * n - 0.25, dtype=bool)


def _empty(places: Bool, surveyed: Bool, disc_m: float, size: float) -> Bool:
    """Those cells of places without returns that an empty disc covers. What lies beyond the survey is as empty as a
    lake there."""
    disc = _disc(disc_m, size)
    pad = len(disc)
    wide = np.pad(places | ~surveyed, pad, constant_values=True)
    return np.asarray(ndimage.binary_opening(wide, disc)[pad:-pad, pad:-pad], dtype=bool)


def _few(returns: NDArray[np.uint32], surveyed: Bool, density: float, size: float) -> Bool:
    """Cells of discs in which far fewer returns lie than elsewhere."""
    disc_m = max(_LEAST_M, _across(_FEW_OF, density))
    if disc_m > _WIDEST_M:
        return np.zeros(returns.shape, bool)
    # It needs a cell in the middle.
    disc = _disc(_odd(disc_m, size) * size, size)
    pad = len(disc)
    # What lies beyond the survey tells nothing here.
    held = ndimage.convolve(np.pad(np.where(surveyed, returns, 0), pad).astype(np.float64), disc.astype(np.float64))
    of = ndimage.convolve(np.pad(surveyed, pad).astype(np.float64), disc.astype(np.float64))
    least = _FEW * density * size**2
    thin = (of >= 0.9 * disc.sum()) & (held <= least * of)
    # Of the disc that reaches over a shore, the cells of the shore are none of the water.
    own = ndimage.uniform_filter(np.pad(returns, pad).astype(np.float64), 3, mode="constant")
    wide = ndimage.binary_dilation(thin, disc)
    return np.asarray((wide & (own <= 2.0 * least))[pad:-pad, pad:-pad], dtype=bool)


def _ponds(places: Bool, known: Array, ground: Array, surveyed: Bool, size: float, settings: PointSettings) -> Bool:
    """Of some places those that lie as level as a pond."""
    label, _ = ndimage.label(places)
    out = np.zeros(places.shape, bool)
    pad = math.ceil((_SHORE_M + _BEHIND_M) / size) + 1
    for number, box in enumerate(ndimage.find_objects(label), 1):
        if box is None:
            continue
        rows, cols = (slice(max(0, at.start - pad), at.stop + pad) for at in box)
        one = label[rows, cols] == number
        if one.sum() * size**2 >= settings.pond_m2 and _is_pond(
            one, known[rows, cols], ground[rows, cols], surveyed[rows, cols], size, settings.level_m
        ):
            out[rows, cols] |= one
    return out


def thin_from() -> float:
    """Returns a square metre under which places without any mean nothing."""
    return 4.0 * _EXPECTED / (math.pi * _WIDEST_M**2)


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
    if i.size < _OUTLINE:
        return False
    near = _odd(2.0 * _SHORE_M, size)
    levels = ndimage.minimum_filter(np.where(shore, known, np.inf), near, mode="nearest")[i, j]
    low = levels <= np.quantile(levels, 0.1) + level_m
    if low.mean() < _LOW:
        return False
    level = float(np.median(levels[low]))
    inside = known[one & np.isfinite(known)]
    if inside.size and np.quantile(inside, 0.95) - np.quantile(inside, 0.05) > level_m:
        return False
    # Behind its low shore the ground does not fall away, but for dams and a part of it: else it is a gap on a slope.
    around = (away > 0.0) & (away <= _SHORE_M + _BEHIND_M) & np.isfinite(ground)
    held = ndimage.maximum_filter(np.where(around, ground, -np.inf), _odd(2.0 * _BEHIND_M, size), mode="nearest")
    to = ndimage.distance_transform_edt(~shore, return_distances=False, return_indices=True)
    is_low = np.zeros(one.shape, bool)
    is_low[i, j] = low
    asked = around & (away > _SHORE_M) & is_low[to[0], to[1]]
    if not asked.any():
        return True
    banked = (ground >= level - _FALLS_M) | (held >= level + _DAM_M)
    return float(banked[asked].mean()) >= _BANKED
