"""The cells of a drop itself: no machine works on them, whatever the company allows above a drop.

Slope reads low there: a wall of 0.914 m reads as 24.6 degrees by Horn's formula on a grid of 1 m (0.914 / 2 over one
cell), which a machine for steep ground may work. The rule is common practice, no source.
"""

from dataclasses import replace

import numpy as np
import pytest
from ground_maker import fleet_of

from slopekit.permits.judge import BIT, Ground, judge

SIDE = 20


def machines() -> dict[str, dict[str, object]]:
    steep = {"across_deg": 40.0, "up_down_deg": 40.0, "width_m": 1.0, "speed_kmh": 4.0, "above_hazard": True}
    return {"walk_behind": steep, "remote": {"class": "remote-controlled", **steep}}


def ground() -> Ground:
    """A wall along row 10 that the slope shows as 24.6 degrees; all else is a lawn of 4 degrees."""
    no = np.zeros((SIDE, SIDE), bool)
    slope = np.full((SIDE, SIDE), 4.0)
    slope[10] = np.degrees(np.arctan(0.914 / 2.0))
    drop = no.copy()
    drop[10] = True
    return Ground(
        1.0, 1.0, slope, {}, water=no, other=no, drop=drop, stand_off=no, soft=no,
        canopy=no, no_go=no, blocked=no, drives=no,
    )  # fmt: skip


def test_the_wall_of_the_published_height_is_within_the_machines_limit() -> None:
    assert ground().limit_deg[10, 0] == pytest.approx(24.6, abs=0.05)


@pytest.mark.parametrize("machine", ["walk_behind", "remote"])
def test_a_machine_that_may_work_above_drops_is_refused_on_one(machine: str) -> None:
    fleet = fleet_of((40.0, 40.0, 40.0, 40.0), **machines())
    with_drop, without = (judge(g, fleet) for g in (ground(), replace(ground(), drop=np.zeros((SIDE, SIDE), bool))))
    n = with_drop.pairs.index((machine, "dry"))
    assert (without.reasons[n] == 0).all()
    assert (with_drop.reasons[n][10] == BIT["above_drop"]).all()
    # Next to it: nothing of this rule.
    assert (with_drop.reasons[n][[9, 11]] & BIT["above_drop"] == 0).all()
    assert (with_drop.reasons[n][5] == 0).all()


def test_the_hand_crew_is_not_refused_for_it_and_nobody_gains() -> None:
    fleet = fleet_of((40.0, 40.0, 40.0, 40.0), **machines())
    with_drop, without = (judge(g, fleet) for g in (ground(), replace(ground(), drop=np.zeros((SIDE, SIDE), bool))))
    crew = with_drop.pairs.index(("crew", "dry"))
    assert (with_drop.reasons[crew] == 0).all()
    assert not ((with_drop.reasons == 0) & (without.reasons != 0)).any()
    assert ((with_drop.reasons[:, 10] != 0).sum(axis=0) == 4).all()
