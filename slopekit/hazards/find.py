"""Water, drops, other hazards and the stand-off from them, on the working grid of one window."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.grid import Grid
from slopekit.hazards.bodies import Bodies, Place, said_of
from slopekit.hazards.edges import FULL, context_m, smeared_edges
from slopekit.hazards.given import GivenHazards
from slopekit.hazards.lakes import rim_cells
from slopekit.hazards.pieces import Pieces, pieces_of, short_drops
from slopekit.hazards.ponds import join_voids, possible_water
from slopekit.hazards.settings import HazardSettings
from slopekit.kernels import patches, steps
from slopekit.schema.corrections import Correction
from slopekit.units import grade

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

# A user's line shows its crest side where the ground beside it differs by this much (m): three times the
# vertical error of lidar of quality level 2 (Lidar Base Specification, from memory), so that noise does not choose.
_SIDE_SHOWN_M = 0.3
_FAR_M = 1e6  # beyond any elevation


@dataclass(frozen=True)
class Hazards:
    """Masks (rows, cols) on the working grid."""

    water: Bool
    """Given, inferred or possible."""
    flat: Bool
    """Water inferred from flat cells and not given."""
    possible: Bool
    """Ground that looks like a pond with noise on its surface, neither given nor flat."""
    drop: Bool
    """Edge and face of drops; not their foot."""
    crest: Bool
    """The upper edge of drops."""
    drawn: Bool
    """Cells of the user's wall and edge lines that count as drop."""
    short: Bool
    """Edge and face of drops that are too short to count for the ground above them."""
    pieces: Pieces
    """Of the crests that the ground shows."""
    height: Array
    """On crest cells, fall of the drop (m); NaN elsewhere."""
    lip: Array
    """Elevation (m) of the edge of the drops that the ground shows; NaN elsewhere."""
    other: Bool
    """Roads, railways and other hazards of the user's."""
    stand_off: Bool
    """Within the stand-off distance, on the crest side."""
    open_bodies: Bool
    """What touches the window's border and may be another body in a wider one."""
    flat_bodies: Bodies
    possible_bodies: Bodies
    drop_bodies: Bodies
    """Bodies as found in the ground, whatever was said of them."""
    lifted: tuple[Correction, ...]
    """Rejections that lift one of the bodies."""


@dataclass(frozen=True)
class Steps:
    """Drops as the ground shows them, cell by cell: (rows, cols), m, NaN off them."""

    fall: Array
    """Fall of the drop below a cell; over 0 on its edge and face, 0 on its foot."""
    above: Array
    """Rise of the drop above a cell; 0 on its edge."""


def find_hazards(
    z_native: Array,
    grid_native: Grid,
    z: Array,
    grid: Grid,
    steps_native: Steps,
    ask_water: bool,
    given: GivenHazards,
    settings: HazardSettings,
    place: Place,
) -> Hazards:
    """All hazards of one window.

    z_native: (rows, cols) on grid_native: flat cells are looked for at this resolution. z on grid: the working cells.
    steps_native: as `find_steps` gives them on grid_native. ask_water: whether the survey's vertical step is fine
    enough for level cells to mean water.
    """
    block = grid_native.height // grid.height
    flat = possible = open_bodies = np.zeros(grid.shape, bool)
    if ask_water:
        bodies, unsure = steps.flat_bodies(z_native, settings.flat_area_m2 / grid_native.cell_m2)
        flat = join_voids(_any(bodies, block), z)
        possible, open_ponds = possible_water(z, grid.dx, grid.dy, settings)
        open_bodies = _any(unsure, block) | open_ponds
        flat, possible = _whole(flat, possible)
    possible = possible | given.possible
    fall, above = steps_native.fall, steps_native.above
    edge = fall > 0.0
    top = edge & (above == 0.0)
    # Half way down the lowest drop in the cell: what lies lower than that is on the foot side.
    middle = _lowest(np.where(top, z_native - 0.5 * fall, np.inf), block)
    height = -_lowest(np.where(top, -fall, np.inf), block)
    lip = _lip(z_native, steps_native, block)
    drop, crest = _any(edge, block), _any(top, block)
    rim = math.ceil(context_m(max(grid_native.dx, grid_native.dy)) / min(grid.dx, grid.dy))
    named = (
        Bodies.of("w", flat, place),
        Bodies.of("w", possible, place, rim=rim_cells(grid.dx, grid.dy)),
        Bodies.of("d", drop, place, corners=True, rim=rim),
    )
    lifted: list[Correction] = []
    for mask, found in zip((flat, possible, drop), named, strict=True):
        off, cut, applied = said_of(found, given.rejections)
        mask &= ~off
        open_bodies = open_bodies | cut
        lifted += applied
    # What is given stays, whatever was said of what the survey shows there.
    flat = flat & ~given.water
    possible = possible & ~given.water & ~flat
    crest &= drop
    pieces = _pieces(crest, height, np.isnan(z), grid_native, grid, settings)
    short, open_drops = short_drops(named[2], crest, pieces, settings.drop_length_m)
    short, open_bodies = short & drop, open_bodies | (open_drops & drop)
    drawn, drawn_middle, drawn_height = _lines(given, z)
    height = np.fmax(np.where(crest, height, np.nan), drawn_height)
    stand_off = patches.near_edges(z, crest, middle, grid.dx, grid.dy, settings.stand_off_m)
    stand_off |= patches.near_edges(z, drawn, drawn_middle, grid.dx, grid.dy, settings.stand_off_m)
    found_water = flat | possible
    if found_water.any():
        no_side = np.full(grid.shape, -np.inf)
        stand_off |= patches.near_edges(z, found_water, no_side, grid.dx, grid.dy, settings.stand_off_m)
    stand_off |= given.water | given.shore
    return Hazards(
        water=given.water | found_water,
        flat=flat,
        possible=possible,
        drop=drop | drawn,
        crest=crest | drawn,
        drawn=drawn,
        short=short & ~drawn,
        pieces=pieces,
        height=height,
        lip=lip,
        other=given.other,
        stand_off=stand_off,
        open_bodies=open_bodies,
        flat_bodies=named[0],
        possible_bodies=named[1],
        drop_bodies=named[2],
        lifted=tuple(lifted),
    )


