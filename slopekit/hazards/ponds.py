"""Possible water: ponds and lakes that the survey did not flatten, found by their level surface inside a bank."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.hazards.lakes import SEEN, level_sheets
from slopekit.hazards.settings import HazardSettings
from slopekit.kernels.ponds import BODY, CUT, MISSING, NEAR, LevelRule, Millimetres, level_bodies, median

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

RULE = LevelRule(
    least_area=100.0,
    piece_area=25.0,  # less of a pond at the border of a window is far from all that the window is read for
    step=10,
    levels=40,  # 0.4 m holds noise, bank and a hole of a few cells in the surface
    bank=8,  # higher than the noise of a surface, and low enough for a pond that is nearly full
    bank_grade=0.05,  # a dished lawn rises by less where it has risen by the noise of a pond
    piece_grade=0.03,  # the shore that is seen may be the gentle side
    depth=60.0,  # twice a standard deviation of 30 mm, so that the level lies above nearly all of the noise
    roughness=45.0,  # noise of 30 mm, and the foot of the bank up to the level
    tilt=40.0,  # a fall of 1 % is more than this over 4 m
    tilt_ratio=3.0,  # noise that is correlated over 2 m tilts small ponds by nearly as much
    seen=SEEN,
)


def possible_water(z: Array, dx: float, dy: float, settings: HazardSettings) -> tuple[Bool, Bool]:
    """Ground that looks like a pond whose surface carries a few centimetres of noise.

    z: (rows, cols), m, NaN where missing; dx, dy: cell sides, m. A body is a 4-connected set of cells up to a level,
    over `flat_area_m2`, the lowest ground around, with no gradient of its own, smooth, and closed: all around it the
    ground rises, at 5 % or more on average along the shore. Voids within it join it, and others count as rising where
    a third of the outline is seen to. Ponds narrower than about three cells are not found, nor ones with a shore
    that is gentler. Larger ones may be rougher, and need not close: see `level_sheets`.

    Returns (bodies, open), both (rows, cols): the bodies, and those among them that the array's border cuts, or pieces
    of ones: more ground may show otherwise. The rule is this project's own; no published one is known for it.
    """
    missing = np.isnan(z)
    inner = (slice(1, -1), slice(1, -1))
    ground = np.full((z.shape[0] + 2, z.shape[1] + 2), MISSING)
    ground[inner] = np.where(missing, float(MISSING), np.rint(1000.0 * z))
    surface = median(ground)
    if missing.any():
        _fill_voids(surface, np.pad(missing, 1))
    mark = level_bodies(surface, ground, dx, dy, RULE._replace(least_area=settings.flat_area_m2))[inner]
    sheets, open_sheets = (a[inner] for a in level_sheets(surface, ground, dx, dy))
    within = _mostly_in(sheets, (mark & (BODY | CUT)) == BODY)
    sheets, open_sheets = sheets & ~within, open_sheets & ~within
    # Peaks of noise within a body stand less than a bank above it.
    bodies = _join(sheets | ((mark & BODY) != 0), missing | ((mark & NEAR) != 0))
    cut = open_sheets | ((mark & CUT) != 0)
    if not cut.any():
        return bodies, np.zeros(z.shape, bool)
    label, count = ndimage.label(bodies)
    is_open = np.zeros(count + 1, bool)
    is_open[label[cut]] = True
    return bodies, is_open[label]


def join_voids(bodies: Bool, z: Array) -> Bool:
    """The bodies of water, and the voids wholly within one: the laser gets no return from deep still water.

    bodies: (rows, cols). z: the ground, m, NaN where missing. A void is a 4-connected hole of missing cells. One that
    touches the array's border or any cell outside the bodies does not join.
    """
    return _join(bodies, np.isnan(z))


def _join(bodies: Bool, may_join: Bool) -> Bool:
    if not bodies.any():
        return bodies.copy()
    hole, count = ndimage.label(np.pad(may_join & ~bodies, 1))
    held = np.pad(bodies, 1) | (hole != 0)
    at = np.flatnonzero(hole)
    whole = np.ones(count + 1, bool)
    whole[0] = False
    for step in (-1, 1, -hole.shape[1], hole.shape[1]):
        whole[hole.flat[at[~held.flat[at + step]]]] = False
    return bodies | whole[hole][1:-1, 1:-1]


def _mostly_in(sheets: Bool, bodies: Bool) -> Bool:
    """The sheets of which nine tenths lie in bodies that are closed: those are known, however far the array goes on."""
    if not (sheets & bodies).any():
        return np.zeros(sheets.shape, bool)
    label, _ = ndimage.label(sheets)
    inside = np.bincount(label[bodies], minlength=label.max() + 1) >= 0.9 * np.bincount(label.ravel())
    inside[0] = False
    return inside[label]


def _fill_voids(surface: Millimetres, missing: Bool) -> None:
    """Lift each void to the highest cell around it, so that it joins a body just when the body holds all of those.

    The outermost ring of both is no ground: a void beside it stays MISSING.
    """
    hole, count = ndimage.label(missing)
    at = np.flatnonzero(missing)
    rim = np.full(count + 1, np.iinfo(np.int32).min, np.int32)
    for step in (-1, 1, -hole.shape[1], hole.shape[1]):
        beside = at[~missing.flat[at + step]]
        np.maximum.at(rim, hole.flat[beside], surface.flat[beside + step])
    surface.flat[at] = rim[hole.flat[at]]
