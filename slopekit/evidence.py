"""What a person can check a parcel's answer against: ways down to hazards, water and crest lines round it."""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.grid import Grid, Window
from slopekit.ground import WindowGround
from slopekit.hazards.shapes import crest_lines, water_shapes
from slopekit.kernels import descent
from slopekit.runout.way_down import way_down
from slopekit.sources.layers import Layers
from slopekit.zones.shapes import multi

Record = dict[str, Any]

# Metres of ground shown round the end of a way down, so that its hazard can be seen.
_ROUND_END_M = 10.0
_ENDS = {descent.WATER: "water", descent.DROP: "drop", descent.HAZARD: "hazard"}


def way_down_records(
    zones: dict[int, Record],
    row: NDArray[np.int32],
    inside: NDArray[np.bool_],
    window: WindowGround,
    view: Window,
    least_share: float,
) -> list[Record]:
    """For each zone that a hazard below refuses the way down from its highest such cell: records of layer `paths`.

    zones: records by row number. row: (rows, cols) of `view`, the row number of each cell. inside: cells of the parcel.
    least_share: part of the flow that must end in a hazard for a cell to be above it.
    """
    run, grid = window.run, window.surface.grid
    above = run.above_hazard(least_share)[view.slices]
    out = []
    for number, zone in zones.items():
        here = (row == number) & above & inside
        if "above_" not in zone["reasons"] or not here.any():
            continue
        i, j = np.unravel_index(np.where(here, run.w[view.slices], -np.inf).argmax(), here.shape)
        cells = way_down(run, int(i) + view.row, int(j) + view.col, grid.dx, grid.dy)
        # A hazard cell is its own end.
        if len(cells) < 2:
            continue
        line = shapely.LineString([grid.centre(*cell) for cell in cells])
        out.append(
            {
                "parcel_id": zone["parcel_id"],
                "zone_id": zone["zone_id"],
                "hazard": _ENDS[int(run.kind[cells[-1]])],
                "length_m": line.length * grid.metres_per_unit,
                "fall_m": float(run.w[cells[0]] - run.w[cells[-1]]),
                "geometry": line,
            }
        )
    return out


def hazard_records(
    parcel_id: str, part: Grid, paths: list[Record], window: WindowGround, layers: Layers, square_metres: float
) -> dict[str, list[Record]]:
    """Records of layers `water` and `drops` round a parcel and the ends of its ways down. part: the parcel's cells."""
    frame = _frame(part, paths, window.surface.grid)
    at, grid = frame.slices, window.surface.grid.part(frame)
    hazards = window.hazards
    water = [
        {
            "parcel_id": parcel_id,
            "origin": shape.origin,
            "area_m2": shape.geometry.area * square_metres,
            "geometry": multi(shape.geometry),
        }
        for shape in water_shapes(hazards.inferred[at], layers.water, grid)
    ]
    drops = [
        {
            "parcel_id": parcel_id,
            "origin": shape.origin,
            "height_m": shape.height_m,
            "geometry": shapely.multilinestrings(shapely.get_parts(shape.geometry)),
        }
        for shape in crest_lines(hazards.crest[at], hazards.drawn[at], hazards.height[at], layers.walls, grid)
    ]
    return {"water": water, "drops": drops}


def _frame(part: Grid, paths: list[Record], grid: Grid) -> Window:
    west, south, east, north = part.bounds
    pad = _ROUND_END_M / grid.metres_per_unit
    for path in paths:
        w, s, e, n = path["geometry"].bounds
        west, south, east, north = min(west, w - pad), min(south, s - pad), max(east, e + pad), max(north, n + pad)
    window = grid.covering((west, south, east, north))
    row, col = max(0, window.row), max(0, window.col)
    height = min(grid.height, window.row + window.height) - row
    width = min(grid.width, window.col + window.width) - col
    return Window(row, col, height, width)
