"""Drops piece by piece: how long each is along its crest, and which are too short to count for the ground above."""

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from scipy.sparse import coo_array, csgraph
from scipy.spatial import cKDTree

from slopekit.hazards.bodies import Bodies
from slopekit.kernels.patches import with_neighbours

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Ints = NDArray[np.int32]

APART_M = 3.0
"""Pieces of crest with gaps no wider than this are one (common practice, no source)."""


@dataclass(frozen=True)
class Pieces:
    """Crests by piece."""

    label: Ints
    """(rows, cols): number of the piece from 1 on, 0 off the crests."""
    length_m: Array
    """By number, 0 unused: between its farthest two cells on the map, both in full."""
    height_m: Array
    """By number: its greatest fall. A piece lower than a whole step has that of the nearest one."""
    beside_missing: Bool
    """By number: it touches ground without elevation, behind which it may go on."""
    cut: Bool
    """By number: in a wider window it may be longer."""


def pieces_of(
    crest: Bool, height: Array, missing: Bool, dx: float, dy: float, near_m: float, least_height_m: float
) -> Pieces:
    """The pieces of the crests of a window. crest, missing, height (m): (rows, cols). dx, dy: cell sides, m.

    near_m: how far ground can lie from a cell and tell whether it is a crest. So a piece lower than `least_height_m` is
    a part of the wall whose whole step lies within that distance, and the border may cut what lies within it.
    """
    label, count = _joined(crest, dx, dy)
    rows, cols = np.nonzero(label)
    own = label[rows, cols]
    beside, cut = np.zeros(count + 1, bool), np.zeros(count + 1, bool)
    beside[own[with_neighbours(missing)[rows, cols]]] = True
    for at, side, cell in ((rows, label.shape[0], dy), (cols, label.shape[1], dx)):
        cut[own[np.minimum(at, side - 1 - at) * cell <= near_m + APART_M]] = True
    heights = np.zeros(count + 1)
    np.fmax.at(heights, own, height[rows, cols])
    places = np.column_stack([cols * dx, rows * dy])
    lengths = _lengths(own, places, count) + 0.5 * (dx + dy)
    heights = _of_walls(own, places, height[rows, cols], heights, near_m, least_height_m)
    return Pieces(label, lengths, heights, beside, cut)


def short_drops(drops: Bodies, crest: Bool, pieces: Pieces, least_m: float) -> tuple[Bool, Bool]:
    """Cells of the drops all of whose crests are pieces shorter than `least_m`: those that surely are, and those that a
    wider window may show to be longer. Each (rows, cols).

    A drop beside missing ground is not short. A boulder, a stump or a shrub left in the survey is (common practice, no
    source).
    """
    drop = drops.label
    count = int(drop.max(initial=0)) + 1
    long = (pieces.length_m >= least_m) | pieces.beside_missing
    short, cut = np.zeros(count, bool), np.zeros(count, bool)
    short[drop[crest]] = True
    short[drop[crest & long[pieces.label]]] = False
    short[0] = False
    cut[drop[crest & pieces.cut[pieces.label]]] = True
    cut[[n for n in np.flatnonzero(short).tolist() if drops.cut(n)]] = True
    return (short & ~cut)[drop], (short & cut)[drop]


def _joined(crest: Bool, dx: float, dy: float) -> tuple[Ints, int]:
    """The crests (rows, cols) numbered from 1 on, with the same number where gaps are no wider than `APART_M`; and how
    many there are."""
    touching, count = ndimage.label(crest, np.ones((3, 3)))
    rows, cols = np.nonzero(touching)
    own = touching[rows, cols]
    up, right = int(APART_M / dy) + 1, int(APART_M / dx) + 1
    wide = np.pad(touching, ((up, up), (right, right)))
    pairs = [np.zeros((2, 0), np.int32)]
    for i in range(up + 1):
        for j in range(-right, right + 1):
            if math.hypot(max(i - 1, 0) * dy, max(abs(j) - 1, 0) * dx) > APART_M:
                continue
            other = wide[rows + up + i, cols + right + j]
            met = (other > 0) & (other != own)
            pairs.append(np.unique(np.stack([own[met], other[met]]), axis=1))
    one, two = np.concatenate(pairs, axis=1)
    links = coo_array((np.ones(one.size, bool), (one, two)), (count + 1, count + 1))
    count, piece = csgraph.connected_components(links, directed=False)
    # What is no crest touches nothing, so it keeps number 0.
    return piece.astype(np.int32)[touching], count - 1


def _lengths(own: Ints, places: Array, count: int) -> Array:
    """By number, the distance between the farthest two points of each piece. own: (points,), the piece of each; places:
    (points, 2)."""
    order = np.argsort(own, kind="stable")
    hulls = shapely.convex_hull(shapely.multipoints(places[order], indices=own[order] - 1)) if own.size else []
    out = np.zeros(count + 1)
    for number, hull in enumerate(hulls, 1):
        corners = shapely.get_coordinates(hull)
        out[number] = np.hypot(*(corners[:, None] - corners).T).max()
    return out


def _of_walls(own: Ints, places: Array, falls: Array, heights: Array, near_m: float, least_m: float) -> Array:
    """The heights by number, low pieces having that of the nearest whole step; the higher one of two as near.

    falls: (points,), m, NaN where not known. heights: the greatest of each piece.
    """
    whole, low = falls >= least_m, heights[own] < least_m
    if not whole.any() or not low.any():
        return heights
    out = heights.copy()
    tree, found = cKDTree(places[whole]), falls[whole]
    nearest, _ = tree.query(places[low], distance_upper_bound=near_m)
    least = np.full(heights.size, np.inf)
    np.minimum.at(least, own[low], nearest)
    for place, piece, distance in zip(places[low], own[low].tolist(), nearest.tolist(), strict=True):
        if distance == least[piece] < np.inf:
            out[piece] = max(out[piece], found[tree.query_ball_point(place, distance * (1.0 + 1e-9))].max())
    return out
