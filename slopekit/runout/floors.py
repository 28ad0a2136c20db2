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

    @property
    def refusing(self) -> Bool:
        """Floors that may hold water where none is known. Where some is known, the rest of the floor is no drier."""
        return self.wet | self.pond


SOFT_FLOOR_DEG = 5.0
"""Floors no steeper than this are likely to be soft (common practice, no source)."""


def floors_of(floor: Bool, limit_grade: Array, water: Bool, dry: Bool) -> Floors:
    """What the floors of deep hollows (cells) tell.

    limit_grade: tangent of the slope. water: given or inferred. dry: ground that the user states to be dry; a statement
    holds for the whole of a floor that the window shows or not at all, and never for one with water in it. So of two
    masks the one that holds the other refuses all that the other does, and is soft where the other is.
    """
    pond, not_dry = _holding(floor, water), _holding(floor, ~dry)
    wet = ~pond & not_dry
    return Floors(wet, floor & ~pond & ~wet, pond, floor & (limit_grade <= grade(SOFT_FLOOR_DEG)))


def _holding(floor: Bool, cells: Bool) -> Bool:
    """The floors, joined over sides and corners, that hold any of the cells."""
    label, count = ndimage.label(floor, np.ones((3, 3)))
    held = np.zeros(count + 1, bool)
    held[label[cells]] = True
    held[0] = False
    return held[label]
