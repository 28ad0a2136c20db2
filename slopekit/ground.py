"""Everything known of the ground of one window, whoever may work on it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.fleet.model import Fleet
from slopekit.grid import Grid, Margins, Window, grown
from slopekit.hazards.bodies import Place
from slopekit.hazards.edges import context_m
from slopekit.hazards.find import Hazards, find_hazards
from slopekit.kernels.flood import SPILL_ROUNDING_M
from slopekit.permits.judge import fit_diameter
from slopekit.runout.floors import Floors, find_floors
from slopekit.runout.outcomes import RunOut, rests_on, run_out
from slopekit.sources.corrections import Correction
from slopekit.sources.elevation import Elevation
from slopekit.sources.layers import Layers
from slopekit.sources.raster import burn, burn_layer
from slopekit.terrain.conditioning import condition, find_hollows
from slopekit.terrain.surface import Surface, surface
from slopekit.terrain.wetness import in_doubt, wetness
from slopekit.units import grade

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Sides = tuple[bool, bool, bool, bool]
"""Whether something holds in the west, south, east and north."""
ALL_SETTLED: Sides = (False, False, False, False)


@dataclass(frozen=True)
class WindowGround:
    """One window, from elevation to run-out. All arrays are on `surface.grid`."""

    surface: Surface
    hazards: Hazards
    floors: Floors
    run: RunOut
    cut: Bool
    """Hollows and flat bodies that the window's border cuts: a wider window may show otherwise."""
    low: Bool
    """Ground that drains over the border and lies so little above it that it may be the floor of a hollow dammed
    beyond."""
    outlet: NDArray[np.int32]
    """Flat index of the border cell that a cell drains over, -1 where it does not."""
    last: bool
    """No wider window may be read."""
    spared: tuple[tuple[Correction, Bool], ...] = ()
    """Rejections that lift a hazard, each with the cells that it alone frees from one."""


def least_margin(fleet: Fleet, cell_m: float) -> float:
    """Margin (m) within which every answer rests on ground that was read: the longest run and a landing, or the ground
    whose wetness counts if that reaches farther; and what tells of the ground there: the smoothing, the steps beside a
    drop."""
    settings = fleet.runout
    smoothing = 4.0 * fleet.terrain.machine_scale_m + 3.0 * cell_m
    reach = settings.max_run_m + settings.landing_length_m
    return max(reach, _wetness_reach_m(fleet, cell_m)) + max(smoothing, context_m(cell_m))


def strip_m(fleet: Fleet, grid: Grid) -> float:
    """Width (m) of ground beside a parcel that the fit of the widest machine looks at: the disc, and a cell or two."""
    return _strip_m(fleet, max(grid.dx, grid.dy))


def _strip_m(fleet: Fleet, cell_m: float) -> float:
    widths = [m.width_m for m in fleet.machines.values() if m.width_m is not None]
    return max([fit_diameter(w, cell_m, cell_m) for w in widths], default=0.0) + 2.0 * cell_m


def _wetness_reach_m(fleet: Fleet, cell_m: float) -> float:
    """How far (m) from a parcel the ground lies that wetness on it and its strip rests on; 0 where it is not asked."""
    settings = fleet.soft_ground
    if settings.wetness_from is None:
        return 0.0
    return settings.wetness_length_m + _strip_m(fleet, cell_m) + 2.0 * cell_m


