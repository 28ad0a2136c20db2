"""What a person can check a parcel's answer against: paths down to hazards, water and crest lines round it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.grid import Grid, Window
from slopekit.hazards.shapes import CONFIRMED, FLAT, FROM_POINTS, GIVEN, GROUND, POSSIBLE, Shape, crest_lines
from slopekit.kernels.patches import with_neighbours
from slopekit.runout.run_out import HAZARDS
from slopekit.runout.way import Way, path_to
from slopekit.screening.ground import WindowGround
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.raster import outlines, rasterize
from slopekit.zones.shapes import multi

Record = dict[str, Any]

# Metres of ground shown round the end of a path, so that its hazard can be seen.
_ROUND_END_M = 10.0


def starts_of(
    row: NDArray[np.int32], inside: NDArray[np.bool_], head: NDArray[np.float64], z: NDArray[np.float64]
) -> dict[int, tuple[int, int]]:
    """By row number of the output the cell of it from which its path to a hazard is shown: where a standstill is enough
    before where it takes a speed, then the highest. Only rows from which a machine gets to one.

    row: (rows, cols), -1 outside. inside: cells of the parcel. head: least head, m, inf where a machine gets to none.
    z: m.
    """
    at = np.flatnonzero(inside & (row >= 0) & (head < np.inf))
    number = row.ravel()[at]
    order = np.lexsort((-z.ravel()[at], head.ravel()[at], number))
    found, first = np.unique(number[order], return_index=True)
    cells = at[order[first]]
    return {n: divmod(cell, row.shape[1]) for n, cell in zip(found.tolist(), cells.tolist(), strict=True)}


def paths_of(starts: Mapping[int, tuple[int, int]], window: WindowGround, rolls_from_deg: float) -> dict[int, Way]:
    """By row number of the output the path of least head from the cell of the run-out's view that `starts` names, under
    the slipperiest condition."""
    run, top = window.run, window.surface
    heads = {kind: run.head(kind)[run.slippery] for kind in HAZARDS}
    out: dict[int, Way] = {}
    for number, at in starts.items():
        # The first of two that take the same head is named.
        kind = min(HAZARDS, key=lambda kind: heads[kind][at])
        start = at[0] + run.view.row, at[1] + run.view.col
        out[number] = path_to(run, kind, start, rolls_from_deg, top.grid.dx, top.grid.dy)
    return out


def path_records(zones: dict[int, Record], ways: dict[int, Way], grid: Grid) -> tuple[list[Record], list[Record]]:
    """Records of the layers `paths` and `profiles`: for each zone that a hazard below refuses the path down to it, as a
    line and as a profile. zones: records by row number."""
    paths: list[Record] = []
    profiles: list[Record] = []
    for number, zone in zones.items():
        way = ways.get(number)
        # A hazard cell is its own end.
        if way is None or len(way.cells) < 2:
            continue
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
                "geometry": line_of(way, grid),
            }
        )
        profiles += [{**whose, **point} for point in _points(way)]
    return paths, profiles


def line_of(way: Way, grid: Grid) -> shapely.LineString:
    """A path of two cells or more on the map. grid: of the window that it lies in."""
    return shapely.LineString([grid.centre(*cell) for cell in way.cells.tolist()])


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
    ways: Sequence[Way],
    window: WindowGround,
    layers: Layers,
    square_metres: float,
) -> dict[str, list[Record]]:
    """Records of layers `water` and `drops` round a parcel and the ends of its paths down.

    part: the parcel's cells in this window. ways: those that lie in it.
    """
    frame = _frame(part, ways, window.surface.grid)
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
    seen = (*_given_water(layers.water, grid), *_bodies(flat, FLAT, grid), *_bodies(possible, POSSIBLE, grid))
    water = [
        {
            "parcel_id": parcel_id,
            **names(shape),
            "area_m2": shape.geometry.area * square_metres,
            "geometry": multi(shape.geometry),
        }
        for shape in seen
    ]
    pieces = replace(hazards.pieces, label=hazards.pieces.label[at])
    lines = _drawn_lines(layers.walls, hazards.drawn[at], hazards.height[at], grid)
    drops = [
        {
            "parcel_id": parcel_id,
            **names(shape),
            "height_m": shape.height_m,
            "length_m": shape.length_m if shape.origin == GROUND else shape.geometry.length * grid.metres_per_unit,
            "geometry": shapely.multilinestrings(shapely.get_parts(shape.geometry)),
        }
        for shape in (*crest_lines(crest, pieces, grid), *lines)
    ]
    return {"water": water, "drops": drops}


def _given_water(given: Layer | None, grid: Grid) -> Iterator[Shape]:
    """The given water, or that of the points' class, that meets the grid, cut to it."""
    if given is not None:
        frame = shapely.box(*grid.bounds)
        for geometry, kind in given.within(grid.bounds):
            part = shapely.intersection(geometry, frame)
            if shapely.area(part) > 0.0:
                yield Shape(part, FROM_POINTS if kind == FROM_POINTS else GIVEN)


