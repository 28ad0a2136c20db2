"""Drops piece by piece: how long each is along its crest, and which are too short to count for the ground above."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.kernels.patches import with_neighbours

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Ints = NDArray[np.int32]

APART_M = 3.0
"""Pieces of crest no farther apart than this are one (common practice, no source)."""


@dataclass(frozen=True)
class Pieces:
    """Crests by piece."""

    label: Ints
    """(rows, cols): number of the piece from 1 on, 0 off the crests."""
    length_m: Array
    """By number, 0 unused: from end to end on the map."""
    whole: Bool
    """By number: neither missing ground nor the border of what was read may cut it."""


def pieces_of(crest: Bool, missing: Bool, dx: float, dy: float) -> Pieces:
    """The pieces of the crests of a window. crest, missing: (rows, cols). dx, dy: cell sides, m."""
    if not crest.any():
        return Pieces(np.zeros(crest.shape, np.int32), np.zeros(1), np.ones(1, bool))
    up, right = int(0.5 * APART_M / dy), int(0.5 * APART_M / dx)
    i, j = np.mgrid[-up : up + 1, -right : right + 1]
    near = ndimage.binary_dilation(crest, np.hypot(i * dy, j * dx) <= 0.5 * APART_M)
    label, count = ndimage.label(near, np.ones((3, 3)))
    label = np.where(crest, label, 0).astype(np.int32)
    lengths = np.zeros(count + 1)
    for number, box in enumerate(ndimage.find_objects(label), 1):
        rows, cols = (span.stop - span.start - 1 for span in box)
        # The cells at both ends count in full.
        lengths[number] = math.hypot(rows * dy, cols * dx) + 0.5 * (dx + dy)
    edge = with_neighbours(missing) if missing.any() else missing.copy()
    edge[[0, -1]] = True
    edge[:, [0, -1]] = True
    whole = np.ones(count + 1, bool)
    whole[label[edge]] = False
    whole[0] = True
    return Pieces(label, lengths, whole)


def short_drops(drop: Ints, crest: Bool, pieces: Pieces, least_m: float) -> Bool:
    """Cells of the drops all of whose crests are pieces shorter than `least_m`, and whole.

    drop: (rows, cols), number of the drop that a cell of its edge or face belongs to, 0 elsewhere. A boulder, a stump
    or a shrub left in the survey is as short (common practice, no source).
    """
    short = (pieces.length_m < least_m) & pieces.whole
    counts = np.zeros(int(drop.max(initial=0)) + 1, bool)
    counts[drop[crest & ~short[pieces.label]]] = True
    with_crest = np.zeros_like(counts)
    with_crest[drop[crest]] = True
    return (drop > 0) & (with_crest & ~counts)[drop]
