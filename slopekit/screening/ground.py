"""Everything known of the ground of one parcel's look, whoever may work there."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.fleet.model import Fleet
from slopekit.grid import Grid, Window, grown
from slopekit.hazards import point_steps
from slopekit.hazards.bodies import Place
from slopekit.hazards.edges import context_m
from slopekit.hazards.find import Hazards, Steps, cells_of, find_hazards, find_steps
from slopekit.hazards.point_steps import CLEAR_M, PointCells, cleared, with_point_walls
from slopekit.kernels.least_head import PAD
from slopekit.kernels.patches import with_neighbours
from slopekit.kernels.side_slope import side_gradient
from slopekit.permits.judge import fit_diameter, working_head_m
from slopekit.runout import run_out as kinds
from slopekit.runout.around import Around, Wider
from slopekit.runout.floors import Floors, floors_of
from slopekit.runout.resistance import SMOOTHED_M, resistance
from slopekit.runout.run_out import RunOut, run_out
from slopekit.runout.settled import same_refusals
from slopekit.runout.speed import head_of_speed
from slopekit.schema.corrections import Correction
from slopekit.screening.given import Given, given_on, points_on, without
from slopekit.sources.elevation import Elevation
from slopekit.sources.highest import coarse_grid, highest
from slopekit.sources.layers import Layers, PointEvidence
from slopekit.sources.raster import rasterize
from slopekit.terrain.surface import Surface, averaged, slope_deg, surface
from slopekit.terrain.wetness import wetness
from slopekit.units import grade

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

# Rows of working cells that are read at once.
_STRIP = 256


@dataclass(frozen=True)
class ReadGround:
    """Ground that was read once, for one parcel or for neighbours, and what each of its cells tells by itself and with
    the ground close by."""

    z_native: Array
    """(rows, cols) on `grid_native`, m, NaN missing."""
    grid_native: Grid
    surface: Surface
    steps: Steps
    """On `grid_native`."""
    side_deg: Array
    """On the surface's grid: slope, degrees, of the ground smoothed at 2 m on its own side of drops."""
    points: PointCells | None = None
    """On `grid_native`: what points tell beside it; None without any."""
    strict: Steps | None = None
    """On `grid_native`: the same steps with those that points clear; None where they clear none."""


@dataclass(frozen=True)
class WindowGround:
    """The look round one parcel, from elevation to run-out. All arrays are on `surface.grid`."""

    surface: Surface
    given: Given
    hazards: Hazards
    floors: Floors
    run: RunOut
    spared: tuple[tuple[Correction, Bool], ...] = ()
    """Rejections that lift a hazard, each with the cells that it alone frees from one."""
    cleared: Bool | None = None
    """Cells that are free from a drop that the grid shows since points clear it; None where there are none."""


def reach_m(fleet: Fleet, cell_m: float) -> float:
    """Metres of ground round a parcel that its answer rests on: the look, and what tells of its border."""
    smoothing = 4.0 * max(fleet.terrain.machine_scale_m, SMOOTHED_M) + 3.0 * cell_m
    return fleet.runout.look_m + max(smoothing, context_m(cell_m))


def strip_m(fleet: Fleet, grid: Grid) -> float:
    """Width (m) of ground beside a parcel that the fit of the widest machine looks at: the disc, and a cell or two."""
    cell_m = max(grid.dx, grid.dy)
    widths = [m.width_m for m in fleet.machines.values() if m.width_m is not None]
    return max([fit_diameter(w, cell_m, cell_m) for w in widths], default=0.0) + 2.0 * cell_m


def read_ground(
    elevation: Elevation, regions: Sequence[shapely.Geometry], fleet: Fleet, points: PointEvidence | None = None
) -> ReadGround:
    """Read the ground that the answers on `regions` (CRS units) rest on, in one window. points: asked beside the
    grid."""
    survey = elevation.survey
    metres = survey.grid.metres_per_unit
    working = survey.working
    reach = reach_m(fleet, max(working.dx, working.dy)) + (0.0 if points is None else CLEAR_M)
    patch = elevation.read(grown(tuple(shapely.total_bounds(regions)), reach, metres))
    z, shown = patch.z, None
    if points is not None:
        shown = points_on(points, patch.grid, fleet.hazards.drop_height_m)
        z = np.where(shown.seen, z, np.nan)
    top = surface(z, patch.grid, survey.block, fleet.terrain)
    steps, strict = steps_of(z, patch.grid, fleet, shown)
    side_deg = side_slope_deg(top, *cells_of(steps, survey.block), fleet)
    return ReadGround(z, patch.grid, top, steps, side_deg, shown, strict)


def steps_of(z: Array, grid: Grid, fleet: Fleet, points: PointCells | None) -> tuple[Steps, Steps | None]:
    """The drops of the native cells, as points show them too; and, where these clear some, the same with those."""
    found = find_steps(z, grid, fleet.hazards)
    if points is None:
        return found, None
    free = cleared(found, z, points, grid.dx, grid.dy, fleet.hazards)
    strict = with_point_walls(found, points)
    if not free.any():
        return strict, None
    return with_point_walls(point_steps.without(found, free), points), strict


