"""The ground of known accidents, rebuilt and screened from file to zones, and its near misses.

Each is caught for the right reason: limits are set so that slope alone would not refuse, wherever slope is not the
reason. Level ground falls 1 %, since cells of one height count as water.
"""

import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from accident_ground import FALL, FT, SIZE, Profile, along, bank, downhill, ground, plan_of, screened, wall
from ground_maker import NORTH, SHORT_LOOK, WEST, Answer, Bool, box, fleet_of

from slopekit.fleet.model import Fleet
from slopekit.sources.layers import Layer, Layers

pytestmark = pytest.mark.reference

# Straight down the columns, and 27 degrees off, where edges run in steps across the cells.
AZIMUTHS = (0.0, 27.0)
LAWN = 0.12  # steeper than the ground on which tyres are trusted to hold
# What a machine at 8 km/h needs to stop on a dry lawn that falls 1 % (arithmetic: v^2 / 2 g over 0.35 - 0.01).
# No less than a cell, whose nearer side lies nearer.
STOPS = max(1.0, (8.0 / 3.6) ** 2 / (2.0 * 9.80665) / (0.35 - FALL))


def steep_fleet(**machines: dict[str, object]) -> Fleet:
    """Limits that no bank here breaks but the drops themselves: what is refused is refused for another reason."""
    return fleet_of((36.0, 36.0, 36.0, 60.0), settings=SHORT_LOOK, **machines)


def all_refused(a: Answer, cells: Bool, machine: str, *codes: str) -> bool:
    """Whether one of `codes` refuses the machine on every one of some cells, and no zone there permits it."""
    assert cells.any()
    found = np.logical_or.reduce([a.refused(machine, code)[cells] for code in codes])
    return bool(found.all() and not a.final(machine)[cells].any())


def all_permitted(a: Answer, cells: Bool, machine: str) -> bool:
    assert cells.any()
    return bool(a.final(machine)[cells].all())


@pytest.mark.parametrize("azimuth", AZIMUTHS)
@pytest.mark.parametrize("angle", [20.0, 25.0, 30.0])
@pytest.mark.parametrize("given", [False, True], ids=["flat cells", "given water"])
def test_bank_above_water(tmp_path: Path, angle: float, azimuth: float, given: bool) -> None:
    # OSHA accident 125964.015 (2020): a bank of 20 to 30 degrees that ends in water.
    height = 5.0
    plan = plan_of(angle, height)
    z = ground(bank(angle, height), azimuth)
    layers = Layers()
    if not given:
        # The survey's water level, 0.1 m up the bank and all along it.
        z = np.maximum(z, 50.0 - height + 0.1)
    else:
        # A pond that the survey did not flatten, from the foot on.
        y, x = np.mgrid[:SIZE, :SIZE] + 0.5
        wet = downhill(x, y, azimuth) > plan
        low = shapely.MultiPoint(np.stack([WEST + x[wet], NORTH - y[wet]], axis=1)).convex_hull
        layers = Layers(water=Layer.of("pond", [low.buffer(0.4)]))
    a = screened(tmp_path, z, steep_fleet(walk_behind={"above_hazard": True}), layers)
    d = along(a.grid, azimuth)
    face = a.inside & (d > 0.5) & (d < plan - 2.5)
    for machine in ("ride_on", "stand_on"):
        assert all_refused(a, face, machine, "above_water")
        assert not a.refused(machine, "slope")[face].any()
        # Above the bank too, as far as a machine at work does not stop before it.
        assert all_refused(a, a.inside & (d < 0.0) & (d > -STOPS), machine, "above_water", "reach")
        # Machine within 5 ft (1.524 m) of the water.
        assert all_refused(a, a.inside & (d > plan - 1.5) & (d < plan - 0.7), machine, "stand_off")
    # Those who may work above water by the company's word are not refused for it.
    assert all_permitted(a, face, "walk_behind") and all_permitted(a, face, "crew")
    zones = a.over(face)
    assert set(zones.reason) <= {"above_water", "stand_off"}
    main = zones.sort_values("plan_m2").iloc[-1]
    assert main.reason == "above_water" and main.hazard == "water"
    # Geometry: the fall from the crest to the water is the bank's height; the water's first cell may lie up the bank.
    assert height + 0.1 > main.fall_m > height - 0.1 - math.tan(math.radians(angle))
    # Nobody mows the water.
    water = a.inside & (d > plan + 1.5)
    assert not any(a.final(m)[water].any() for m in a.fleet.machines)


def test_soft_ground_on_a_bank(tmp_path: Path) -> None:
    # OSHA accident 125964.015 (2020): the soil was soft. Heavy machines are refused, the light one is not.
    z = ground(bank(25.0, 5.0), 0.0)
    soft = Layers(soft=Layer.of("soft", [box(80.0, 98.0, 42.0, 14.0)]))
    a = screened(tmp_path, z, steep_fleet(), soft)
    cells = a.inside & (along(a.grid, 0.0) > -1.0) & (along(a.grid, 0.0) < 11.0)
    for machine in ("ride_on", "stand_on"):
        assert all_refused(a, cells, machine, "soft")
        assert (a.reasons(machine)[cells] == a.reasons(machine)[cells][0]).all(), "soft is the only reason"
    assert all_permitted(a, cells, "walk_behind")
    assert set(a.over(cells).reason) == {"soft"}


