"""Floors of deep hollows: ground that may be a pond which the survey did not flatten."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels import patches
from slopekit.runout.settings import RunoutSettings
from slopekit.terrain.conditioning import find_hollows
from slopekit.terrain.settings import TerrainSettings
from slopekit.units import grade

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Floors:
    """Masks (rows, cols). No floor is a landing but a dry one."""

    wet: Bool
    """Floors that nobody has stated to be dry: paths end here."""
    dry: Bool
    """Floors that lie wholly in ground stated to be dry."""
    pond: Bool
    """Floors with water in them: paths go on into the water."""
    soft: Bool
    """Floor cells gentle enough to hold water now and then (common practice, no source: such floors are soft)."""


SOFT_FLOOR_DEG = 5.0
"""Floors no steeper than this are likely to be soft (common practice, no source)."""


def find_floors(
    z: Array,
    limit_grade: Array,
    water: Bool,
    dry: Bool,
    cell_m2: float,
    terrain: TerrainSettings,
    runout: RunoutSettings,
) -> Floors:
    """Floors of the deep hollows: cells joined to a lowest one, within `floor_depth_m` of it and below the spill level.

    water: given or inferred. dry: ground that the user states to be dry; a statement holds for the whole floor or not
    at all, and never for one with water in it.
    """
    hollows = find_hollows(z, cell_m2, terrain)
    if not hollows.bottoms.any():
        none = np.zeros(z.shape, bool)
        return Floors(none, none, none, none)
    label = patches.floors(z, hollows.sill, runout.floor_depth_m)
    count = int(label.max()) + 1
    with_water = np.bincount(label[water], minlength=count) > 0
    not_dry = np.bincount(label[~dry], minlength=count) > 0
    floor = label > 0
    pond = floor & with_water[label]
    wet = floor & ~pond & not_dry[label]
    return Floors(wet, floor & ~pond & ~wet, pond, floor & (limit_grade <= grade(SOFT_FLOOR_DEG)))
