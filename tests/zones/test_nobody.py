"""Ground that nobody may work is what the rules leave to nobody, cell by cell: joining adds none and takes none.

So a further machine or a looser limit, which never refuses a cell that was permitted, never gives more to nobody.
"""

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from ground_maker import NO_CLASS, SHORT_LOOK, Answer, answer, fleet_of

from slopekit.fleet.model import Fleet
from slopekit.sources.elevation import open_elevation
from slopekit.sources.raster import rasterize
from slopekit.zones.join import join_patches

pytestmark = pytest.mark.property

GROUND = Path(__file__).parents[1] / "data" / "ground" / "village_scarp_1m.tif"
TWO = {"dry": {"friction": 0.35, "limit_factor": 1.0}, "wet": {"friction": 0.2, "limit_factor": 0.8}}
SIDE = 90.0


def fleets(seed: int) -> list[Fleet]:
    """A small fleet drawn at random, then the same with a machine more, with looser limits, and with both."""
    random = np.random.default_rng(seed)
    kinds = ["ride-on", "stand-on", "walk-behind", "remote-controlled"]

    def machine() -> dict[str, Any]:
        across, more = random.uniform(8.0, 22.0), random.uniform(-4.0, 8.0)
        return {
            "class": str(random.choice(kinds)), "across_deg": across, "up_down_deg": max(5.0, across + more),
            "width_m": random.uniform(0.7, 2.0), "speed_kmh": 5.0, "above_hazard": False,
        }  # fmt: skip

    def fleet(machines: dict[str, dict[str, Any]], crew: float) -> Fleet:
        few = {"zones": {"min_zone_m2": float(least)}}
        made = fleet_of(conditions=TWO, settings={**SHORT_LOOK, **few}, crew={"across_deg": crew, "up_down_deg": crew})
        machines = {**machines, "crew": made.machines["crew"].model_dump(by_alias=True, exclude_none=True)}
        return Fleet.model_validate({"schema": 1, **SHORT_LOOK, **few, "conditions": TWO, "machines": machines})

    least, crew = random.choice([50.0, 150.0, 400.0]), random.uniform(9.0, 18.0)
    few = {f"m{n}": machine() for n in range(2)}
    more = {**few, "extra": machine()}
    loose = copy.deepcopy(few)
    for one in loose.values():
        one["across_deg"] += 3.0
        one["up_down_deg"] += 2.0
    return [
        fleet(few, crew),
        fleet(more, crew),
        fleet(loose, crew + 2.0),
        fleet({**loose, "extra": more["extra"]}, crew),
    ]


def nobody(found: Answer, condition: str | None = None) -> np.ndarray:
    """Cells in zones that nobody may work, under one condition or under every one."""
    if condition is None:
        return (found.final_class() == NO_CLASS) & found.inside
    left = found.zones.geometry[found.zones[f"class_{condition}"] == "none"]
    return rasterize(list(left), found.grid) & found.inside


@pytest.mark.parametrize("seed", [0, 2, 3, 4, 5])
def test_more_machines_and_looser_limits_never_give_more_to_nobody(seed: int) -> None:
    elevation = open_elevation([GROUND])
    west, south, _, _ = elevation.survey.grid.bounds
    x, y = west + 150.0 + 110.0 * seed, south + 760.0 - 107.0 * seed
    parcel = shapely.box(x, y, x + SIDE, y + SIDE)
    few, *others = (answer(elevation, parcel, fleet) for fleet in fleets(seed))
    for found in (few, *others):
        assert (nobody(found) == (found.raw_class() == NO_CLASS) & found.inside).all()
        for condition in TWO:
            may = np.any([found.raw(machine, condition) for machine in found.fleet.machines], axis=0)
            assert (nobody(found, condition) == ~may & found.inside).all()
    for found in others:
        for condition in (None, *TWO):
            assert not (nobody(found, condition) & ~nobody(few, condition)).any()
    # Not because there is none, or nothing else.
    assert any(nobody(found, condition).any() for found in (few, *others) for condition in (None, *TWO))
    assert not nobody(few).all()


def joined(machine_b: bool) -> int:
    """Cells left to nobody on a strip: 40 cells that nobody may work, 30 of A alone, 100 of crew and A, and machine B.

    B may work the 100 cells and not the 30: they can then join ground of nobody alone, or stay.
    """
    key = np.repeat([0, 1, 2], [40, 30, 100])[None, :] + 1
    a = key >= 2
    masks = [a, key == 3] if machine_b else [a]
    permitted = np.array(masks)
    worked = permitted.any(axis=0)[None]
    rows = join_patches(key.astype(np.int64), permitted, worked, np.ones(key.shape, bool), np.zeros(key.shape), 35.0)
    out = 0
    for n in range(len(rows.spot)):
        cells = rows.row == n
        if not any(mask[cells].all() for mask in permitted):
            out += int(cells.sum())
    return out


def test_a_machine_more_gives_nobody_no_more() -> None:
    # With B the 30 cells fit no neighbour but the one of nobody, which took them: 40 became 70.
    assert joined(False) == 40
    assert joined(True) == 40


def test_a_machine_without_one_way_for_all_hosts_only_what_it_may_work() -> None:
    # A machine may work all of the second patch, half of it across only and half of it up and down only; another one
    # the first patch alone.
    key = np.repeat([1, 2], [30, 100])[None, :]
    other, first, second = key == 1, (key == 2) & (np.arange(130) < 80), (key == 2) & (np.arange(130) >= 80)
    nothing = np.zeros(key.shape, bool)
    permitted = np.array([other, first | second, other, nothing, nothing, nothing, first, second])
    worked = np.ones((1, *key.shape), bool)
    rows = join_patches(key.astype(np.int64), permitted, worked, np.ones(key.shape, bool), np.zeros(key.shape), 35.0)
    assert rows.row[0, 0] != rows.row[0, 129]