def look_round(
    ground: ReadGround, region: shapely.Geometry, layers: Layers, fleet: Fleet, elevation: Elevation
) -> WindowGround:
    """All that is known of the look round `region` (CRS units), of ground that holds it.

    The answer rests on what lies within `look_m` of the region's box, whatever else was read. Only whether a hollow is
    closed may hang on ground farther away, which is read where it matters.
    """
    survey = elevation.survey
    whole = ground.surface.grid
    metres = whole.metres_per_unit
    look = whole.covering(grown(region.bounds, fleet.runout.look_m, metres))
    top, native, steps = _part(ground, ground.steps, look, survey.block)
    side_deg = np.ascontiguousarray(ground.side_deg[look.slices])
    place = Place(survey.checksum, *top.grid.offset_on(survey.working))
    given = given_on(layers, top.grid, survey.checksum, fleet.hazards.stand_off_m)
    start, view = start_cells(region, top.grid, fleet), view_of(top.grid, region, fleet)
    losses = losses_of(side_deg, fleet)
    around = Around(wider_of(elevation), region.bounds, top.z, top.grid, fleet.terrain, fleet.runout)

    def with_statements(given: Given, steps: Steps = steps) -> WindowGround:
        ask_water = survey.z_step_m is None
        hazards = find_hazards(*native, top.z, top.grid, steps, ask_water, given.hazards, fleet.hazards, place)
        floors = settled_floors(around, top, losses, hazards.water, given.dry, start, view, fleet)
        run = trace(top, losses, hazards, floors, given.coarse, start, view, fleet)
        return WindowGround(top, given, hazards, floors, run)

    window = with_statements(given)
    freed: dict[str, Bool] = {}
    # Several may say the same of one body.
    for body in {one.body: None for one in window.hazards.lifted}:
        freed[body] = _freed(with_statements(without(given, body)), window, fleet)
    free = None
    if ground.strict is not None:
        free = _no_drop(with_statements(given, _part(ground, ground.strict, look, survey.block)[2]), window)
    spared = tuple((one, freed[one.body]) for one in window.hazards.lifted)
    return replace(window, spared=spared, cleared=free if free is not None and free.any() else None)


def wider_of(elevation: Elevation) -> Wider:
    """The ground of an elevation, to be read as far as it is asked for."""
    return Wider(
        elevation.survey.working,
        partial(_heights, elevation),
        partial(coarse_grid, elevation),
        partial(highest, elevation),
    )


def _heights(elevation: Elevation, grid: Grid) -> Array:
    """Heights (m) of working cells, strip by strip."""
    z = np.empty(grid.shape)
    for row in range(0, grid.height, _STRIP):
        part = grid.part(Window(row, 0, min(_STRIP, grid.height - row), grid.width))
        z[row : row + part.height] = averaged(elevation.read(part.bounds).z, elevation.survey.block)
    return z


def _part(ground: ReadGround, steps: Steps, look: Window, block: int) -> tuple[Surface, tuple[Array, Grid], Steps]:
    """The working and the native cells of one window of the ground that was read."""
    top, at = ground.surface, look.slices

    def cut(values: Array, where: tuple[slice, slice]) -> Array:
        return np.ascontiguousarray(values[where])

    fine = Window(look.row * block, look.col * block, look.height * block, look.width * block)
    part = Surface(top.grid.part(look), cut(top.z, at), cut(top.smooth, at), cut(top.limit_grade, at))
    native = cut(ground.z_native, fine.slices), ground.grid_native.part(fine)
    return part, native, Steps(cut(steps.fall, fine.slices), cut(steps.above, fine.slices))


def start_cells(region: shapely.Geometry, grid: Grid, fleet: Fleet) -> Bool:
    """Cells that an answer on `region` (CRS units) asks about: whether a machine fits depends on the ground beside a
    parcel too."""
    return rasterize([region.buffer(strip_m(fleet, grid) / grid.metres_per_unit)], grid, all_touched=True)


def view_of(grid: Grid, region: shapely.Geometry, fleet: Fleet) -> Window:
    """The cells of a grid that the answer on `region` (CRS units) looks at: its box and the strip round it."""
    return grid.covering(grown(region.bounds, strip_m(fleet, grid), grid.metres_per_unit))


def side_slope_deg(top: Surface, edge: Bool, face: Bool, fleet: Fleet) -> Array:
    """Slope (degrees) of the ground smoothed at 2 m on its own side of the drops that the ground shows: a wall must not
    make the ground beside it steep, and drawn lines say nothing of slope. edge, face: see `hazards.find.cells_of`."""
    grid = top.grid
    return slope_deg(
        side_gradient(top.z, edge, face, grade(fleet.hazards.drop_grade_deg), SMOOTHED_M, grid.dx, grid.dy)
    )


