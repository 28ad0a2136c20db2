"""Made ground and the run-out on it, from heights to least heads, without files."""

import numpy as np
from numpy.typing import NDArray

from slopekit.fleet.model import Fleet
from slopekit.grid import Grid, Window
from slopekit.hazards.bodies import Place
from slopekit.hazards.find import cells_of, find_hazards, find_steps
from slopekit.runout.floors import floors_of
from slopekit.runout.hollows import open_floors
from slopekit.runout.run_out import HAZARDS
from slopekit.screening.given import given_on
from slopekit.screening.ground import WindowGround, losses_of, side_slope_deg, trace
from slopekit.sources.layers import Layers
from slopekit.terrain.surface import surface

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

DRY, WET = 0, 1
CONDITIONS = {"dry": {"friction": 0.35, "limit_factor": 1.0}, "wet": {"friction": 0.2, "limit_factor": 1.0}}


def fleet_at(speed_kmh: float, conditions: object = None, **runout: float) -> Fleet:
    """A ride-on that works at a speed. Keywords: settings of the run-out."""
    machine = {"class": "ride-on", "across_deg": 40.0, "up_down_deg": 40.0, "width_m": 1.5, "speed_kmh": speed_kmh}
    told = {"schema": 1, "conditions": conditions or CONDITIONS, "machines": {"ride_on": machine}, "runout": runout}
    return Fleet.model_validate(told)


def looked(
    z: Array,
    fleet: Fleet,
    layers: Layers | None = None,
    cell: float = 1.0,
    block: int = 1,
    start: Bool | None = None,
    drops_of: Array | None = None,
) -> WindowGround:
    """The look of the whole window of heights `z` (native cells of `cell` metres, `block` to a working cell): all of
    it is asked about unless `start` (working cells) says which. drops_of: other heights that the drops are those of."""
    layers = layers or Layers()
    native = Grid(*z.shape, west=0.0, north=z.shape[0] * cell, step_x=cell, step_y=cell, crs="")
    top = surface(z, native, block, fleet.terrain)
    steep = z if drops_of is None else drops_of
    steps = find_steps(steep, native, fleet.hazards)
    side_deg = side_slope_deg(top, *cells_of(steps, block), fleet)
    place = Place("made", 0, 0)
    given = given_on(layers, top.grid, place.survey, fleet.hazards.stand_off_m)
    hazards = find_hazards(steep, native, top.z, top.grid, steps, True, given.hazards, fleet.hazards, place)
    if start is None:
        start = np.ones(top.grid.shape, bool)
    view = Window(0, 0, *top.grid.shape)
    # Nothing lies beyond the window: water drains over its border.
    hollows = open_floors(top.z, top.grid.cell_m2, fleet.terrain, fleet.runout)
    floors = floors_of(hollows, top.limit_grade, hazards.water, given.dry)
    run = trace(top, losses_of(side_deg, fleet), hazards, floors, given.coarse, start, view, fleet)
    return WindowGround(top, given, hazards, floors, run)


def least_head(window: WindowGround, condition: int, kinds: tuple[str, ...] = HAZARDS) -> Array:
    """(rows, cols): least head to any of some kinds of hazard, m; inf where it is more than any machine has."""
    out: Array = np.minimum.reduce([window.run.head(kind)[condition] for kind in kinds])
    return out
