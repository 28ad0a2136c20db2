"""What the survey's error can change: the same ground surveyed again and again, each time with another error."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.grid import Grid
from slopekit.ground import WindowGround, least_margin, settled_ground, start_cells, trace
from slopekit.hazards.find import with_drops_of
from slopekit.kernels.noise import error_field
from slopekit.sources.elevation import Elevation
from slopekit.sources.layers import Layers
from slopekit.sources.raster import burn_layer
from slopekit.terrain.surface import surface

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

# A zone counts as above a hazard where more of it than this is: single cells come and go with any error.
ZONE_SHARE = 0.05


@dataclass(frozen=True)
class Draws:
    """Which realisations of the survey's error to make."""

    count: int
    seed: int = 0


def hazard_realisations(
    elevation: Elevation, region: shapely.Geometry, part: Grid, layers: Layers, fleet: Fleet, draws: Draws
) -> Iterator[Bool]:
    """`draws.count` masks of the cells of `part` that are above a hazard, one for each realisation of the error.

    region: the parcel, CRS units. part: working cells of the parcel and its strip. A cell is above a hazard by the rule
    that refuses machines (see `RunOut.above_hazard`).

    Each realisation adds correlated error (see `kernels.noise`) of the survey's RMSE to the working cells and finds
    slope, drops, hollows and the paths down anew. A native cell gets the error of its working cell. Water stays as
    found in the survey, given or inferred: error would un-flatten it. So does what the user drew. The survey already
    holds its own error, so realisations are rougher than the ground.

    The error of a cell depends on the seed, the realisation and the cell's place on the map. The window is the least
    one that settles the parcel's ground and does not grow with a realisation. So an answer depends neither on the
    margin asked for nor on neighbours or workers. Ways over the window's border end unknown, not above a hazard.
    Raises InputError when the survey's error is not known, or for a number of realisations below 1.
    """
    survey = elevation.survey
    if survey.rmse_m is None:
        raise InputError(
            f"{survey.names[0]}: realisations need the vertical error of the survey, so give it with --z-rmse."
        )
    if draws.count < 1:
        raise InputError(f"{draws.count} realisations cannot be made, so ask for 1 or more.")
    margin = least_margin(fleet, max(survey.working.dx, survey.working.dy))
    window = settled_ground(elevation, region, layers, fleet, margin)
    return _masks(elevation, window, region, part, layers, fleet, survey.rmse_m, draws)


def _masks(
    elevation: Elevation,
    window: WindowGround,
    region: shapely.Geometry,
    part: Grid,
    layers: Layers,
    fleet: Fleet,
    rmse_m: float,
    draws: Draws,
) -> Iterator[Bool]:
    grid, block = window.surface.grid, elevation.survey.block
    patch = elevation.read(grid.bounds)
    dry, start = burn_layer(layers.dry, grid), start_cells([region], grid, fleet)
    row, col = _place(grid, elevation.survey.working)
    top, left = part.offset_on(grid)
    at = slice(top, top + part.height), slice(left, left + part.width)
    correlation = fleet.terrain.error_correlation_m
    for number in range(draws.count):
        error = error_field(draws.seed, number, row, col, grid.shape, grid.dx, grid.dy, correlation, rmse_m)
        if block > 1:
            error = error.repeat(block, axis=0).repeat(block, axis=1)
        z = patch.z + error
        hazards = with_drops_of(z, patch.grid, window.hazards, fleet.hazards)
        ground = trace(surface(z, patch.grid, block, fleet.terrain), hazards, dry, start, fleet, window.last)
        yield ground.run.above_hazard(fleet.runout.hazard_share)[at]


def _place(part: Grid, survey: Grid) -> tuple[int, int]:
    """Row and column of the first cell counted from the origin of the CRS, so that the same ground gets the same error
    when more or fewer files are read.

    Counted from the survey's corner on, since rounding must not shift one window against another. The quarter keeps
    corners at whole and half cells clear of it.
    """
    row, col = part.offset_on(survey)
    return row - math.floor(survey.north / survey.step_y + 0.25), col + math.floor(survey.west / survey.step_x + 0.25)


def realisations_share(row: NDArray[np.int32], inside: Bool, masks: Iterable[Bool]) -> Array:
    """For each output row the part of `masks` in which more than `ZONE_SHARE` of its cells are above a hazard.

    row: (rows, cols), number of the output row, -1 outside. inside: cells whose centre lies in the parcel; of a row
    without any, all cells count, as for its other figures. Returns (highest row number + 1,).
    """
    count = int(row.max(initial=-1)) + 1
    in_row = row >= 0
    held = in_row & inside
    without = np.bincount(row[held], minlength=count) == 0
    held[in_row] |= without[row[in_row]]
    number = row[held]
    cells = np.bincount(number, minlength=count)
    hits = np.zeros(count)
    made = 0
    for mask in masks:
        made += 1
        hits += np.bincount(number, weights=mask[held], minlength=count) > ZONE_SHARE * cells
    return hits / max(1, made)