def read_ground(
    elevation: Elevation,
    regions: Sequence[shapely.Geometry],
    layers: Layers,
    fleet: Fleet,
    margins_m: float | Margins,
    *,
    last: bool = False,
) -> WindowGround:
    """Read the ground of `regions` (CRS units) and `margins_m` metres round them, and trace it down from them.

    last: no wider window will be read, so hollows and flats that the border cuts count as unknown ground.
    """
    survey = elevation.survey
    metres = survey.grid.metres_per_unit
    patch = elevation.read(grown(tuple(shapely.total_bounds(regions)), margins_m, metres))
    top = surface(patch.z, patch.grid, survey.block, fleet.terrain)
    place = Place(survey.checksum, *top.grid.offset_on(survey.working))
    dry, start = burn_layer(layers.dry, top.grid), start_cells(regions, top.grid, fleet)

    # What lies farther off than any window of these regions reaches is no reason to read more.
    widest = shapely.box(*grown(tuple(shapely.total_bounds(regions)), fleet.terrain.max_margin_m, metres))
    near = tuple(one for one in layers.corrections if widest.intersects(one.geometry))

    def with_statements(said: tuple[Correction, ...]) -> WindowGround:
        spoken = replace(layers, corrections=said)
        ask_water = survey.z_step_m is None
        hazards = find_hazards(patch.z, patch.grid, top.z, top.grid, ask_water, spoken, fleet.hazards, place)
        return trace(top, hazards, dry, start, fleet, last)

    window = with_statements(near)
    freed: dict[str, Bool] = {}
    # Several may say the same of one body.
    for body in {one.body: None for one in window.hazards.lifted}:
        strict = with_statements(tuple(one for one in near if one.body != body))
        freed[body] = _freed(strict, window, fleet)
    return replace(window, spared=tuple((one, freed[one.body]) for one in window.hazards.lifted))


def _freed(strict: WindowGround, window: WindowGround, fleet: Fleet) -> Bool:
    """Cells where a hazard of the strict window refuses somebody whom no hazard of the other refuses."""
    least = fleet.runout.hazard_share
    above, still = strict.run.above_hazard(least), window.run.above_hazard(least)
    near = strict.hazards.stand_off & ~window.hazards.stand_off
    # Who stands on a machine may be held to the stand-off alone, by a written exception.
    excepted = any(m.rides and m.may_work_above_hazard for m in fleet.machines.values())
    return (above & ~still) | (near if excepted else near & ~still)


def view_of(window: WindowGround, region: shapely.Geometry, fleet: Fleet) -> Window:
    """The cells of a window that the answer on `region` (CRS units) looks at: its box and the strip round it."""
    grid = window.surface.grid
    return grid.covering(grown(region.bounds, strip_m(fleet, grid), grid.metres_per_unit))


def wetness_of(window: WindowGround, view: Window, fleet: Fleet) -> Array | None:
    """Topographic wetness index of the cells of `view`, NaN where it is not known; None where it is not asked for."""
    settings = fleet.soft_ground
    if settings.wetness_from is None:
        return None
    return wetness(
        window.surface, window.run.w, window.cut | window.low, view, settings.wetness_length_m, fleet.terrain
    )


def start_cells(regions: Sequence[shapely.Geometry], grid: Grid, fleet: Fleet) -> Bool:
    """Cells that an answer on `regions` (CRS units) needs paths from: whether a machine fits depends on the ground
    beside a parcel too."""
    strip = strip_m(fleet, grid) / grid.metres_per_unit
    return burn([region.buffer(strip) for region in regions], grid, all_touched=True)


def trace(top: Surface, hazards: Hazards, dry: Bool, start: Bool, fleet: Fleet, last: bool) -> WindowGround:
    """Condition the surface of a window and follow it down from the `start` cells.

    dry: ground that the user states to be dry. last: see `read_ground`.
    """
    hollows = find_hollows(top.z, top.grid.cell_m2, fleet.terrain)
    floors = find_floors(
        top.z,
        hollows,
        top.limit_grade,
        hazards.water,
        dry,
        fleet.runout.floor_depth_m,
        grade(fleet.runout.landing_slope_deg),
    )
    w = condition(top.z, hollows, hazards.water | hazards.drop | (hollows.bottoms & ~floors.pond))
    frictions = [c.friction for c in fleet.conditions.values()]
    cut = hollows.cut | hazards.open_bodies
    # The lowest cell of a hollow that reaches beyond is no higher than where the ground drains over the border. In a
    # hollow that stays (its surface lies below its spill level) the floor is known already.
    low = (hollows.outlet >= 0) & (hollows.filled - w <= SPILL_ROUNDING_M)
    height = max(fleet.runout.floor_depth_m, fleet.terrain.shallow_depth_m)
    low[low] = top.z[low] - top.z.ravel()[hollows.outlet[low]] <= height
    unknown = hollows.beside_missing | cut if last else hollows.beside_missing
    outlet = hollows.outlet
    del hollows  # a tenth of the memory that the run-out is about to take
    run = run_out(top, w, unknown, hazards, floors, frictions, fleet.runout, start)
    return WindowGround(top, hazards, floors, run, cut, low, outlet, last)


