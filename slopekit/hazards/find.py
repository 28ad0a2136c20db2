"""Water, drops, other hazards and the stand-off from them, on the working grid of one window."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.grid import Grid
from slopekit.hazards.edges import smeared_edges
from slopekit.hazards.settings import HazardSettings
from slopekit.kernels import patches, steps
from slopekit.sources.layers import Layers
from slopekit.sources.raster import burn, burn_layer
from slopekit.units import grade

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

# A user's line shows its crest side where the ground beside it differs by this much (m): about three times the
# vertical error of a common lidar survey, so that noise does not choose the side.
_SIDE_SHOWN_M = 0.3
_FAR_M = 1e6  # beyond any elevation


@dataclass(frozen=True)
class Hazards:
    """Masks (rows, cols) on the working grid."""

    water: Bool
    """Given or inferred."""
    inferred: Bool
    """Water inferred from flat cells and not given."""
    drop: Bool
    """Edge and face of drops; not their foot."""
    crest: Bool
    """The upper edge of drops."""
    drawn: Bool
    """Cells of the user's wall and edge lines that count as drop."""
    height: Array
    """On crest cells, fall of the drop (m); NaN elsewhere."""
    other: Bool
    """Roads, railways and other hazards of the user's."""
    stand_off: Bool
    """Within the stand-off distance, on the crest side."""
    open_flats: Bool
    """Flat bodies that touch the window's border and may be water in a wider one."""


def find_hazards(
    z_native: Array, grid_native: Grid, z: Array, grid: Grid, ask_flats: bool, layers: Layers, settings: HazardSettings
) -> Hazards:
    """All hazards of one window.

    z_native: (rows, cols) on grid_native: drops and flat cells are looked for at this resolution. z on grid: the
    working cells. ask_flats: whether the survey's vertical step is fine enough for flat cells to mean water.
    """
    block = grid_native.height // grid.height
    given = burn_layer(layers.water, grid, all_touched=True)
    inferred = open_flats = np.zeros(grid.shape, bool)
    if ask_flats:
        bodies, unsure = steps.flat_bodies(z_native, settings.flat_area_m2 / grid_native.cell_m2)
        inferred, open_flats = _any(bodies, block) & ~given, _any(unsure, block)
    fall, above = steps.drop_runs(
        z_native, grid_native.dx, grid_native.dy, grade(settings.drop_grade_deg), settings.drop_height_m
    )
    smeared_fall, smeared_above = smeared_edges(z_native, grid_native.dx, grid_native.dy, settings)
    fall, above = np.fmax(fall, smeared_fall), np.fmax(above, smeared_above)
    edge = fall > 0.0
    top = edge & (above == 0.0)
    crest = _any(top, block)
    # Half way down the lowest drop in the cell: what lies lower than that is on the foot side.
    middle = _lowest(np.where(top, z_native - 0.5 * fall, np.inf), block)
    height = -_lowest(np.where(top, -fall, np.inf), block)
    drawn, drawn_middle, drawn_height = _lines(layers, z, grid)
    height = np.fmax(np.where(crest, height, np.nan), drawn_height)
    stand_off = patches.near_edges(z, crest, middle, grid.dx, grid.dy, settings.stand_off_m)
    stand_off |= patches.near_edges(z, drawn, drawn_middle, grid.dx, grid.dy, settings.stand_off_m)
    if inferred.any():
        no_side = np.full(grid.shape, -np.inf)
        stand_off |= patches.near_edges(z, inferred, no_side, grid.dx, grid.dy, settings.stand_off_m)
    stand_off |= given
    if layers.water is not None:
        near = [g.buffer(settings.stand_off_m / grid.metres_per_unit) for g, _ in layers.water.within(grid.bounds)]
        stand_off |= burn(near, grid, all_touched=True)
    return Hazards(
        water=given | inferred,
        inferred=inferred,
        drop=_any(edge, block) | drawn,
        crest=crest | drawn,
        drawn=drawn,
        height=height,
        other=burn_layer(layers.hazards, grid, all_touched=True),
        stand_off=stand_off,
        open_flats=open_flats,
    )


def _any(mask: Bool, block: int) -> Bool:
    if block == 1:
        return mask
    rows, cols = mask.shape
    return np.logical_or.reduce(mask.reshape(rows // block, block, cols // block, block), axis=(1, 3))


def _lowest(values: Array, block: int) -> Array:
    if block == 1:
        return values
    rows, cols = values.shape
    return values.reshape(rows // block, block, cols // block, block).min(axis=(1, 3))


def _lines(layers: Layers, z: Array, grid: Grid) -> tuple[Bool, Array, Array]:
    """Cells of the user's wall and edge lines that count as drop, the elevation half way down, the height (m).

    Where the ground shows which side is up, only upper cells next to lower ones count, so that the foot stays free.
    Where it does not, the line counts on both sides.
    """
    line = burn_layer(layers.walls, grid, all_touched=True)
    nothing = np.full(grid.shape, np.nan)
    if not line.any():
        return line, nothing, nothing
    # Missing ground must not hide the line's side, nor choose it.
    missing = np.isnan(z)
    high = ndimage.maximum_filter(np.where(missing, -_FAR_M, z), 3)
    low = ndimage.minimum_filter(np.where(missing, _FAR_M, z), 3)
    shown = line & (high - low >= _SIDE_SHOWN_M)
    hidden = line & ~shown
    band = patches.with_neighbours(line)
    middle = ndimage.minimum_filter(np.where(shown, 0.5 * (high + low), np.inf), 3)
    upper = band & (z >= middle)
    lower = band & (z < middle)
    drop = (upper & patches.with_neighbours(lower)) | hidden
    height = np.where(drop, ndimage.maximum_filter(np.where(shown, high - low, -np.inf), 3), -np.inf)
    return drop, np.where(hidden, -np.inf, middle), np.where(np.isfinite(height), height, np.nan)
