"""Run-out on made ground, from heights to least heads, against arithmetic: slope, bench and wall, rises, crests, feet,
and the ramp of resistance.

The arithmetic is the energy line: a loss of mu for each metre on the map (Heim 1932; Koerner 1976).
"""

import math

import numpy as np
import pytest
from look_maker import CONDITIONS, DRY, WET, Array, Bool, fleet_at, least_head, looked

from slopekit.runout.run_out import DROP
from slopekit.runout.speed import head_of_speed
from slopekit.screening.ground import WindowGround

pytestmark = pytest.mark.reference

ROLL = 0.0875
FRICTION = {DRY: 0.35, WET: 0.2}
EARLY, LATE = 0.9, 0.1
"""Metres of head by which a grid of 1 m may tell too little (corners, crest cells, ramp) and too much."""
SLANTED = 1.4
"""The same where the wall and the foot of the slope run aslant to the cells."""
OF_LENGTH = 0.02
"""And the part of what the way loses that moves along the cells make too little."""
FAST = fleet_at(50.0)
SLOPE_M = 60.0


def along(size: tuple[int, int], azimuth: float, cell: float = 1.0) -> tuple[Array, Array]:
    """Metres down the profile from the middle of the ground, and across it."""
    i, j = (np.mgrid[: size[0], : size[1]] + 0.5) * cell
    a = math.radians(azimuth)
    y, x = i - 0.5 * size[0] * cell, j - 0.5 * size[1] * cell
    return y * math.cos(a) + x * math.sin(a), x * math.cos(a) - y * math.sin(a)


def inside(size: tuple[int, int], cells: int) -> Bool:
    out = np.zeros(size, bool)
    out[cells:-cells, cells:-cells] = True
    return out


@pytest.mark.parametrize("azimuth", [0.0, 27.0, 45.0])
@pytest.mark.parametrize("slope", [8.0, 12.0, 18.0, 25.0])
@pytest.mark.parametrize("bench", [3.0, 6.0, 10.0, 15.0, 25.0, 40.0, 80.0, 150.0])
def test_slope_bench_and_wall(slope: float, bench: float, azimuth: float) -> None:
    long = int(bench + SLOPE_M) + 40
    size = (long, 40) if azimuth == 0.0 else (long, long)
    down, across = along(size, azimuth)
    # From the foot of the slope: `up` metres above it, `on` metres along the bench.
    down += 0.5 * (bench - SLOPE_M)
    up, on, fall = np.maximum(-down, 0.0), np.maximum(down, 0.0), math.tan(math.radians(1.0))
    height = 1.4
    z = math.tan(math.radians(slope)) * up - fall * on - np.where(on >= bench, height, 0.0) + 0.0012 * across
    window = looked(z, FAST)
    # Where the way straight down to the wall lies well within the ground.
    asked = inside(size, 6) & ~window.hazards.drop & (down < bench) & (up < SLOPE_M - 5.0) & (np.abs(across) < 8.0)
    checked = 0
    for condition, mu in FRICTION.items():
        paper = np.maximum(0.0, (bench - on) * (mu - fall) - up * (math.tan(math.radians(slope)) - ROLL))
        here = asked & (paper < 9.0)
        early = paper[here] - least_head(window, condition)[here]
        lost = (bench - on[here]) * mu + up[here] * ROLL
        assert early.min() >= -LATE
        assert (early <= (EARLY if azimuth == 0.0 else SLANTED) + OF_LENGTH * lost).all()
        checked += int(here.sum())
    assert checked > 500


def test_the_benches_of_the_issue_stop_nothing() -> None:
    # Arithmetic: 12 degrees over 60 m gain 60 (tan 12 - 0.0875) = 7.5 m of head, 44 km/h; on dry level grass that is
    # gone after 21 m. A bench of 15 m stops nothing from the upper half; one of 40 m stops all.
    gained = 60.0 * (math.tan(math.radians(12.0)) - ROLL)
    assert gained == pytest.approx(7.5, abs=0.01) and head_of_speed(44.0) == pytest.approx(gained, abs=0.15)
    for bench, gets in ((15.0, True), (40.0, False)):
        down, across = along((160, 30), 0.0)
        z = np.where(down < 0.0, -math.tan(math.radians(12.0)) * down, -0.0175 * down) + 0.0012 * across
        z -= np.where(down > bench, 1.4, 0.0)
        window = looked(z, fleet_at(8.0))
        upper = (down < -45.0) & (down > -60.0) & (np.abs(across) < 8.0)
        still = least_head(window, DRY)[upper] <= 0.05
        assert still.all() if gets else np.isinf(least_head(window, DRY)[upper]).all()


def over_a_rise(height: float) -> tuple[WindowGround, Array, Bool]:
    """A slope of 12 degrees, level ground of 8 m, a bank 6 m wide up to level ground of 10 m, a wall at its end."""
    down, across = along((140, 40), 0.0)
    z = np.where(down < 0.0, -math.tan(math.radians(12.0)) * down, -0.0175 * down) + 0.0012 * across
    z += np.interp(down, [8.0, 14.0], [0.0, height]) - np.where(down > 24.0, 1.4, 0.0)
    return looked(z, FAST), down, (np.abs(across) < 8.0) & (down > -55.0) & (down < -2.0)