def settled_ground(
    elevation: Elevation,
    region: shapely.Geometry,
    layers: Layers,
    fleet: Fleet,
    margin_m: float,
    open_towards: Sides = ALL_SETTLED,
) -> WindowGround:
    """The ground of `region` (CRS units), read wide enough that a wider window would not change the answer on it.

    The margin grows on the sides where a path from the region meets a hollow or a flat body that the border cuts, or
    ground that may be the floor of a hollow beyond it, up to `max_margin_m`. Cut ones are unknown ground then.
    open_towards: sides that are known to need more (see `open_sides`).
    """
    most = fleet.terrain.max_margin_m
    margins: Margins = (margin_m, margin_m, margin_m, margin_m)
    while True:
        west, south, east, north = (
            min(_wider(m), most) if wanting else m for m, wanting in zip(margins, open_towards, strict=True)
        )
        margins = (west, south, east, north)
        window = read_ground(elevation, [region], layers, fleet, margins)
        open_towards = open_sides(window, region, fleet)
        if not any(open_towards):
            return window
        # The next one is larger: both at once would be the most memory that a run takes.
        del window
        if not any(wanting and m < most for m, wanting in zip(margins, open_towards, strict=True)):
            return read_ground(elevation, [region], layers, fleet, margins, last=True)


def _wider(margin_m: float) -> float:
    """Doubling takes the fewest reads; where it would take much memory, half as much more will do."""
    return margin_m * (2.0 if margin_m < 500.0 else 1.5)


def open_sides(window: WindowGround, region: shapely.Geometry, fleet: Fleet) -> Sides:
    """Sides of the window beyond which more ground could change the answer on `region` (CRS units)."""
    grid = window.surface.grid
    doubtful = window.cut | window.low
    beside_m = strip_m(fleet, grid) + fleet.hazards.stand_off_m
    # Nothing farther off counts, so most parcels need no tracing.
    wetness_m = _wetness_reach_m(fleet, max(grid.dx, grid.dy))
    run_m = fleet.runout.max_run_m + fleet.runout.landing_length_m
    farthest_m = max(run_m, wetness_m) + beside_m + 2.0 * (grid.dx + grid.dy)
    near = grid.within(grid.covering(grown(region.bounds, farthest_m, grid.metres_per_unit)))
    if not doubtful[near.slices].any():
        return ALL_SETTLED
    start = start_cells([region], grid, fleet)
    found = rests_on(doubtful, start, window.run, window.surface, fleet.runout, near)
    if wetness_m:
        view = view_of(window, region, fleet)
        open_, behind = in_doubt(window.surface, window.run.w, doubtful, view, fleet.soft_ground.wetness_length_m)
        if (open_ & start[view.slices]).any():
            found |= behind
    # A machine stands off from what no path meets, and a body need not drain over the border that cuts it.
    beside = burn([region.buffer(beside_m / grid.metres_per_unit)], grid, all_touched=True)
    if (window.hazards.open_bodies & (found | beside)).any():
        return (True, True, True, True)
    if not found.any():
        return ALL_SETTLED
    outlet = window.outlet[found]
    row, col = np.divmod(outlet[outlet >= 0], grid.width)
    if (outlet < 0).any():
        return (True, True, True, True)
    sides = (col == 0, row == grid.height - 1, col == grid.width - 1, row == 0)
    west, south, east, north = (bool(side.any()) for side in sides)
    return west, south, east, north
