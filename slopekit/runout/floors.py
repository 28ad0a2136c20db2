"""Floors of deep hollows: ground that may be a pond which the survey did not flatten."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.units import grade

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Floors:
    """Masks (rows, cols)."""

    wet: Bool
    """Floors that nobody has stated to be dry: what gets there may be in water."""
    dry: Bool
    """Floors that lie wholly in ground stated to be dry."""
    pond: Bool
    """Floors with water in them, which is a hazard by itself."""
    soft: Bool
    """Floor cells gentle enough to hold water now and then (common practice, no source: such floors are soft)."""


SOFT_FLOOR_DEG = 5.0
"""Floors no steeper than this are likely to be soft (common practice, no source)."""


def floors_between(least: Bool, most: Bool, limit_grade: Array, water: Bool, dry: Bool) -> tuple[Floors, Floors]:
    """What the floors tell at least and at most. least, most: cells that are floors for certain, and all that may be.

    limit_grade: tangent of the slope. water: given or inferred. dry: ground that the user states to be dry; a statement
    holds for the whole of a floor that the window shows or not at all, and never for one with water in it. A cell that
    is wet, or soft, in the first is so in the second, and what the true floors tell lies between.
    """
    ponds, not_dry = _holding(least, water), _holding(least, ~dry)
    if (least == most).all():
        ponds_most, not_dry_most = ponds, not_dry
    else:
        ponds_most, not_dry_most = _holding(most, water), _holding(most, ~dry)
    gentle = limit_grade <= grade(SOFT_FLOOR_DEG)
    # A wider floor may have water in it that is not in this one, and is less easily dry as a whole.
    pairs = (least, ponds_most & least, not_dry), (most, ponds, not_dry_most)
    first, second = (
        Floors(floor & ~pond & wet, floor & ~pond & ~wet, floor & pond, floor & gentle) for floor, pond, wet in pairs
    )
    return first, second


def _holding(floor: Bool, cells: Bool) -> Bool:
    """The floors, joined over sides and corners, that hold any of the cells."""
    label, count = ndimage.label(floor, np.ones((3, 3)))
    held = np.zeros(count + 1, bool)
    held[label[cells]] = True
    held[0] = False
    return held[label]