def losses_of(side_deg: Array, fleet: Fleet) -> list[Array]:
    """Loss of height by plan length under each condition. side_deg: see `ReadGround`."""
    return [resistance(side_deg, condition.friction, fleet.runout) for condition in fleet.conditions.values()]


def settled_floors(
    around: Around,
    top: Surface,
    losses: Sequence[Array],
    water: Bool,
    dry: Bool,
    start: Bool,
    view: Window,
    fleet: Fleet,
) -> Floors:
    """Floors of hollows, from as little ground round the window as tells what they refuse on the `start` cells.

    water: given or inferred. dry: ground that the user states to be dry. What stays open is taken for a floor.
    """
    grid = top.grid
    heads = [working_head_m(machine) for machine in fleet.machines.values() if machine.rides]
    for pair in around.floors:
        least, most = (floors_of(floor, top.limit_grade, water, dry) for floor in pair)
        if same_refusals(least, most, top.smooth, losses, start, view, heads, grid.dx, grid.dy):
            return least
    return most


def trace(
    top: Surface,
    losses: Sequence[Array],
    hazards: Hazards,
    floors: Floors,
    coarse: Bool,
    start: Bool,
    view: Window,
    fleet: Fleet,
) -> RunOut:
    """The run-out from the `start` cells of a window, all within `view`. losses: see `losses_of`. coarse: see
    `Given`."""
    grid = top.grid
    most = max(fleet.runout.still_head_m, head_of_speed(fleet.fastest_kmh))
    return run_out(top.smooth, losses, sources_of(top, hazards, floors, coarse), start, view, most, grid.dx, grid.dy)


def sources_of(top: Surface, hazards: Hazards, floors: Floors, coarse: Bool) -> dict[str, Array]:
    """By kind, the height of the energy line (m) on the cells that a machine must not get to; inf elsewhere."""
    lower = np.fmin(top.z, top.smooth)
    missing = np.isnan(top.z)
    # As wide as the longest move, so that no way leaves without it. Level cells that the border cuts may be water; a
    # drop that it cuts counts as one.
    beyond = hazards.open_bodies & ~hazards.drop
    beyond[:PAD] = beyond[-PAD:] = True
    beyond[:, :PAD] = beyond[:, -PAD:] = True

    def at(cells: Bool, height: Array) -> Array:
        # A hazard without elevation is got to from wherever one can.
        return np.where(cells, np.where(np.isnan(height), -np.inf, height), np.inf)

    return {
        kinds.WATER: at(hazards.water, lower),
        # Over the edge, not down to the foot: the height of a drop protects the ground below it.
        kinds.DROP: at(hazards.crest & ~hazards.short, np.where(np.isnan(hazards.lip), top.z, hazards.lip)),
        kinds.HAZARD: at(hazards.other, lower),
        kinds.BEYOND: at(beyond & ~missing, lower),
        kinds.UNKNOWN: at((with_neighbours(missing) | coarse) & ~missing, top.smooth),
        # Where a floor is known to hold water, the rest of it is no drier.
        kinds.BASIN: at((floors.wet | floors.pond) & ~missing, top.smooth),
    }


def above_hazard(run: RunOut, still_head_m: float) -> Bool:
    """Cells of the run-out's view from which a machine gets to a hazard from a standstill, under any condition."""
    return np.minimum.reduce([run.head(kind)[run.slippery] for kind in kinds.HAZARDS]) <= still_head_m


def _freed(strict: WindowGround, window: WindowGround, fleet: Fleet) -> Bool:
    """Cells where a hazard of the strict window refuses somebody whom no hazard of the other refuses."""

    def reached(one: WindowGround) -> Bool:
        out = np.zeros(one.surface.grid.shape, bool)
        # Whoever works fastest is refused first.
        out[one.run.view.slices] = (
            np.minimum.reduce([one.run.head(kind)[one.run.slippery] for kind in kinds.HAZARDS]) < np.inf
        )
        return out

    above, still = reached(strict), reached(window)
    near = strict.hazards.stand_off & ~window.hazards.stand_off
    # Who stands on a machine may be held to the stand-off alone, by a written exception.
    excepted = any(m.rides and m.may_work_above_hazard for m in fleet.machines.values())
    return (above & ~still) | (near if excepted else near & ~still)


def _no_drop(strict: WindowGround, window: WindowGround) -> Bool:
    """Cells that a drop of the strict window refuses to somebody, and no drop of the other."""

    def reached(one: WindowGround) -> Bool:
        out = np.zeros(one.surface.grid.shape, bool)
        out[one.run.view.slices] = one.run.head(kinds.DROP)[one.run.slippery] < np.inf
        return out | one.hazards.drop | one.hazards.stand_off

    return reached(strict) & ~reached(window)


def wetness_of(window: WindowGround, view: Window, fleet: Fleet) -> Array | None:
    """Topographic wetness index of the cells of `view`, NaN where it is not known; None where it is not asked for."""
    settings = fleet.soft_ground
    if settings.wetness_from is None:
        return None
    return wetness(window.surface, view, settings.wetness_length_m, fleet.terrain)
