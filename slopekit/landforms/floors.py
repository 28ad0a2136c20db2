"""Floors of deep hollows: ground that may be a pond which the survey did not flatten."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels import patches

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Floors:
    """Masks (rows, cols)."""

    wet: Bool
    """Floors that nobody has stated to be dry."""
    dry: Bool
    """Floors that lie wholly in ground stated to be dry."""
    soft: Bool
    """Floor cells gentle enough to hold water now and then (common practice, no source: such floors are soft)."""


def find_floors(
    z: Array,
    filled: Array,
    bottoms: NDArray[np.uint8],
    limit_grade: Array,
    dry: Bool,
    depth_m: float,
    gentle_grade: float,
) -> Floors:
    """Floors of the hollows whose lowest cells are `bottoms`.

    dry: ground that the user states to be dry. A statement holds for the whole floor or not at all.
    """
    if not bottoms.any():
        none = np.zeros(z.shape, bool)
        return Floors(none, none, none)
    label = patches.floors(z, filled, bottoms, depth_m)
    open_floor = np.bincount(label[~dry], minlength=label.max() + 1) > 0
    floor = label > 0
    wet = floor & open_floor[label]
    return Floors(wet, floor & ~wet, floor & (limit_grade <= gentle_grade))
