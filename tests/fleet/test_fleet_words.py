"""What the fleet file says, in words."""

import math
import re
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slopekit.fleet.load import load_fleet
from slopekit.fleet.model import Fleet
from slopekit.fleet.new_file import write_new
from slopekit.fleet.template import template_text
from slopekit.fleet.words import describe, limit_words, slope_words

READY = {
    "class": "ride-on", "across_deg": 12.0, "up_down_deg": 15.0, "width_m": 1.5, "speed_kmh": 8.0, "efficiency": 0.8,
    "ground_pressure_kpa": 30.0, "roll_bar": "folding",
}  # fmt: skip


def made(machine, conditions=None, **top):
    conditions = conditions or {"dry": {"friction": 0.35, "limit_factor": 1.0}}
    return Fleet.model_validate({"schema": 1, "conditions": conditions, "machines": {"m1": machine}} | top)


def words(machine, conditions=None, **top):
    return "\n".join(describe(made(machine, conditions, **top)))


def test_limits_in_one_line_are_rounded_down():
    conditions = {"dry": {"friction": 0.35, "limit_factor": 1.0, "label": "Dry grass"}, "wet": {"friction": 0.2}}
    fleet = made(READY | {"across_deg": 12.99, "limits": {"wet": {"up_down_deg": 9.0}}}, conditions)
    told = "Dry grass 12.9° across and 15° up and down, wet not across and 9° up and down"
    assert limit_words(fleet, "m1") == told


# Arithmetic: 3:1 is 18.435 degrees and 33.3 %; 15 degrees is 3.73:1 and 26.79 %; 10 degrees is 17.63 %.
@pytest.mark.parametrize(
    ("degrees", "text"),
    [
        (18.435, "18.4 degrees (3.0:1, 33 %)"),
        (15.0, "15.0 degrees (3.7:1, 27 %)"),
        (12.0, "12.0 degrees (4.7:1, 21 %)"),
        (12.99, "12.9 degrees (4.3:1, 23 %)"),
        (45.0, "45.0 degrees (1.0:1, 100 %)"),
        (0.0, "0.0 degrees (level, 0 %)"),
        (90.0, "90.0 degrees (a wall)"),
    ],
)
def test_slope_words(degrees, text):
    assert slope_words(degrees) == text


@given(st.floats(0.0, 90.0))
def test_slope_words_never_round_a_limit_up(degrees):
    shown = float(slope_words(degrees).split()[0])
    assert shown <= degrees + 1e-9 and degrees - shown < 0.1 + 1e-9


def test_a_machine_in_words():
    text = words(READY, soft_ground={"pressure_limit_kpa": 25.0})
    assert "m1, ride-on, operator seated:" in text
    assert "dry: across up to 12.0 degrees (4.7:1, 21 %), up and down up to 15.0 degrees (3.7:1, 27 %)." in text
    assert "never above water, a drop or a marked hazard" in text
    assert "refused under low trees: the roll bar is folding and must stay up" in text
    assert "refused on soft ground: it presses 30 kPa, the limit is 25 kPa" in text
    assert "reach is judged at 8 km/h" in text
    assert "not given" not in text


@pytest.mark.parametrize(
    ("missing", "sentence"),
    [
        ("width_m", "refused everywhere: width_m is not given"),
        ("speed_kmh", "speed_kmh is not given: reach is judged at 10 km/h, and no hours"),
        ("ground_pressure_kpa", "refused on soft ground: ground_pressure_kpa is not given"),
        ("roll_bar", "refused under low trees: roll_bar is not given"),
        ("efficiency", "efficiency is not given, so no hours"),
        ("across_deg", "dry: across refused: no limit given, up and down up to 15.0"),
        ("up_down_deg", "dry: across up to 12.0 degrees (4.7:1, 21 %), up and down refused: no limit given"),
    ],
)
def test_what_is_missing_and_what_it_causes(missing, sentence):
    soft = {"soft_ground": {"pressure_limit_kpa": 40.0}}
    assert sentence not in words(READY, **soft)
    assert sentence in words({key: value for key, value in READY.items() if key != missing}, **soft)