def _whole(flat: Bool, possible: Bool) -> tuple[Bool, Bool]:
    """A pond that is flat in part is one body: the shore of a flattened pond is no other water."""
    label, _ = ndimage.label(possible)
    met = np.unique(label[flat & possible])
    both = possible & np.isin(label, met)
    return flat | both, possible & ~both


def _lip(z_native: Array, found: Steps, block: int) -> Array:
    """Elevation of the lowest native cell of an edge in each working cell, NaN where there is none. The mean of a
    working cell that holds a part of the face would lie lower, and take a drop's height away from its foot."""
    lip = _lowest(np.where((found.fall > 0.0) & (found.above == 0.0), z_native, np.inf), block)
    return np.where(np.isfinite(lip), lip, np.nan)


def _pieces(
    crest: Bool, height: Array, missing: Bool, grid_native: Grid, grid: Grid, settings: HazardSettings
) -> Pieces:
    near_m = context_m(max(grid_native.dx, grid_native.dy))
    return pieces_of(crest, height, missing, grid.dx, grid.dy, near_m, FULL * settings.drop_height_m)


def with_drops_of(
    found: Steps, z_native: Array, grid_native: Grid, z: Array, grid: Grid, hazards: Hazards, settings: HazardSettings
) -> Hazards:
    """The same hazards, but for the drops that another survey of the same ground shows, as run-out needs them.

    found: on grid_native, and z_native its heights; z on grid: the working cells. What the user drew stays, `height`
    and `stand_off` too. No drop comes back where a rejection lifted one.
    """
    block = grid_native.height // grid.height
    before = hazards.drop_bodies
    rejected = (before.label > 0) & ~hazards.drop
    edge, face = (cells & ~rejected for cells in cells_of(found, block))
    bodies = Bodies.of("d", edge | face, before.place, corners=True, rim=before.rim)
    height = -_lowest(np.where((found.fall > 0.0) & (found.above == 0.0), -found.fall, np.inf), block)
    pieces = _pieces(edge, height, np.isnan(z), grid_native, grid, settings)
    short, _ = short_drops(bodies, edge, pieces, settings.drop_length_m)
    drop, crest, lip = edge | face | hazards.drawn, edge | hazards.drawn, _lip(z_native, found, block)
    return replace(hazards, drop=drop, crest=crest, lip=lip, short=short & ~hazards.drawn)


def cells_of(found: Steps, block: int) -> tuple[Bool, Bool]:
    """Working cells that hold an edge of a drop, and those that hold its face alone; `block` native cells a side."""
    edge = _any((found.fall > 0.0) & (found.above == 0.0), block)
    return edge, _any(found.fall > 0.0, block) & ~edge


def find_steps(z: Array, grid: Grid, settings: HazardSettings) -> Steps:
    """Sharp and smeared steps of the native cells `z`. Only ground within `edges.context_m` tells about a cell."""
    fall, above = steps.drop_runs(z, grid.dx, grid.dy, grade(settings.drop_grade_deg), settings.drop_height_m)
    smeared_fall, smeared_above = smeared_edges(z, grid.dx, grid.dy, settings)
    return Steps(np.fmax(fall, smeared_fall), np.fmax(above, smeared_above))


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


def _lines(given: GivenHazards, z: Array) -> tuple[Bool, Array, Array]:
    """Cells of the user's wall and edge lines that count as drop, the elevation half way down, the height (m).

    Where the ground shows which side is up, only upper cells next to lower ones count, so that the foot stays free.
    Where it does not, the line counts on both sides.
    """
    line = given.lines
    nothing = np.full(z.shape, np.nan)
    if not line.any():
        return line, nothing, nothing
    # Missing ground must not hide the line's side, nor choose it.
    missing = np.isnan(z)
    high = ndimage.maximum_filter(np.where(missing, -_FAR_M, z), 3)
    low = ndimage.minimum_filter(np.where(missing, _FAR_M, z), 3)
    shown = line & (high - low >= _SIDE_SHOWN_M)
    hidden = line & ~shown
    band = patches.with_neighbours(line)
    half = 0.5 * (high + low)
    middle = ndimage.minimum_filter(np.where(shown, half, np.inf), 3)
    upper = band & (z >= middle)
    # Below the highest near by, not the lowest: a line at the foot of another must not take the other's edge away.
    lower = band & (z < ndimage.maximum_filter(np.where(shown, half, -np.inf), 3))
    drop = (upper & patches.with_neighbours(lower)) | hidden
    height = np.where(drop, ndimage.maximum_filter(np.where(shown, high - low, -np.inf), 3), -np.inf)
    height = np.where(drop & ~np.isnan(given.line_height), given.line_height, height)
    return drop, np.where(hidden, -np.inf, middle), np.where(np.isfinite(height), height, np.nan)
