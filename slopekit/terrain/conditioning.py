"""The surface that paths are traced on: shallow hollows filled, deep ones kept."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels import flood
from slopekit.kernels.order import ascending
from slopekit.kernels.patches import with_neighbours
from slopekit.terrain.settings import TerrainSettings

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Hollows:
    """Hollows of the bare ground, whatever lies in them. All arrays are (rows, cols)."""

    filled: Array
    """Surface without any hollow, m: its difference to the ground is the depth below the spill level."""
    bottoms: Bool
    """The lowest cells of deep, large hollows."""
    sill: Array
    """On these the level where the hollow spills or meets a deeper one, m; NaN elsewhere."""
    cut: Bool
    """Cells whose hollow spills over the window's border: a wider window may show otherwise."""
    outlet: NDArray[np.int32]
    """For cells that drain over the window's border, the flat index of the border cell; -1 for others."""
    beside_missing: Bool
    """Cells with a missing neighbour, and missing cells."""
    order: NDArray[np.int32]
    """Flat indices of the cells, ascending in elevation."""


def find_hollows(z: Array, cell_m2: float, settings: TerrainSettings) -> Hollows:
    """Fill every hollow of `z` (see `kernels.flood`) and find the deep, large ones.

    Cells beside missing ones and the window's border let water out. A hollow deeper than `shallow_depth_m` and larger
    than `shallow_area_m2` is deep and large; the shallow ones inside it are looked at for themselves.
    """
    missing = np.isnan(z)
    beside = with_neighbours(missing) if missing.any() else missing
    order = ascending(z)
    filled, cut, outlet = flood.fill(z, _outlets(beside), order)
    bottoms, sill = np.zeros(z.shape, bool), np.full(z.shape, np.nan)
    if np.nanmax(filled - z, initial=0.0) > settings.shallow_depth_m:
        least = settings.shallow_area_m2 / cell_m2
        mark, sill = flood.deep_bottoms(z, filled, order, settings.shallow_depth_m, least)
        bottoms = mark != 0
    return Hollows(filled, bottoms, sill, cut != 0, outlet, beside, order)


def condition(z: Array, hollows: Hollows, ends: Bool) -> Array:
    """The surface (rows, cols) with every hollow filled that holds none of the `ends`.

    ends: cells where paths end: water, drops, the bottoms of hollows that stay.
    """
    raised = hollows.filled > z
    if not (ends & raised).any():
        return hollows.filled
    # Only raised cells can change, and the rim round them holds the level.
    part = with_neighbours(raised)
    seed = _outlets(hollows.beside_missing)
    seed[(part & ~raised & (seed == 0)) | ends] = flood.SEED
    inner, _, _ = flood.fill(np.where(part, z, np.nan), seed, hollows.order[part.ravel()[hollows.order]])
    return np.where(part, inner, hollows.filled)


def _outlets(beside_missing: Bool) -> NDArray[np.uint8]:
    seed = np.zeros(beside_missing.shape, np.uint8)
    seed[[0, -1]] = flood.CUT
    seed[:, [0, -1]] = flood.CUT
    seed[beside_missing] = flood.SEED
    return seed
