"""The surface that water runs down on: shallow hollows filled, deep ones kept."""

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels import flood
from slopekit.kernels.depressions import depressions
from slopekit.kernels.hollows import lowest_of
from slopekit.kernels.order import ascending
from slopekit.kernels.patches import with_neighbours
from slopekit.terrain.settings import TerrainSettings

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


def conditioned(z: Array, cell_m2: float, settings: TerrainSettings) -> tuple[Array, Bool]:
    """The surface (rows, cols) with every hollow filled in which no deep one lies, and where such filling
    hangs on the window, since the hollow spills over its border.

    z: m, NaN where missing. Cells beside missing ones and the window's border let water out. A hollow deeper than
    `shallow_depth_m` and larger than `shallow_area_m2` is deep; water stays in its lowest cells.
    """
    missing = np.isnan(z)
    seed = np.zeros(z.shape, np.uint8)
    seed[[0, -1]] = flood.CUT
    seed[:, [0, -1]] = flood.CUT
    if missing.any():
        seed[with_neighbours(missing)] = flood.SEED
    order = ascending(z)
    filled, cut = flood.fill(z, seed, order)
    if np.nanmax(filled - z, initial=0.0) > settings.shallow_depth_m:
        tree = depressions(z)
        lowest = lowest_of(tree, settings.shallow_depth_m, settings.shallow_area_m2 / cell_m2)
        # All cells that tie for the lowest, so that it does not matter how the grid lies.
        level = np.where(lowest.deep, tree.pit_z, np.nan)
        deep = (tree.inner >= 0) & (z == level[tree.inner])
        if deep.any():
            seed[deep] = flood.SEED
            filled, _ = flood.fill(z, seed, order)
    return filled, cut != 0
