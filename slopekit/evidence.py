"""What a person can check a parcel's answer against: paths down to hazards, water and crest lines round it."""

from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.grid import Grid, Window
from slopekit.ground import WindowGround
from slopekit.hazards.bodies import Bodies
from slopekit.hazards.find import Hazards
from slopekit.hazards.pieces import Pieces, pieces_of
from slopekit.hazards.shapes import CONFIRMED, FLAT, GROUND, POSSIBLE, Shape, crest_lines, water_shapes
from slopekit.kernels import descent
from slopekit.runout.path_down import path_down
from slopekit.runout.profile import Profile, long_profile
from slopekit.sources.layers import Layers
from slopekit.zones.shapes import multi

Record = dict[str, Any]

# Metres of ground shown round the end of a path down, so that its hazard can be seen.
_ROUND_END_M = 10.0
_ENDS = {descent.WATER: "water", descent.DROP: "drop", descent.HAZARD: "hazard"}


def path_records(
    zones: dict[int, Record],
    row: NDArray[np.int32],
    inside: NDArray[np.bool_],
    window: WindowGround,
    view: Window,
    least_share: float,
    friction: float,
) -> tuple[list[Record], list[Record]]:
    """For each zone that a hazard below refuses the path down from its highest such cell, as a line and as a profile:
    records of the layers `paths` and `profiles`.

    zones: records by row number. row: (rows, cols) of `view`, the row number of each cell. inside: cells of the parcel.
    least_share: part of the flow that must end in a hazard for a cell to be above it. friction: the coefficient of the
    slipperiest condition.
    """
    run, grid = window.run, window.surface.grid
    above = run.above_hazard(least_share)[view.slices]
    paths: list[Record] = []
    profiles: list[Record] = []
    for number, zone in zones.items():
        here = (row == number) & above & inside
        if "above_" not in zone["reasons"] or not here.any():
            continue
        i, j = np.unravel_index(np.where(here, run.w[view.slices], -np.inf).argmax(), here.shape)
        cells = path_down(run, int(i) + view.row, int(j) + view.col, grid.dx, grid.dy)
        # A hazard cell is its own end.
        if len(cells) < 2:
            continue
        line = shapely.LineString([grid.centre(*cell) for cell in cells])
        whose = {"parcel_id": zone["parcel_id"], "zone_id": zone["zone_id"]}
        hazard = _ENDS[int(run.kind[cells[-1]])]
        paths.append(
            {
                **whose,
                "hazard": hazard,
                "length_m": line.length * grid.metres_per_unit,
                "fall_m": float(run.w[cells[0]] - run.w[cells[-1]]),
                "geometry": line,
            }
        )
        profile = long_profile(run, window.surface.z, grid, cells, friction)
        profiles += [{**whose, **point} for point in _points(profile, hazard)]
    return paths, profiles


def _points(profile: Profile, hazard: str) -> list[Record]:
    """Fields of layer `profiles` but whose they are, a record a point."""
    last = len(profile.distance_m) - 1
    marks = {0: "start", last: f"hazard: {hazard}"}
    return [
        {
            "point": k + 1,
            "distance_m": float(profile.distance_m[k]),
            "height_m": float(profile.height_m[k]),
            "filled_m": float(profile.filled_m[k]),
            "landing": bool(profile.landing[k]),
            "speed_to_hazard_kmh": float(profile.speed_to_hazard_kmh[k]),
            "mark": marks.get(k, ""),
        }
        for k in range(last + 1)
    ]


def hazard_records(
    parcel_id: str,
    part: Grid,
    near: Window,
    paths: list[Record],
    window: WindowGround,
    layers: Layers,
    square_metres: float,
) -> dict[str, list[Record]]:
    """Records of layers `water` and `drops` round a parcel and the ends of its paths down.

    part: the parcel's cells. near: the part of the window that every window of this parcel holds: only what lies in it
    has a name, so that no name depends on the window.
    """
    frame = _frame(part, paths, window.surface.grid)
    at, grid = frame.slices, window.surface.grid.part(frame)
    hazards = window.hazards
    bodies = {FLAT: hazards.flat_bodies, POSSIBLE: hazards.possible_bodies, GROUND: hazards.drop_bodies}
    confirmed = {one.body for one in layers.corrections if one.what == "confirm"}

    def names(shape: Shape) -> Record:
        body = _name(bodies[shape.origin], shape.number, near) if shape.number else ""
        return {"body": body, "origin": CONFIRMED if body and body in confirmed else shape.origin}

    flat, possible, crest = (
        np.where(mask[at], found.label[at], np.int32(0))
        for mask, found in zip(
            (hazards.flat, hazards.possible, hazards.crest & ~hazards.drawn), bodies.values(), strict=True
        )
    )
    water = [
        {
            "parcel_id": parcel_id,
            **names(shape),
            "area_m2": shape.geometry.area * square_metres,
            "geometry": multi(shape.geometry),
        }
        for shape in water_shapes(flat, possible, layers.water, grid)
    ]
    pieces = _pieces(hazards, near, frame, grid)
    drops = [
        {
            "parcel_id": parcel_id,
            **names(shape),
            "height_m": shape.height_m,
            "length_m": shape.length_m if shape.origin == GROUND else shape.geometry.length * grid.metres_per_unit,
            "geometry": shapely.multilinestrings(shapely.get_parts(shape.geometry)),
        }
        for shape in crest_lines(crest, pieces, hazards.drawn[at], hazards.height[at], layers.walls, grid)
    ]
    return {"water": water, "drops": drops}


def _pieces(hazards: Hazards, near: Window, frame: Window, grid: Grid) -> Pieces:
    """The pieces of the crests as far as every window of the parcel shows them alike, with their label on `frame`."""
    rim = hazards.drop_bodies.rim
    top, left = min(near.row + rim, frame.row), min(near.col + rim, frame.col)
    bottom = max(near.row + near.height - rim, frame.row + frame.height)
    right = max(near.col + near.width - rim, frame.col + frame.width)
    at = slice(max(top, 0), bottom), slice(max(left, 0), right)
    crest, known = hazards.found[at], np.zeros(hazards.found[at].shape, bool)
    near_m = rim * min(grid.dx, grid.dy)
    found = pieces_of(crest, hazards.height[at], known, grid.dx, grid.dy, near_m, hazards.whole_m)
    row, col = frame.row - at[0].start, frame.col - at[1].start
    return replace(found, label=found.label[row : row + frame.height, col : col + frame.width])


def _name(bodies: Bodies, number: int, near: Window) -> str:
    return bodies.id_of(number) if bodies.within(number, near) else ""


def _frame(part: Grid, paths: list[Record], grid: Grid) -> Window:
    west, south, east, north = part.bounds
    pad = _ROUND_END_M / grid.metres_per_unit
    for path in paths:
        w, s, e, n = path["geometry"].bounds
        west, south, east, north = min(west, w - pad), min(south, s - pad), max(east, e + pad), max(north, n + pad)
    return grid.within(grid.covering((west, south, east, north)))
