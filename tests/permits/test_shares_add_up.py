"""Ends of the paths down that refuse add up: two small ones may not hide behind the threshold of each.

The threshold is the project's own setting (runout.hazard_share, 0.05); the sums are arithmetic.
"""

import numpy as np
import pytest

from slopekit.fleet.model import Fleet
from slopekit.permits.judge import BIT, Ground, judge

SIDE = 12
FLEET = Fleet.model_validate(
    {
        "schema": 1,
        "conditions": {"dry": {"friction": 0.35, "limit_factor": 1.0}},
        "machines": {
            "ride_on": {"class": "ride-on", "across_deg": 20.0, "up_down_deg": 20.0, "width_m": 1.5, "speed_kmh": 8.0},
            "stand_on": {
                "class": "stand-on", "across_deg": 20.0, "up_down_deg": 20.0, "width_m": 1.0, "speed_kmh": 8.0,
                "above_hazard_exception": {"who": "A. Nobody", "when": "2025-01-01", "why": "test"},
            },
            "walk_behind": {
                "class": "walk-behind", "across_deg": 20.0, "up_down_deg": 20.0, "width_m": 1.0, "speed_kmh": 4.0,
            },
        },
    },
    strict=False,
)  # fmt: skip


def ground(water: float, level: float, basin: float, unknown: float) -> Ground:
    no = np.zeros((SIDE, SIDE), bool)
    shares = np.broadcast_to([water, 0.0, 0.0, level, basin, unknown], (SIDE, SIDE, 6)).copy()
    reach = np.full((1, SIDE, SIDE), np.inf)
    return Ground(
        1.0, 1.0, np.full((SIDE, SIDE), 8.0), shares, no.astype(np.uint8), no, reach, no, no, no, no, no, no, no, no
    )


def reasons_in_the_middle(of: Ground) -> dict[str, int]:
    verdict = judge(of, FLEET)
    return {machine: int(verdict.reasons[n, 6, 6]) for n, (machine, _) in enumerate(verdict.pairs)}


@pytest.mark.parametrize(
    ("shares", "ride_on", "stand_on"),
    [
        ((0.04, 0.96, 0.0, 0.0), 0, 0),
        ((0.03, 0.94, 0.0, 0.03), BIT["unknown_ground"], 0),
        ((0.03, 0.94, 0.03, 0.0), BIT["unknown_ground"], 0),
        ((0.0, 0.94, 0.03, 0.03), BIT["unknown_ground"], BIT["unknown_ground"]),
        ((0.0, 0.90, 0.10, 0.0), BIT["unknown_basin"], BIT["unknown_basin"]),
        ((0.10, 0.90, 0.0, 0.0), BIT["above_water"], 0),
    ],
)
def test_small_shares_add_up(shares: tuple[float, float, float, float], ride_on: int, stand_on: int) -> None:
    found = reasons_in_the_middle(ground(*shares))
    assert (found["ride_on"], found["stand_on"]) == (ride_on, stand_on)


def test_a_hazard_on_the_way_to_an_unknown_end_refuses_as_before() -> None:
    # 6 % unknown refuses; of these 3 % turn out to end in water, and the rest is as unknown as it was.
    before = reasons_in_the_middle(ground(0.0, 0.94, 0.0, 0.06))
    after = reasons_in_the_middle(ground(0.03, 0.94, 0.0, 0.03))
    assert before["ride_on"] and after["ride_on"]
    assert not before["walk_behind"] and not after["walk_behind"]
