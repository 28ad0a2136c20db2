"""What a person can check a parcel's answer against: ways down to hazards, water and crest lines round it."""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.grid import Grid, Window
from slopekit.ground import WindowGround
from slopekit.hazards.shapes import CONFIRMED, FLAT, GROUND, POSSIBLE, Shape, crest_lines, water_shapes
from slopekit.runout.run_out import HAZARDS
from slopekit.runout.way import Way, way_to
from slopekit.sources.layers import Layers
from slopekit.zones.shapes import multi

Record = dict[str, Any]

# Metres of ground shown round the end of a way, so that its hazard can be seen.
_ROUND_END_M = 10.0


def ways_of(
    row: NDArray[np.int32], inside: NDArray[np.bool_], window: WindowGround, rolls_from_deg: float
) -> dict[int, Way]:
    """By row number of the output the way of least head from the highest cell of each row from which a machine gets to
    a hazard, under the slipperiest condition. row: (rows, cols) of the run-out's view, -1 outside. inside: cells of the
    parcel."""
    run, top = window.run, window.surface
    heads = np.stack([run.head(kind)[run.slippery] for kind in HAZARDS])
    head = heads.min(axis=0)
    got = inside & (row >= 0) & (head < np.inf)
    out: dict[int, Way] = {}
    for number in np.unique(row[got]).tolist():
        here = got & (row == number)
        # Where a standstill is enough before where it takes a speed, then the highest.
        still = here & (head <= head[here].min())
        at = divmod(int(np.where(still, run.z[run.view.slices], -np.inf).argmax()), here.shape[1])
        kind = HAZARDS[int(heads[:, at[0], at[1]].argmin())]
        start = at[0] + run.view.row, at[1] + run.view.col
        out[number] = way_to(run, kind, start, rolls_from_deg, top.grid.dx, top.grid.dy)
    return out


def way_records(zones: dict[int, Record], ways: dict[int, Way], grid: Grid) -> tuple[list[Record], list[Record]]:
    """Records of the layers `paths` and `profiles`: for each zone that a hazard below refuses the way down to it, as a
    line and as a profile. zones: records by row number."""
    paths: list[Record] = []
    profiles: list[Record] = []
    for number, zone in zones.items():
        way = ways.get(number)
        # A hazard cell is its own end.
        if way is None or len(way.cells) < 2:
            continue
        line = shapely.LineString([grid.centre(*cell) for cell in way.cells.tolist()])
        whose = {"parcel_id": zone["parcel_id"], "zone_id": zone["zone_id"]}
        paths.append(
            {
                **whose,
                "hazard": way.kind,
                "length_m": way.length_m,
                "fall_m": way.fall_m,
                "across": way.across,
                "start_kmh": way.start_kmh,
                "arrival_kmh": way.arrival_kmh,
                "geometry": line,
            }
        )
        profiles += [{**whose, **point} for point in _points(way)]
    return paths, profiles


def _points(way: Way) -> list[Record]:
    """Fields of layer `profiles` but whose they are, a record a point."""
    profile = way.profile
    last = len(profile.distance_m) - 1
    marks = {0: "start", last: f"hazard: {way.kind}"}
    return [
        {
            "point": k + 1,
            "distance_m": float(profile.distance_m[k]),
            "height_m": float(profile.height_m[k]),
            "line_m": float(profile.line_m[k]),
            "speed_kmh": float(profile.speed_kmh[k]),
            "mark": marks.get(k, ""),
        }
        for k in range(last + 1)
    ]


def hazard_records(
    parcel_id: str,
    part: Grid,
    paths: list[Record],
    window: WindowGround,
    layers: Layers,
    square_metres: float,
) -> dict[str, list[Record]]:
    """Records of layers `water` and `drops` round a parcel and the ends of its ways down.

    part: the parcel's cells.
    """
    frame = _frame(part, paths, window.surface.grid)
    at, grid = frame.slices, window.surface.grid.part(frame)
    hazards = window.hazards
    bodies = {FLAT: hazards.flat_bodies, POSSIBLE: hazards.possible_bodies, GROUND: hazards.drop_bodies}
    confirmed = {one.body for one in layers.corrections if one.what == "confirm"}

    def names(shape: Shape) -> Record:
        body = bodies[shape.origin].id_of(shape.number) if shape.number else ""
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
    drops = [
        {
            "parcel_id": parcel_id,
            **names(shape),
            "height_m": shape.height_m,
            "length_m": shape.length_m if shape.origin == GROUND else shape.geometry.length * grid.metres_per_unit,
            "geometry": shapely.multilinestrings(shapely.get_parts(shape.geometry)),
        }
        for shape in crest_lines(crest, hazards.pieces, at, hazards.drawn[at], hazards.height[at], layers.walls, grid)
    ]
    return {"water": water, "drops": drops}


def _frame(part: Grid, paths: list[Record], grid: Grid) -> Window:
    west, south, east, north = part.bounds
    pad = _ROUND_END_M / grid.metres_per_unit
    for path in paths:
        w, s, e, n = path["geometry"].bounds
        west, south, east, north = min(west, w - pad), min(south, s - pad), max(east, e + pad), max(north, n + pad)
    return grid.within(grid.covering((west, south, east, north)))
