"""Fleets, seasons and zone tables for the tests of hours."""

import numpy as np
import pandas as pd

from slopekit.fleet.model import Fleet
from slopekit.labour.hours import THREE, Bid
from slopekit.labour.season import Season
from slopekit.labour.totals import season_lines, supervision_cost


def fleet(wet_factor: float = 1.0, slope_factors: list[dict] | None = None, **machines: dict) -> Fleet:
    wet = {"friction": 0.2, "limit_factor": 0.8, "work_factor": wet_factor}
    conditions = {"dry": {"friction": 0.35, "limit_factor": 1.0}, "wet": wet}
    work = {"slope_factors": slope_factors or []}
    return Fleet.model_validate({"schema": 1, "work": work, "conditions": conditions, "machines": machines})


RIDE_ON = {"class": "ride-on", "width_m": 2.0, "speed_kmh": 10.0, "efficiency": 0.8}
WALK_BEHIND = {"class": "walk-behind", "width_m": 1.0, "speed_kmh": 4.0, "efficiency": 0.75}
CREW = {"class": "hand crew", "width_m": 0.5, "hand_rate_m2_h": 100.0}
FLEET = fleet(ride_on=RIDE_ON, walk_behind=WALK_BEHIND, crew=CREW)


def season(**more: object) -> Season:
    day = {"productive_hours": 6.0, "paid_hours": 8.0, "crew_size": 2}
    return Season.model_validate({"schema": 1, "day": day, "visits": {"dry": 10}, **more})


def zones(*rows: tuple[str, float, float, str], parcel: str = "p") -> pd.DataFrame:
    """rows: zone, area along the ground m2, mean slope, machine ids permitted."""
    return pd.DataFrame(
        [
            {
                "parcel_id": parcel, "zone_id": f"{parcel}-{name}", "machine_class": "ride-on", "plan_m2": area * 0.9,
                "surface_m2": area, "slope_mean_deg": slope, "permitted_dry": ids, "permitted_wet": ids, "edge_m": 0.0,
                "parts": 1,
            }
            for name, area, slope, ids in rows
        ]
    )  # fmt: skip


def season_cost(bid: Bid, season: Season) -> tuple[float, float, float]:
    """Low, expected and high money of the season, supervision included; NaN where a rate is missing."""
    lines = season_lines(bid.lines, season)
    low, expected, high = (
        float(np.sum(lines[f"cost{end}"].to_numpy(dtype=float))) + supervision_cost(season) for end in THREE
    )
    return low, expected, high
