"""Where work on each sloped zone starts, and where the first pass goes: layers `starts` and `directions`."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.fleet.model import Fleet
from slopekit.grid import Grid
from slopekit.labour.passes import first_pass
from slopekit.permits.judge import ACROSS, UP_DOWN, Verdict
from slopekit.wording import bearing_words
from slopekit.zones.describe import cells_by_row

Record = dict[str, Any]


def start_records(
    zones: Mapping[int, Record],
    row: NDArray[np.int32],
    governors: Mapping[int, str],
    verdict: Verdict,
    fleet: Fleet,
    grid: Grid,
) -> tuple[list[Record], list[Record], dict[int, str]]:
    """Records of the layers `starts` and `directions`, and a sentence for the note of each of their zones by row
    number: for zones, not spots, that a machine works on sloped ground.

    The pass goes across where the governing machine may work across on the whole zone under every condition, else
    straight up. zones: records by row number; `first_bearing_deg` is added. row: (rows, cols), row number of each cell.
    Starting at the foot, at the corner that the discharge asks for, and turning uphill is common
    practice, no source.
    """
    starts: list[Record] = []
    directions: list[Record] = []
    told: dict[int, str] = {}
    cells = cells_by_row(row, max(zones, default=-1) + 1)
    for number, zone in zones.items():
        zone["first_bearing_deg"] = None
        machine = fleet.machines[governors[number]] if number in governors else None
        if machine is None or machine.operator == "hand" or machine.width_m is None or zone["spot"]:
            continue
        mean, downhill = zone["slope_mean_deg"], zone["aspect_deg"]
        bits = _ways(verdict, governors[number], cells[number])
        if mean is None or downhill is None or mean <= fleet.routes.level_deg or not bits:
            continue
        up_and_down = not bits & ACROSS
        largest = max(zone["geometry"].geoms, key=lambda part: part.area)
        first = first_pass(
            largest,
            downhill,
            machine.width_m,
            up_and_down=up_and_down,
            discharge=machine.discharge,
            metres_per_unit=grid.metres_per_unit,
        )
        if first is None:
            continue
        zone["first_bearing_deg"] = first.bearing_deg
        told[number] = _sentence(first.corner, first.bearing_deg, up_and_down)
        shared = {
            "parcel_id": zone["parcel_id"],
            "zone_id": zone["zone_id"],
            "machine": governors[number],
            "way": "up-and-down" if up_and_down else "across",
            "bearing_deg": first.bearing_deg,
        }
        starts.append({**shared, "corner": first.corner, "geometry": shapely.Point(first.line.coords[0])})
        length = first.line.length * grid.metres_per_unit
        directions.append({**shared, "length_m": length, "geometry": first.line})
    return starts, directions, told


def _ways(verdict: Verdict, machine: str, cells: NDArray[np.int64]) -> int:
    """Way bits that are open to a machine on all of the cells under every condition."""
    ways = [verdict.ways[n].ravel()[cells] for n, (name, _) in enumerate(verdict.pairs) if name == machine]
    return int(np.bitwise_and.reduce(np.stack(ways), axis=None)) & int(ACROSS | UP_DOWN)


def _sentence(corner: str, bearing_deg: float, up_and_down: bool) -> str:
    head = f"Start at the foot, at the {corner} as seen facing the slope, bearing {bearing_words(bearing_deg)}"
    if up_and_down:
        return f"{head}: straight up and down the face, never across it."
    return f"{head}: where the operator's manual allows work across, across the face and upward, turning uphill."
