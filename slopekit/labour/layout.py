"""Passes laid out on the zones of a bid: records of the layer `passes`, and hours by their length."""

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
import shapely

from slopekit.fleet.machine import Machine
from slopekit.fleet.model import Fleet
from slopekit.labour.passes import Passes, passes_across
from slopekit.labour.rates import HOURS_PER_MINUTE, slope_factors
from slopekit.labour.season import Season
from slopekit.schema.as_text import is_spot

Record = dict[str, Any]

_HOURS_PER_SECOND = 1.0 / 3600.0


def lay_out(
    zones: Any, lines: pd.DataFrame, fleet: Fleet, season: Season, metres_per_unit: float
) -> tuple[list[Record], pd.Series]:
    """Passes of every zone that a machine mows and may work across, and hours by them for each line of the bid.

    zones: table of layer `zones` with geometry. lines: `Bid.lines`. A record a zone and machine, its hours under the
    first condition that they are laid out for. The hours are expected ones: length over speed, a turn time for each
    turn, and the travel to each piece of the zone; NaN where no passes are laid out. Spots are left to the hand of
    whoever works there.
    """
    rows = {row["zone_id"]: row for row in zones.to_dict("records")}
    hours = pd.Series(np.nan, index=lines.index)
    done: dict[tuple[str, str], tuple[list[Passes], Record] | None] = {}
    for at, line in _mowing(lines, rows, fleet):
        zone, machine = rows[line["zone_id"]], fleet.machines[line["machine"]]
        key = line["zone_id"], line["machine"]
        if key not in done:
            found = _passes(zone, machine, metres_per_unit)
            done[key] = (found, _record(zone, line, found)) if found else None
        laid = done[key]
        if laid is None:
            continue
        factor = float(slope_factors(fleet, np.array([zone["slope_mean_deg"]]))[0][0])
        factor *= fleet.conditions[line["condition"]].work_factor
        hours[at] = _hours(laid[0], machine, factor, season.travel.to_zone_min.expected * zone["parts"])
        laid[1].setdefault("hours", float(hours[at]))
    return [laid[1] for laid in done.values() if laid is not None], hours


def _mowing(lines: pd.DataFrame, rows: dict[str, Record], fleet: Fleet) -> Iterator[tuple[Any, Record]]:
    """Lines of machines on zones that they may work across everywhere, under the line's condition."""
    for at, line in zip(lines.index, lines.to_dict("records"), strict=True):
        if line["what"] != "mowing" or is_spot(line["zone_id"]):
            continue
        zone = rows[line["zone_id"]]
        across, steepest = fleet.limits(line["machine"], line["condition"])[0], zone["machine_slope_max_deg"]
        # NaN is false in a comparison.
        if across is not None and steepest <= across and not math.isnan(zone["aspect_deg"]):
            yield at, line


def _passes(zone: Record, machine: Machine, metres_per_unit: float) -> list[Passes]:
    parts = (
        passes_across(
            part,
            zone["aspect_deg"],
            machine.width_m or math.nan,
            machine.overlap_m,
            machine.discharge,
            metres_per_unit,
        )
        for part in zone["geometry"].geoms
    )
    return [found for found in parts if found is not None]


def _record(zone: Record, line: Record, found: list[Passes]) -> Record:
    area = math.fsum(one.covered_share * one.area_m2 for one in found)
    return {
        "parcel_id": zone["parcel_id"],
        "zone_id": zone["zone_id"],
        "machine": line["machine"],
        "passes": sum(one.passes for one in found),
        "turns": sum(one.turns for one in found),
        "length_m": math.fsum(one.length_m for one in found),
        "spacing_m": max(one.spacing_m for one in found),
        "bearing_deg": found[0].bearing_deg,
        "covered_share": area / zone["plan_m2"],
        "area_hours": line["hours"],
        "geometry": shapely.multilinestrings([run for one in found for run in one.runs]),
    }


def _hours(found: list[Passes], machine: Machine, factor: float, ways_min: float) -> float:
    assert machine.speed_kmh is not None  # a machine without a speed is given no work
    driving = sum(one.length_m for one in found) / (machine.speed_kmh.expected * 1000.0 * factor)
    turning = sum(one.turns for one in found) * machine.turn_s.expected * _HOURS_PER_SECOND
    return driving + turning + ways_min * HOURS_PER_MINUTE