@pytest.mark.parametrize("azimuth", AZIMUTHS)
@pytest.mark.parametrize("angle", [20.0, 25.0, 30.0])
def test_the_same_bank_above_level_ground_is_not_refused(tmp_path: Path, angle: float, azimuth: float) -> None:
    # Near miss of OSHA accident 125964.015 (2020): no water below. Along the face a machine rolls on for 57 m, 5 m of
    # fall over 0.0875: the look goes farther.
    fleet = fleet_of((36.0, 36.0, 36.0, 60.0), settings={"runout": {"look_m": 75.0}})
    a = screened(tmp_path, ground(bank(angle, 5.0), azimuth), fleet)
    for machine in a.fleet.machines:
        assert all_permitted(a, a.inside, machine)
    assert set(a.zones.reason) == {""} and set(a.zones.hazard) == {"none"}


@pytest.mark.parametrize("azimuth", [*AZIMUTHS, 45.0])
@pytest.mark.parametrize("above", [FALL, -FALL], ids=["falls to the wall", "falls away"])
def test_retaining_wall_below_mown_ground(tmp_path: Path, azimuth: float, above: float) -> None:
    # OSHA, Dangers of Roll-Overs of Riding Mowers: a 3 ft retaining wall; wheels no nearer than 5 ft (quoted).
    a = screened(tmp_path, ground(wall(3.0 * FT, above=above), azimuth), steep_fleet())
    d = along(a.grid, azimuth)
    edge = a.inside & (d < -0.01) & (d > -1.524)
    for machine in ("ride_on", "stand_on"):
        # Level ground above a wall: whatever the slope, and whichever way the ground falls.
        assert all_refused(a, edge, machine, "stand_off")
        level = edge & (d < -1.0)
        assert not a.refused(machine, "slope")[level].any()
        if above > 0.0:
            assert all_refused(a, a.inside & (d < -0.01) & (d > -STOPS), machine, "above_drop", "reach")
    # The lawn beyond the stand-off is free.
    assert all_permitted(a, a.inside & (d < -9.0), "ride_on")
    # The crew with its trimmers may work inside the stand-off.
    assert all_permitted(a, edge, "crew")
    # One fall of 3 ft and the 1 % over a cell.
    heights = a.window.hazards.height[a.window.hazards.crest]
    assert heights.min() > 0.9 and heights.max() < 3.0 * FT + 0.03
    assert {"above_drop" if above > 0.0 else "stand_off"} <= set(a.over(edge).reason)


@pytest.mark.parametrize("azimuth", AZIMUTHS)
@pytest.mark.parametrize(
    "edge", [wall(3.0 * FT, above=LAWN), bank(49.0, 19.0 * FT, above=LAWN), bank(60.0, 1.68, above=LAWN)],
    ids=["3 ft wall", "19 ft bank at 49 degrees", "1.94 m bank at 60 degrees"],
)  # fmt: skip
def test_lawn_on_which_nothing_holds_above_a_drop(tmp_path: Path, edge: Profile, azimuth: float) -> None:
    # The drops of the OSHA page, MIFACE 05MI060 and the WorkSafe Victoria alert below a lawn of 7 degrees.
    a = screened(tmp_path, ground(edge, azimuth), steep_fleet())
    lawn = a.inside & (along(a.grid, azimuth) < -0.01)
    for machine in ("ride_on", "stand_on"):
        assert all_refused(a, lawn, machine, "above_drop")
        assert not a.refused(machine, "slope")[lawn].any()
    assert all_permitted(a, lawn, "crew")


@pytest.mark.parametrize("azimuth", AZIMUTHS)
def test_foot_of_a_wall_is_not_refused(tmp_path: Path, azimuth: float) -> None:
    # Near miss of the OSHA wall: ground below it is at no risk from the drop.
    a = screened(tmp_path, ground(wall(3.0 * FT), azimuth), steep_fleet())
    foot = a.inside & (along(a.grid, azimuth) > 0.01)
    for machine in ("ride_on", "stand_on", "walk_behind"):
        for code in ("stand_off", "above_drop", "unknown_ground", "unknown_basin", "reach"):
            assert not a.refused(machine, code)[foot].any(), code
    assert all_permitted(a, foot & (along(a.grid, azimuth) > 1.5), "ride_on")


