"""What a fleet permits: limits, ceilings, hazards, soft ground, low trees."""

import pickle
from dataclasses import FrozenInstanceError
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from slopekit.fleet.machine import OPERATOR_OF
from slopekit.fleet.model import Fleet
from slopekit.hazards.settings import HazardSettings
from slopekit.schema.classes import MACHINE_CLASSES

CLASSES = list(OPERATOR_OF)
degrees = st.floats(0.0, 90.0)
maybe_degrees = st.none() | degrees
factors = st.none() | st.floats(0.0, 1.0)


def fleet_of(machine: dict[str, Any], factor: float | None = 1.0, **top: Any) -> Fleet:
    """A fleet of one machine `m` under one condition `c`; keys that are None are left out."""
    table = {key: value for key, value in machine.items() if value is not None}
    condition = {"friction": 0.3} | ({} if factor is None else {"limit_factor": factor})
    return Fleet.model_validate(
        {"schema": 1, "conditions": {"c": condition}, "machines": {"m": {"class": "ride-on"} | table}} | top
    )


def special(across: float | None, up_down: float | None) -> dict[str, Any]:
    table = {"across_deg": across, "up_down_deg": up_down}
    return {"c": {key: value for key, value in table.items() if value is not None}}


@given(maybe_degrees, maybe_degrees, maybe_degrees, maybe_degrees, maybe_degrees, factors)
def test_limits_follow_the_stated_rule(base_a, base_u, own_a, own_u, ceiling, factor):
    fleet = fleet_of(
        {"across_deg": base_a, "up_down_deg": base_u, "ceiling_deg": ceiling, "limits": special(own_a, own_u)}, factor
    )
    got = fleet.limits("m", "c")
    for limit, base, own in zip(got, (base_a, base_u), (own_a, own_u), strict=True):
        # Written from the rule, not from the code: nothing given permits nothing.
        given_at_all = own is not None or (base is not None and factor is not None)
        assert (limit is not None) == given_at_all
        if limit is not None:
            uncapped = own if own is not None else base * factor
            assert limit <= uncapped
            assert ceiling is None or limit <= ceiling
            assert limit in (uncapped, ceiling)


@given(degrees, st.floats(0.0, 1.0), st.floats(0.0, 1.0), maybe_degrees)
def test_a_smaller_factor_never_permits_more(base, one, other, ceiling):
    low, high = sorted((one, other))
    machine = {"across_deg": base, "up_down_deg": base, "ceiling_deg": ceiling}
    tight, loose = fleet_of(machine, low).limits("m", "c"), fleet_of(machine, high).limits("m", "c")
    assert all(t <= l for t, l in zip(tight, loose, strict=True))
    assert all(l <= base for l in loose)


@given(maybe_degrees, maybe_degrees, degrees, factors)
def test_a_ceiling_never_permits_more_and_alone_permits_nothing(across, own, ceiling, factor):
    machine = {"across_deg": across, "limits": special(own, None)}
    without, under = fleet_of(machine, factor).limits("m", "c"), fleet_of(machine | {"ceiling_deg": ceiling}, factor)
    across_without, across_under = without[0], under.limits("m", "c")[0]
    assert (across_without is None) == (across_under is None)
    assert across_under is None or across_under <= across_without
    assert under.limits("m", "c")[1] is None


def test_each_way_falls_back_on_its_own():
    fleet = fleet_of({"across_deg": 10.0, "up_down_deg": 16.0, "limits": special(7.0, None)}, 0.5)
    assert fleet.limits("m", "c") == (7.0, 8.0)


def test_base_limit_without_a_factor_is_absent():
    assert fleet_of({"across_deg": 10.0, "up_down_deg": 16.0}, None).limits("m", "c") == (None, None)


def test_classes_are_the_ones_of_the_output_registry():
    assert tuple(CLASSES) == MACHINE_CLASSES


@pytest.mark.parametrize("machine_class", CLASSES)
def test_operator_follows_from_the_class(machine_class):
    machine = fleet_of({"class": machine_class}).machines["m"]
    assert machine.operator == OPERATOR_OF[machine_class]
    # OSHA, Dangers of Roll-Overs of Riding Mowers: "riding mower" includes an operator who stands.
    assert machine.rides == (machine_class in ("ride-on", "stand-on"))


@pytest.mark.parametrize("machine_class", CLASSES)
@pytest.mark.parametrize("operator", list(OPERATOR_OF.values()))
def test_class_and_operator_must_agree(machine_class, operator):
    machine = {"class": machine_class, "operator": operator}
    if OPERATOR_OF[machine_class] == operator:
        assert fleet_of(machine).machines["m"].operator == operator
    else:
        with pytest.raises(ValidationError):
            fleet_of(machine)