@pytest.mark.parametrize("height", [0.8, 1.4, 2.0])
def test_a_rise_that_the_head_clears_or_does_not(height: float) -> None:
    # Arithmetic: a machine that starts `up` metres before the foot of the slope stands up (tan 12 - 0.0875) over the
    # foot; it loses mu a metre on level ground, rolls up the bank, and must get `height` higher.
    window, down, asked = over_a_rise(height)
    gained = (math.tan(math.radians(12.0)) - ROLL) * -down[asked]
    for condition, mu in FRICTION.items():
        found = least_head(window, condition, (DROP,))[asked]
        needed = 18.0 * mu + 6.0 * ROLL + height - 24.0 * 0.0175
        early = np.maximum(0.0, needed - gained) - found
        # Three corners of the ground, which is smoothed at 2 m: each makes 2 m of level ground roll, 0.5 m of head.
        assert early.min() >= -0.3 and early.max() <= 1.5
        # From high up the head clears it, from low down it does not.
        assert (found[gained > needed + 0.3] == 0.0).all() and (found[gained < needed - 1.6] > 0.0).all()
        assert condition == DRY or (gained > needed + 0.3).any()


@pytest.mark.parametrize("speed", [4.0, 8.0, 15.0, 25.0])
@pytest.mark.parametrize("azimuth", [0.0, 27.0])
def test_level_ground_at_a_crest_by_working_speed(azimuth: float, speed: float) -> None:
    # Arithmetic: on level ground a machine at v stops within v^2 / (2 g mu); 25 km/h on wet grass 12.3 m.
    size = (90, 90)
    down, across = along(size, azimuth)
    z = 50.0 - 0.01 * down - np.where(down > 0.0, 1.4, 0.0) + 0.0012 * across
    window = looked(z, fleet_at(speed))
    asked = inside(size, 6) & (np.abs(across) < 15.0) & ~window.hazards.drop & (down < 0.0) & (down > -35.0)
    for condition, mu in FRICTION.items():
        stops = head_of_speed(speed) / (mu - 0.01)
        reached = least_head(window, condition) < np.inf
        assert reached[asked & (down > -stops)].all()
        # The crest cell's own width, a stair of crest cells, and 2 %.
        assert not reached[asked & (down < -1.03 * stops - (0.9 if azimuth == 0.0 else 1.9))].any()


@pytest.mark.parametrize("cell, block", [(1.0, 1), (0.5, 2)])
@pytest.mark.parametrize("azimuth", [0.0, 27.0, 45.0])
@pytest.mark.parametrize("height", [0.95, 1.4, 3.0])
def test_the_height_of_a_wall_protects_its_foot(height: float, azimuth: float, cell: float, block: int) -> None:
    # Arithmetic: up a wall of h takes sqrt(2 g h); 0.95 m asks for 15.5 km/h.
    size = (80, 80)
    down, across = along((80 * block, 80 * block), azimuth, cell)
    down -= 0.13
    z = 50.0 - 0.01 * down - np.where(down > 0.0, height, 0.0) + 0.0012 * across
    window = looked(z, FAST, cell=cell, block=block)
    middle = down.reshape(80, block, 80, block).mean(axis=(1, 3))
    foot = inside(size, 10) & (middle > 2.0) & (middle < 12.0)
    assert window.hazards.crest.any()
    for condition in FRICTION:
        assert least_head(window, condition, (DROP,))[foot].min() >= height


@pytest.mark.parametrize("degrees", [2.0, 3.0, 3.5, 4.0, 4.5, 5.0, 6.0])
def test_ground_on_the_ramp_of_resistance(degrees: float) -> None:
    # Arithmetic: a plane of grade t loses mu(t) - t a metre, if that is over 0.
    grade = math.tan(math.radians(degrees))
    down, across = along((110, 40), 0.0)
    z = 50.0 - grade * down - np.where(down > 30.0, 1.4, 0.0) + 0.0012 * across
    window = looked(z, FAST)
    asked = (np.abs(across) < 8.0) & (down > -40.0) & (down < 28.0)
    for condition, mu in FRICTION.items():
        loss = ROLL + (mu - ROLL) * min(1.0, max(0.0, (5.0 - degrees) / 2.0))
        paper = np.maximum(0.0, (loss - grade) * (30.0 - down))
        here = asked & (paper < 9.0)
        early = paper[here] - least_head(window, condition)[here]
        lost = (loss * (30.0 - down))[here]
        assert early.min() >= -LATE and (early <= 0.25 + OF_LENGTH * lost).all()
    if degrees >= 5.0:
        assert (least_head(window, DRY)[asked] <= 0.05).all()


def test_friction_below_rolling_holds_nowhere() -> None:
    # Ice: a friction of 0.05 is less than a machine rolls by, on any ground.
    ice = {**CONDITIONS, "ice": {"friction": 0.05, "limit_factor": 1.0}}
    down, across = along((110, 40), 0.0)
    z = 50.0 - 0.03 * down - np.where(down > 30.0, 1.4, 0.0) + 0.0012 * across
    window = looked(z, fleet_at(30.0, ice))
    asked = (np.abs(across) < 8.0) & (down > -40.0) & (down < 28.0)
    paper = 0.02 * (30.0 - down[asked])
    early = paper - least_head(window, 2)[asked]
    assert early.min() >= -LATE and early.max() <= 0.25 + OF_LENGTH * 0.05 * 70.0
    assert window.run.slippery == 2
    assert (least_head(window, WET)[asked] > least_head(window, 2)[asked]).all()
