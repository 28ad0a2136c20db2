"""The route in to each zone, and the route out where it is another: records of the layer `routes`."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.access.access import Access
from slopekit.access.routes import Cell, Route, route_to
from slopekit.grid import Grid
from slopekit.permits.judge import Verdict
from slopekit.wording import metres_words
from slopekit.zones.describe import cells_by_row

Record = dict[str, Any]


def route_records(
    zones: Mapping[int, Record],
    row: NDArray[np.int32],
    inside: NDArray[np.bool_],
    governors: Mapping[int, str],
    access: Access,
    verdict: Verdict,
    grid: Grid,
) -> tuple[list[Record], dict[int, str]]:
    """For each zone the route of its governing machine, under the condition where the route in and out costs most; and
    by row number a sentence on it for the zone's note.

    zones: records by row number. row: (rows, cols), row number of each cell.
    inside: cells whose centre lies in the parcel. governors: machine by row number. Spots have no route of their own,
    since they are many places.
    """
    out = []
    told = {}
    held = cells_by_row(row, max(zones, default=-1) + 1)
    central = inside.ravel()
    for number, machine in governors.items():
        zone = zones[number]
        if zone["spot"]:
            continue
        cells = held[number][central[held[number]]]
        if not cells.size:
            cells = held[number]
        found = [
            (condition, route)
            for n, (name, condition) in enumerate(verdict.pairs)
            if name == machine and n in access.reaches and (route := route_to(access.reaches[n], cells)) is not None
        ]
        if not found:
            continue
        condition, route = max(found, key=lambda pair: pair[1].into_m + pair[1].out_m)
        whose = {"parcel_id": zone["parcel_id"], "zone_id": zone["zone_id"], "machine": machine, "condition": condition}
        for direction, along, entrance, cost in (
            ("in", route.into, route.entrance, route.into_m),
            ("out", route.out, route.exit, route.out_m),
        ):
            if len(along) < 2:
                continue
            line = shapely.LineString([grid.centre(*cell) for cell in _corners(along)])
            out.append(
                {
                    **whose,
                    "direction": direction,
                    "entrance": entrance,
                    "length_m": line.length * grid.metres_per_unit,
                    "weighted_length_m": cost,
                    "geometry": line,
                }
            )
        told[number] = _sentence(route, machine, condition, grid)
    return out, told


def _corners(cells: tuple[Cell, ...]) -> list[Cell]:
    """The cells where a route turns, with its ends."""
    at = np.array(cells)
    steps = np.diff(at, axis=0)
    turns = np.flatnonzero((steps[1:] != steps[:-1]).any(axis=1)) + 1
    return [cells[k] for k in (0, *turns.tolist(), len(cells) - 1)]


def _sentence(route: Route, machine: str, condition: str, grid: Grid) -> str:
    if len(route.into) < 2:
        into = f"entrance {route.entrance} leads straight into it"
    else:
        into = f"{metres_words(_length_m(route.into, grid))} from entrance {route.entrance}"
    back = f", out by another route to entrance {route.exit}" if route.out else ""
    return f"Route in for {machine} ({condition}): {into}{back}."


def _length_m(cells: tuple[Cell, ...], grid: Grid) -> float:
    steps = np.diff(np.array(cells), axis=0)
    return float(np.hypot(steps[:, 0] * grid.dy, steps[:, 1] * grid.dx).sum())
