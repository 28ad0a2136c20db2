"""What lies near one spot by name, and what a person on site said of it."""

import math
from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.explain.spot import Body, Said
from slopekit.fleet.model import Fleet
from slopekit.grid import Grid, grown
from slopekit.hazards.bodies import Bodies
from slopekit.schema.corrections import Correction, holds_for
from slopekit.screening.ground import WindowGround
from slopekit.sources.layers import Layers

Cell = tuple[int, int]
Array = NDArray[np.float64]

# Part of a cell. A shape that only meets the cell's edge does not touch it.
_HAIR = 1e-3
_EDGES = ("water", "wall", "edge")
_AREAS = ("soft ground", "low clearance", "no-go", "dry")


def gaps_m(rows: NDArray[np.int64], cols: NDArray[np.int64], here: Cell, grid: Grid) -> Array:
    """Gap (m) between one cell and each of others, as `kernels.patches.near_edges` measures it."""
    gap_y = np.maximum(0, np.abs(rows - here[0]) - 1) * grid.dy
    gap_x = np.maximum(0, np.abs(cols - here[1]) - 1) * grid.dx
    return np.hypot(gap_x, gap_y)


def nearest_m(mask: NDArray[np.bool_], here: Cell, grid: Grid, most_m: float) -> float | None:
    """Least gap (m) between a cell and those of a mask; None where it is over `most_m`."""
    rows, cols = np.nonzero(mask)
    least = float(gaps_m(rows, cols, here, grid).min(initial=math.inf))
    return least if least <= most_m else None


def water_m(window: WindowGround, here: Cell, cell: shapely.Polygon, layers: Layers, most_m: float) -> float | None:
    """Least distance (m) from the cell to water, no farther than `most_m`."""
    grid = window.surface.grid
    found = [nearest_m(window.hazards.flat | window.hazards.possible, here, grid, most_m)]
    if layers.water is not None:
        bounds = grown(cell.bounds, most_m, grid.metres_per_unit)
        # The shapes as given, since the stand-off is measured from them and not from their cells.
        given = [shapely.distance(g, cell) * grid.metres_per_unit for g, _ in layers.water.within(bounds)]
        found += [m for m in given if m <= most_m]
    return min((float(m) for m in found if m is not None), default=None)


def bodies_near(
    window: WindowGround, here: Cell, layers: Layers, fleet: Fleet, ends: Iterable[Cell], most_m: float
) -> tuple[Body, ...]:
    """Bodies of water and drops, nearest first, none farther than `most_m` but those that hold one of `ends`: the
    nearest of each kind, all within the stand-off, and those."""
    hazards = window.hazards
    kinds = (
        ("water inferred", hazards.flat_bodies, hazards.flat),
        ("possible water", hazards.possible_bodies, hazards.possible),
        ("drop", hazards.drop_bodies, hazards.drop & ~hazards.drawn),
    )
    ends = tuple(ends)
    out = []
    for what, bodies, counted in kinds:
        last = {int(bodies.label[end]) for end in ends if counted[end]}
        rows, cols = np.nonzero(bodies.label)
        number = bodies.label[rows, cols]
        least = np.full(int(number.max(initial=0)) + 1, math.inf)
        np.minimum.at(least, number, gaps_m(rows, cols, here, window.surface.grid))
        for rank, n in enumerate(np.argsort(least[1:], kind="stable") + 1):
            distance = float(least[n])
            wanted = distance <= most_m and (rank == 0 or distance <= fleet.hazards.stand_off_m)
            if wanted or n in last:
                out.append(_body(what, bodies, int(n), distance, window, layers, bool(n in last)))
    return tuple(sorted(out, key=lambda one: one.distance_m))


def _body(
    what: str, bodies: Bodies, number: int, distance_m: float, window: WindowGround, layers: Layers, ends_path: bool
) -> Body:
    hazards = window.hazards
    name = bodies.id_of(number)
    box = bodies.box(number)
    cells = bodies.label[box] == number
    state = "found"
    if name:
        said = {one.what for one in layers.corrections if one.what == "confirm" and one.body == name}
        said |= {one.what for one in hazards.lifted if one.body == name}
        counted = cells & (hazards.flat | hazards.possible | hazards.drop)[box]
        state = "rejected" if "reject" in said else "confirmed" if said else "found" if counted.any() else "given"
    heights = hazards.height[box][cells & hazards.drop[box]]
    shown = what == "drop" and np.isfinite(heights).any()
    return Body(
        body=name,
        what=what,
        state=state,
        distance_m=distance_m,
        area_m2=float(cells.sum()) * window.surface.grid.cell_m2 if name else None,
        height_m=float(np.nanmax(heights)) if shown else None,
        length_m=float(hazards.pieces.length_m[hazards.pieces.label[box][cells]].max()) if shown else None,
        ends_path=ends_path,
    )


def said_here(
    window: WindowGround,
    here: Cell,
    cell: shapely.Polygon,
    layers: Layers,
    bodies: Iterable[Body],
    fleet: Fleet,
    checksum: str,
) -> tuple[Said, ...]:
    """The corrections that speak of the cell, of what lies within the stand-off of it, or of one of the bodies."""
    grid = window.surface.grid
    names = {one.body for one in bodies if one.body}
    spared = {one.number for one, freed in window.spared if freed[here]}
    lifting = {one.number for one in window.hazards.lifted}
    out = []
    for one in layers.corrections:
        far = float(shapely.distance(one.geometry, cell)) * grid.metres_per_unit
        if one.what in _EDGES and far <= fleet.hazards.stand_off_m:
            effect = "counted: it only refuses more"
        elif one.what in _AREAS and touches(one.geometry, cell, grid):
            effect = _of_area(one, checksum, window, here)
        elif one.what == "confirm" and one.body in names:
            effect = "shown as confirmed; the body counts as a hazard with or without it"
        elif one.what == "reject" and (one.number in spared or one.body in names or far == 0.0):
            effect = _of_rejection(one, checksum, spared, lifting)
        else:
            continue
        texts = {name: getattr(one, name) for name in ("number", "what", "body", "who", "when", "why")}
        out.append(Said(**texts, frees=one.number in spared, effect=effect))
    return tuple(out)


def touches(shape: shapely.Geometry, cell: shapely.Polygon, grid: Grid) -> bool:
    """Whether a shape touches the cell as `sources.raster.rasterize` has it, and not its edge alone."""
    hair = _HAIR * min(grid.step_x, grid.step_y)
    less = shapely.buffer(shape, -hair)
    return bool(shapely.intersects(shapely.buffer(shape, hair) if shapely.is_empty(less) else less, cell))


def _of_area(one: Correction, checksum: str, window: WindowGround, here: Cell) -> str:
    if one.what != "dry":
        return "counted: it only refuses more"
    if not holds_for(one, checksum):
        return "not counted: it was said of another survey"
    if window.floors.dry[here]:
        return "counted: this floor of a hollow is held to be dry"
    return "not counted here: it must cover the whole floor of a hollow without water, and this is none"


def _of_rejection(one: Correction, checksum: str, spared: set[int], lifting: set[int]) -> str:
    if not holds_for(one, checksum):
        return "not counted: it was said of another survey"
    if one.number in spared:
        return "frees this spot: without it the spot would be above a hazard or within the stand-off"
    if one.number in lifting:
        return "lifts the body and changes nothing at this spot"
    return "not counted: no body of that name that it touches was found"
