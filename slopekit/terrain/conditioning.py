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
class Conditioned:
    """All arrays are (rows, cols)."""

    w: Array
    """Surface without shallow hollows, m."""
    filled: Array
    """Surface without any hollow, m: its difference to the ground is the depth below the spill level."""
    bottoms: NDArray[np.uint8]
    """Nonzero at the lowest cells of the hollows that stay."""
    cut: Bool
    """Cells raised because their hollow spills over the window's border: a wider window may show otherwise."""
    beside_missing: Bool
    """Cells with a missing neighbour, and missing cells."""


def condition(z: Array, ends: Bool, cell_m2: float, settings: TerrainSettings) -> Conditioned:
    """Fill shallow hollows of `z` with a tiny gradient (see `kernels.flood`).

    ends: cells of water and drops, where paths end. They, the cells beside missing ones and the window's border let
    water out. A hollow deeper than `shallow_depth_m` and larger than `shallow_area_m2` stays, with the shallow ones
    inside it filled.
    """
    missing = np.isnan(z)
    beside = missing
    if missing.any():
        beside = with_neighbours(missing)
    seed = np.zeros(z.shape, np.uint8)
    seed[[0, -1]] = flood.CUT
    seed[:, [0, -1]] = flood.CUT
    seed[beside | ends] = flood.SEED
    order = ascending(z)
    filled, cut = flood.fill(z, seed, order)
    w = filled
    bottoms = np.zeros(z.shape, np.uint8)
    if np.nanmax(filled - z, initial=0.0) > settings.shallow_depth_m:
        bottoms = flood.deep_bottoms(z, filled, order, settings.shallow_depth_m, settings.shallow_area_m2 / cell_m2)
        if bottoms.any():
            seed[bottoms != 0] = flood.SEED
            w, cut = _fill_again(z, seed, order, filled)
    return Conditioned(w, filled, bottoms, cut != 0, beside)


def _fill_again(
    z: Array, seed: NDArray[np.uint8], order: NDArray[np.int32], filled: Array
) -> tuple[Array, NDArray[np.uint8]]:
    """`flood.fill` with more seeds inside hollows: only cells that were raised can change, and the rim holds them."""
    raised = filled > z
    part = with_neighbours(raised)
    rim = part & ~raised & (seed == 0)
    inner, cut = flood.fill(np.where(part, z, np.nan), np.where(rim, flood.SEED, seed), order[part.ravel()[order]])
    return np.where(part, inner, filled), cut
