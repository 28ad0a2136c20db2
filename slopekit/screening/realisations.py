"""What the survey's error can change: the same ground surveyed again and again, each time with another error."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.grid import Grid, Window
from slopekit.hazards.find import cells_of, with_drops_of
from slopekit.kernels.noise import error_field
from slopekit.screening.ground import (
    ReadGround,
    WindowGround,
    above_hazard,
    losses_of,
    side_slope_deg,
    start_cells,
    steps_of,
    trace,
)
from slopekit.sources.elevation import Elevation, Survey
from slopekit.terrain.surface import surface

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

# A zone counts as above a hazard where more of it than this is: single cells come and go with any error
# (common practice, no source).
ZONE_SHARE = 0.05


@dataclass(frozen=True)
class Draws:
    """Which realisations of the survey's error to make."""

    count: int
    seed: int = 0


def hazard_realisations(
    elevation: Elevation,
    ground: ReadGround,
    window: WindowGround,
    region: shapely.Geometry,
    fleet: Fleet,
    draws: Draws,
) -> Iterator[Bool]:
    """`draws.count` masks of the cells of the run-out's view from which a machine gets to a hazard from a standstill,
    one for each realisation of the error.

    ground: as it was read; window: the look round `region` (the parcel, CRS units) on it.

    Each realisation adds correlated error (see `kernels.noise`) of the survey's RMSE to the working cells and finds
    slope, drops, hollows and the run-out anew. A native cell gets the error of its working cell. Water stays as found
    in the survey, given or inferred: error would un-flatten it. So does what the user drew. The survey already holds
    its own error, so realisations are rougher than the ground.

    The error of a cell depends on the seed, the realisation and the cell's place on the map. Raises InputError when the
    survey's error is not known, or for a number of realisations below 1.
    """
    survey = elevation.survey
    if survey.rmse_m is None:
        raise InputError(
            f"{survey.names[0]}: realisations need the vertical error of the survey, so give it with --z-rmse."
        )
    if draws.count < 1:
        raise InputError(f"{draws.count} realisations cannot be made, so ask for 1 or more.")
    return _masks(survey, ground, window, region, fleet, survey.rmse_m, draws)


def _masks(
    survey: Survey,
    ground: ReadGround,
    window: WindowGround,
    region: shapely.Geometry,
    fleet: Fleet,
    rmse_m: float,
    draws: Draws,
) -> Iterator[Bool]:
    grid, block = window.surface.grid, survey.block
    top, left = grid.offset_on(ground.surface.grid)
    at = slice(top * block, (top + grid.height) * block), slice(left * block, (left + grid.width) * block)
    z_native, native = (
        ground.z_native[at],
        ground.grid_native.part(Window(top * block, left * block, grid.height * block, grid.width * block)),
    )
    points = None if ground.points is None else ground.points.part(at)
    start = start_cells(region, grid, fleet)
    row, col = _place(grid, survey.working)
    correlation = fleet.terrain.error_correlation_m
    for number in range(draws.count):
        error = error_field(draws.seed, number, row, col, grid.shape, grid.dx, grid.dy, correlation, rmse_m)
        if block > 1:
            error = error.repeat(block, axis=0).repeat(block, axis=1)
        z = z_native + error
        steps, _ = steps_of(z, native, fleet, points)
        ground_now = surface(z, native, block, fleet.terrain)
        hazards = with_drops_of(steps, z, native, ground_now.z, grid, window.hazards, fleet.hazards)
        side_deg = side_slope_deg(ground_now, *cells_of(steps, block), fleet)
        losses = losses_of(side_deg, fleet)
        # Whoever stays above a hazard is asked, and no floor of a hollow is one.
        run = trace(ground_now, losses, hazards, window.floors, window.given.coarse, start, window.run.view, fleet)
        yield above_hazard(run, fleet.runout.still_head_m)


def _place(part: Grid, survey: Grid) -> tuple[int, int]:
    """Row and column of the first cell counted from the origin of the CRS, so that the same ground gets the same error
    when more or fewer files are read.

    Counted from the survey's corner on, since rounding must not shift one window against another.
    """
    row, col = part.offset_on(survey)
    top, left = survey.place()
    return row + top, col + left


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