def test_a_limit_that_does_not_count_is_explained():
    text = words(READY, {"dry": {"friction": 0.35, "limit_factor": 1.0}, "wet": {"friction": 0.2}})
    assert "wet: refused on every slope: the machine's own limit does not count here" in text
    assert "conditions.wet.limit_factor" in text and "machines.m1.limits.wet" in text


def test_the_ceiling_in_words():
    assert "lowered by the mechanical ceiling of 13.0 degrees" in words(READY | {"ceiling_deg": 13.0})
    assert "ceiling" not in words(READY | {"ceiling_deg": 25.0})
    only = {key: value for key, value in READY.items() if key not in ("across_deg", "up_down_deg")}
    assert "no limit given, and a mechanical ceiling alone permits nothing" in words(only | {"ceiling_deg": 25.0})


def test_the_written_exception_in_words():
    signed = {"who": "grounds manager", "when": date(2024, 5, 31), "why": "one short bank."}
    text = words(READY | {"class": "stand-on", "above_hazard_exception": signed})
    assert "only by the written exception of grounds manager, 2024-05-31: one short bank." in text
    assert "never above" not in text
    assert "never above" in words(READY | {"class": "stand-on"})


def test_people_on_foot():
    crew = {"class": "hand crew", "across_deg": 30.0, "up_down_deg": 30.0, "width_m": 0.4}
    text = words(crew)
    assert "never above water, a drop or a marked hazard: above_hazard is not given" in text
    assert "reach" not in text and "refused on soft ground" not in text
    assert "the company lets it work above" in words(crew | {"above_hazard": True})


def test_soft_counts_only_under_the_conditions_that_say_so():
    conditions = {"dry": {"friction": 0.35, "soft": False}, "wet": {"friction": 0.2}}
    assert "refused on soft ground (wet): soft_ground.pressure_limit_kpa is not given" in words(READY, conditions)
    dry = {"dry": {"friction": 0.35, "soft": False}}
    assert "soft ground is not judged under any condition" in words(READY, dry)


def test_a_likely_slip_is_pointed_out():
    assert "look again: limits.dry.across_deg = 21 is over" in words(READY | {"limits": {"dry": {"across_deg": 21.0}}})
    assert "look again" not in words(READY | {"limits": {"dry": {"across_deg": 11.0}}})


def test_cautions_close_it_and_no_ground_is_vouched_for(tmp_path):
    for text in (
        words(READY),
        "\n".join(describe(load_fleet(write_new(tmp_path / "fleet.toml", template_text(), "limits")))),
    ):
        assert "the company's own" in text
        assert "operator's manual, local codes and rules, licensed practice and the site supervisor decide" in text
        assert not re.search(r"\bsafe\b", text)


@given(st.floats(0.0, 90.0), st.floats(0.0, 1.0), st.none() | st.floats(0.0, 90.0))
def test_words_and_limits_agree(base, factor, ceiling):
    machine = READY | {"across_deg": base} | ({} if ceiling is None else {"ceiling_deg": ceiling})
    text = words(machine, {"dry": {"friction": 0.3, "limit_factor": factor}})
    said = float(re.search(r"dry: across up to ([\d.]+) degrees", text)[1])
    true = base * factor if ceiling is None else min(base * factor, ceiling)
    assert said <= true + 1e-9
    assert math.isclose(said, true, abs_tol=0.1 + 1e-9)


def test_tread_in_words_and_in_no_zone():
    with_tread = [made(READY | {"tread": tread}) for tread in ("smooth", "aggressive")]
    assert len({fleet.zones_checksum for fleet in (made(READY), *with_tread)}) == 1
    assert len({fleet.checksum for fleet in (made(READY), *with_tread)}) == 3
    tearing = "its tread tears turf in a turn"
    assert tearing in words(READY | {"tread": "aggressive"})
    assert tearing not in words(READY | {"tread": "smooth"}) and tearing not in words(READY)


def test_crossing_and_discharge_in_words():
    text = words(READY | {"cross_up_deg": 18.435, "cross_across_deg": 15.0, "discharge": "left"})
    # 18.435 degrees is 3:1.
    told = "on its route to work, before the condition's factor: up 18.4 degrees (3.0:1, 33 %), across 15.0 degrees"
    assert told in text and "throws the cut grass to the left." in text
    plain = words(READY)
    assert "on its way" not in plain and "throws" not in plain