def _bodies(label: NDArray[np.int32], origin: str, grid: Grid) -> Iterator[Shape]:
    """label: (rows, cols), numbers of the bodies that the survey shows, 0 for none."""
    if label.any():
        for body, number in zip(*outlines(label, grid), strict=True):
            yield Shape(body, origin, number=int(number))


def _drawn_lines(
    walls: Layer | None, drawn: NDArray[np.bool_], height: NDArray[np.float64], grid: Grid
) -> Iterator[Shape]:
    """The user's lines with their greatest height, cut to the grid. drawn, height: see `Hazards`, on `grid`."""
    if walls is None:
        return
    frame = shapely.box(*grid.bounds)
    for wall, _ in walls.within(grid.bounds):
        parts = [g for g in shapely.get_parts(shapely.intersection(wall, frame)) if g.geom_type == "LineString"]
        if parts:
            geometry = shapely.multilinestrings(parts)
            near = drawn & with_neighbours(rasterize([geometry], grid, all_touched=True))
            rise = height[near & ~np.isnan(height)].max(initial=-np.inf)
            yield Shape(geometry, GIVEN, float(rise) if np.isfinite(rise) else np.nan)


def _frame(part: Grid, ways: Sequence[Way], grid: Grid) -> Window:
    west, south, east, north = part.bounds
    pad = _ROUND_END_M / grid.metres_per_unit
    for way in ways:
        if len(way.cells) < 2:
            continue
        w, s, e, n = line_of(way, grid).bounds
        west, south, east, north = min(west, w - pad), min(south, s - pad), max(east, e + pad), max(north, n + pad)
    return grid.within(grid.covering((west, south, east, north)))


def whole_bodies(found: Sequence[Mapping[str, list[Record]]]) -> dict[str, list[Record]]:
    """The records of `hazard_records` of several looks: a body that more than one of them saw is one record."""
    out: dict[str, list[Record]] = {}
    for layer in ("water", "drops"):
        records = [record for one in found for record in one[layer]]
        if len(found) > 1:
            records = _once_each(records)
        out[layer] = records
    return out


def _once_each(records: Sequence[Record]) -> list[Record]:
    out: dict[object, Record] = {}
    for number, record in enumerate(records):
        # What the user drew has no name.
        key = (record["body"], record["origin"]) if record["body"] else number
        before = out.get(key)
        if before is None:
            out[key] = record
            continue
        for figure, of in (("area_m2", sum), ("length_m", sum), ("height_m", max)):
            if figure in record:
                before = {**before, figure: of((before[figure], record[figure]))}
        parts = [*shapely.get_parts(before["geometry"]), *shapely.get_parts(record["geometry"])]
        lines = before["geometry"].geom_type == "MultiLineString"
        out[key] = {**before, "geometry": shapely.multilinestrings(parts) if lines else multi(shapely.union_all(parts))}
    return list(out.values())