SIGNED = {"who": "a manager", "when": date(2024, 5, 31), "why": "one short bank"}


@pytest.mark.parametrize(
    ("machine", "may"),
    [
        # Common practice, no source: nobody sits on a machine above water or a drop. One who stands can step off.
        ({"class": "ride-on"}, False),
        ({"class": "ride-on", "above_hazard": False}, False),
        ({"class": "ride-on", "above_hazard": True}, None),
        ({"class": "ride-on", "above_hazard_exception": SIGNED}, None),
        ({"class": "stand-on"}, False),
        ({"class": "stand-on", "above_hazard": True}, None),
        ({"class": "stand-on", "above_hazard_exception": SIGNED}, True),
        ({"class": "walk-behind"}, False),
        ({"class": "walk-behind", "above_hazard": False}, False),
        ({"class": "walk-behind", "above_hazard": True}, True),
        ({"class": "walk-behind", "above_hazard_exception": SIGNED}, None),
        ({"class": "remote-controlled", "above_hazard": True}, True),
        ({"class": "hand crew"}, False),
        ({"class": "hand crew", "above_hazard": True}, True),
    ],
)
def test_who_may_work_above_a_hazard(machine, may):
    """`may` None: the file is refused."""
    if may is None:
        with pytest.raises(ValidationError):
            fleet_of(machine)
    else:
        assert fleet_of(machine).machines["m"].may_work_above_hazard is may


@pytest.mark.parametrize("left_out", ["who", "when", "why"])
def test_a_written_exception_needs_all_three(left_out):
    partly = {key: value for key, value in SIGNED.items() if key != left_out}
    with pytest.raises(ValidationError):
        fleet_of({"class": "stand-on", "above_hazard_exception": partly})
    if left_out != "when":
        with pytest.raises(ValidationError):
            fleet_of({"class": "stand-on", "above_hazard_exception": SIGNED | {left_out: "  "}})


@pytest.mark.parametrize(
    ("machine", "limit", "soft", "refused"),
    [
        ({"ground_pressure_kpa": 30.0}, 40.0, True, False),
        ({"ground_pressure_kpa": 40.0}, 40.0, True, False),
        ({"ground_pressure_kpa": 40.1}, 40.0, True, True),
        ({"ground_pressure_kpa": 40.1}, 40.0, False, False),
        ({"ground_pressure_kpa": 30.0}, None, True, True),
        ({}, 40.0, True, True),
        ({"class": "hand crew"}, None, True, False),
    ],
)
def test_soft_ground(machine, limit, soft, refused):
    top = {"conditions": {"c": {"friction": 0.3, "soft": soft}}}
    if limit is not None:
        top["soft_ground"] = {"pressure_limit_kpa": limit}
    assert fleet_of(machine, **top).refused_on_soft("m", "c") is refused


@pytest.mark.parametrize(
    ("machine", "refused"),
    [
        ({"class": "ride-on"}, True),
        ({"class": "ride-on", "roll_bar": "folding"}, True),
        ({"class": "ride-on", "roll_bar": "fixed"}, True),
        ({"class": "ride-on", "roll_bar": "none"}, False),
        ({"class": "stand-on"}, False),
        ({"class": "stand-on", "roll_bar": "folding"}, True),
        ({"class": "walk-behind"}, False),
    ],
)
def test_low_trees(machine, refused):
    assert fleet_of(machine).machines["m"].refused_under_low_trees is refused


def test_fleet_and_settings_are_frozen():
    fleet = fleet_of({})
    with pytest.raises(ValidationError):
        fleet.machines["m"].across_deg = 20.0
    with pytest.raises(FrozenInstanceError):
        fleet.hazards.stand_off_m = 0.0


def test_fleet_travels_to_other_processes():
    fleet = fleet_of({"across_deg": 12.0}, hazards={"stand_off_m": 2.0})
    assert pickle.loads(pickle.dumps(fleet)) == fleet


def test_stand_off_default_is_five_feet():
    # OSHA, Dangers of Roll-Overs of Riding Mowers: wheels no nearer than 5 ft to an unprotected edge (quoted).
    # 1 ft = 0.3048 m exactly (international yard and pound agreement, 1959).
    assert HazardSettings().stand_off_m == pytest.approx(5 * 0.3048)
    assert fleet_of({}).hazards == HazardSettings()