def test_wall_that_a_coarse_grid_hides_is_caught_by_the_users_line(tmp_path: Path) -> None:
    # Arithmetic: 3 ft on 3 m cells is a grade of 17 degrees, far under the 40 of a drop.
    z = ground(wall(3.0 * FT), 0.0, 3.0)
    unseen = screened(tmp_path, z, steep_fleet(), cell=3.0)
    assert not unseen.window.hazards.crest.any()
    # The step lies between the cell rows that end and begin 102 m down.
    line = shapely.LineString([(WEST + 20.0, NORTH - 101.0), (WEST + 180.0, NORTH - 101.0)])
    a = screened(tmp_path, z, steep_fleet(), Layers(walls=Layer.of("walls", [line])), cell=3.0)
    i, _ = np.mgrid[: a.grid.height, : a.grid.width]
    y = NORTH - (a.grid.north - (i + 0.5) * 3.0)
    assert all_refused(a, a.inside & (y > 96.0) & (y < 99.0), "ride_on", "stand_off")
    assert not a.refused("ride_on", "stand_off")[a.inside & (y > 102.0)].any()
    assert not unseen.refused("ride_on", "stand_off").any()


@pytest.mark.parametrize("azimuth", AZIMUTHS)
def test_bank_too_steep_to_ride(tmp_path: Path, azimuth: float) -> None:
    # NIOSH FACE 2000-25: a 15 ft bank at 35 degrees, the lower part by machine, the rest by hand. Limit of 15 degrees:
    # OSHA, Dangers of Roll-Overs of Riding Mowers (quoted).
    height = 15.0 * FT
    plan = plan_of(35.0, height)
    a = screened(tmp_path, ground(bank(35.0, height), azimuth), fleet_of((15.0, 15.0, 15.0, 40.0), settings=SHORT_LOOK))
    d = along(a.grid, azimuth)
    face = a.inside & (d > 0.0) & (d < plan)
    for machine in ("ride_on", "stand_on", "walk_behind"):
        # The lower part no less than the rest.
        assert all_refused(a, face, machine, "slope")
    assert all_permitted(a, face, "crew")
    zones = a.over(face & (d > 1.0) & (d < plan - 1.0))
    assert set(zones.machine_class) == {"hand crew"} and set(zones.reason) == {"slope"}
    assert zones.machine_slope_max_deg.max() == pytest.approx(35.0, abs=0.3)
    assert all_permitted(a, a.inside & (d > plan + 3.5), "ride_on")
    assert all_permitted(a, a.inside & (d < -3.5), "ride_on")


@pytest.mark.parametrize("azimuth", AZIMUTHS)
@pytest.mark.parametrize("above", [FALL, -FALL], ids=["falls to the bank", "falls away"])
def test_level_ground_at_the_top_of_a_high_bank(tmp_path: Path, azimuth: float, above: float) -> None:
    # MIFACE 05MI060: level ground at the top of a 19 ft bank at 49 degrees.
    height = 19.0 * FT
    a = screened(tmp_path, ground(bank(49.0, height, above=above), azimuth), steep_fleet())
    d = along(a.grid, azimuth)
    # The edge of a bank between two cells can be told to one cell.
    level = a.inside & (d < -1.0) & (d > -1.524)
    for machine in ("ride_on", "stand_on"):
        assert all_refused(a, level, machine, "stand_off")
        if above > 0.0:
            assert all_refused(a, a.inside & (d < 0.0) & (d > -STOPS), machine, "above_drop", "reach")
    # Two metres out the ground is level to the machine: slope is not what refuses.
    assert not a.refused("ride_on", "slope")[a.inside & (d < -2.0)].any()
    # A step at either end of the run may be cut short by the cells: up to one step of 1.15 m each.
    heights = a.window.hazards.height[a.window.hazards.crest & np.isfinite(a.window.hazards.height)]
    assert heights.max() == pytest.approx(height, abs=1.2)
    assert all_permitted(a, a.inside & (d < -9.0), "ride_on")


@pytest.mark.parametrize("cell", [1.0, 0.5])
@pytest.mark.parametrize("phase", np.arange(0.0, 1.0, 0.125))
def test_short_steep_bank(tmp_path: Path, phase: float, cell: float) -> None:
    # WorkSafe Victoria alert: a bank of 60 degrees, 1.94 m long, wherever its edge falls between the cells.
    height = 1.94 * math.sin(math.radians(60.0))
    profile = bank(60.0, height)
    a = screened(tmp_path, ground(lambda d: profile(d - phase * cell), 0.0, cell), steep_fleet(), cell=cell)
    d = along(a.grid, 0.0) - phase * cell
    top = a.inside & (d < 0.0) & (d > -1.524)
    for machine in ("ride_on", "stand_on"):
        assert all_refused(a, top, machine, "stand_off")
        assert all_refused(a, a.inside & (d < 0.01) & (d > -STOPS), machine, "above_drop", "reach")
    assert all_permitted(a, a.inside & (d < -9.0), "ride_on")
    foot = a.inside & (d > 0.97 + 1.0)
    assert not a.refused("ride_on", "stand_off")[foot].any() and not a.refused("ride_on", "above_drop")[foot].any()
