"""What hours are made of in the fleet file: ranges, slope factors, rates; and the end of a range that rules look at.

Factors and rates are the company's own, and those here are invented.
"""

import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from slopekit.errors import InputError
from slopekit.fleet.figures import NOTHING, Range
from slopekit.fleet.load import load_fleet
from slopekit.fleet.model import Fleet, Machine
from slopekit.fleet.template import template_text
from slopekit.fleet.words import describe
from slopekit.permits.judge import BIT, Ground, judge

DRY = "schema = 1\n[conditions.dry]\nfriction = 0.35\nlimit_factor = 1.0\n"
RIDE = '[machines.m1]\nclass = "ride-on"\n'
CREW = '[machines.m1]\nclass = "hand crew"\n'
ENDS = "{ low = 7.0, expected = 8.0, high = 10.0 }"


def load(folder: Path, text: str) -> Fleet:
    path = folder / "fleet.toml"
    path.write_text(DRY + text, encoding="utf-8")
    return load_fleet(path)


def refusal(folder: Path, text: str) -> str:
    """The sentence without the file's name: one line, one full stop at its end, nobody's jargon."""
    with pytest.raises(InputError) as caught:
        load(folder, text)
    message = str(caught.value)
    assert message.startswith(f"{folder / 'fleet.toml'}: ") and message.endswith(".") and "\n" not in message
    assert ". " not in message
    for jargon in ("_type", "Input should", "pydantic", "validation", "Range"):
        assert jargon not in message
    return message[len(f"{folder / 'fleet.toml'}: ") :]


def test_ranges_arrive_end_by_end(tmp_path: Path) -> None:
    parts = "{ low = 0.7, expected = 0.8, high = 0.85 }"
    minutes = "{ low = 0, expected = 5, high = 15.5 }"
    fleet = load(
        tmp_path,
        RIDE + f"speed_kmh = {ENDS}\nefficiency = {parts}\nset_up_min = {minutes}\nturn_s = 8\n"
        "people = 2\noverlap_m = 0.1\nwidth_m = 1.5\n"
        '[machines.c]\nclass = "hand crew"\nedge_rate_m_h = 60\n'
        "hand_rate_m2_h.low = 50\nhand_rate_m2_h.expected = 80\nhand_rate_m2_h.high = 120\n",
    )
    machine, crew = fleet.machines["m1"], fleet.machines["c"]
    assert machine.speed_kmh == Range(7.0, 8.0, 10.0) and machine.efficiency == Range(0.7, 0.8, 0.85)
    assert machine.set_up_min == Range(0.0, 5.0, 15.5) and machine.turn_s == Range(8.0, 8.0, 8.0)
    assert (machine.people, machine.overlap_m) == (2, 0.1)
    assert crew.hand_rate_m2_h == Range(50.0, 80.0, 120.0) and crew.edge_rate_m_h == Range.exactly(60.0)
    assert (crew.people, crew.set_up_min, crew.overlap_m) == (1, NOTHING, 0.0)
    notes = dict(fleet.as_notes())
    assert notes["machines.m1.speed_kmh"] == "8 (7 to 10)" and notes["machines.m1.turn_s"] == "8.0"


def test_three_equal_ends_are_one_number(tmp_path: Path) -> None:
    same = load(tmp_path, RIDE + "speed_kmh = { low = 8, expected = 8, high = 8 }\n")
    assert same == load(tmp_path, RIDE + "speed_kmh = 8.0\n")
    assert same.checksum == load(tmp_path, RIDE + "speed_kmh = 8\n").checksum
    assert same.checksum != load(tmp_path, RIDE + f"speed_kmh = {ENDS}\n").checksum


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("speed_kmh = { low = 3, expected = 4 }", "machines.m1.speed_kmh must be one number, or all of { low = ,"),
        ("speed_kmh = { low = 3, expected = 4, hihg = 5 }", "machines.m1.speed_kmh must be one number, or all of"),
        ("speed_kmh = {}", "machines.m1.speed_kmh must be one number, or all of"),
        (
            "speed_kmh = { low = 3, expected = 2, high = 5 }",
            "machines.m1.speed_kmh.expected = 2.0 must lie between low = 3 and high = 5: type them in rising order",
        ),
        ("speed_kmh = { low = 3, expected = 6, high = 5 }", "machines.m1.speed_kmh.expected = 6.0 must lie between"),
        ("efficiency = { low = 0.9, expected = 0.8, high = 0.7 }", "machines.m1.efficiency.expected = 0.8 must lie"),
        ("speed_kmh = { low = 30, expected = 40, high = 61 }", "speed_kmh = 61 must be over 0 and at most 60 km/h"),
        ("speed_kmh = { low = 0, expected = 4, high = 5 }", "speed_kmh = 0 must be over 0"),
        ("efficiency = { low = 0.7, expected = 0.8, high = 1.1 }", "efficiency = 1.1 must be over 0 and at most 1"),
        ("efficiency = 80", "machines.m1.efficiency = 80 must be over 0 and at most 1: type 0.8 for 80 %"),
        ("set_up_min = { low = -1, expected = 4, high = 5 }", "machines.m1.set_up_min = -1 must be at least 0"),
        ("turn_s = { low = 1, expected = 4, high = 2e6 }", "machines.m1.turn_s = 2000000.0 must be at least 0"),
        ("speed_kmh = { low = 3, expected = 4, high = nan }", "machines.m1.speed_kmh = nan is not a plain number"),
        ("speed_kmh = { low = true, expected = 4, high = 5 }", "machines.m1.speed_kmh = true is not a plain number"),
        ('speed_kmh = { low = "3", expected = 4, high = 5 }', 'machines.m1.speed_kmh = "3" is not a plain number'),
        ("speed_kmh = [3, 4, 5]", "machines.m1.speed_kmh = a list is not a plain number"),
        ("width_m = { low = 1, expected = 1, high = 1 }", "machines.m1.width_m = a table is not a plain number"),
        ("people = 1.5", "machines.m1.people = 1.5 is not a plain number"),
        ("people = 0", "machines.m1.people = 0 must be at least 1"),
        ("width_m = 1.0\noverlap_m = 1.0", "machines.m1.overlap_m = 1.0 must be less than width_m = 1"),
        ("hand_rate_m2_h = 50", "machines.m1.hand_rate_m2_h is for a hand crew only: delete the line"),
        ("edge_rate_m_h = 50", "machines.m1.edge_rate_m_h is for a hand crew only: delete the line"),
        ("set_up_mn = 5", "set_up_mn = 5 is not a key of the fleet file: the nearest known one is 'set_up_min'"),
    ],
)  # fmt: skip
def test_a_figure_that_cannot_be_is_one_sentence(tmp_path: Path, text: str, told: str) -> None:
    assert told in refusal(tmp_path, RIDE + text + "\n")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("hand_rate_m2_h = 0", "machines.m1.hand_rate_m2_h = 0 must be over 0"),
        ("edge_rate_m_h = { low = 3, expected = 2, high = 1 }", "edge_rate_m_h.expected = 2.0 must lie between"),
        ("hand_rate = 50", "hand_rate = 50 is not a key of the fleet file: the nearest known one is 'hand_rate_m2_h'"),
    ],
)  # fmt: skip
def test_rates_of_a_hand_crew(tmp_path: Path, text: str, told: str) -> None:
    assert told in refusal(tmp_path, CREW + text + "\n")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[{ to_deg = 10.0 }]", "work.slope_factors ends with to_deg = 10: add a band with to_deg = 90.0"),
        ("[{ to_deg = 20 }, { to_deg = 20 }, { to_deg = 90 }]", "slope_factors must rise, but to_deg = 20 follows 20"),
        ("[{ to_deg = 10, machine = 0.5 }, { to_deg = 90 }]", "must not grow with slope: look at to_deg = 90"),
        ("[{ to_deg = 10, hand = 0.5 }, { to_deg = 90, machine = 0.5 }]", "must not grow with slope: look at"),
        # Bands are counted from 1, as in the notes of a result.
        ("[{ to_deg = 10 }, { to_deg = 90, mashine = 0.5 }]", "work.slope_factors.2.mashine = 0.5 is not a key of the "
         "fleet file: the nearest known one is 'machine'"),
        ("[{ to_dg = 90 }]", "work.slope_factors.1.to_dg = 90 is not a key of the fleet file: the nearest known one is "
         "'to_deg'"),
        ("[{ to_deg = 10 }, { machine = 0.5 }]", "work.slope_factors.2.to_deg is missing: each slope factor needs"),
        ("[{ to_deg = 91 }]", "work.slope_factors.1.to_deg = 91 must be at most 90 degrees"),
        ("[{ to_deg = 0 }, { to_deg = 90 }]", "work.slope_factors.1.to_deg = 0 must be over 0 degrees"),
        ("[{ to_deg = 90, machine = 0 }]", "work.slope_factors.1.machine = 0 must be over 0"),
        ("[{ to_deg = 90, hand = 1.2 }]", "work.slope_factors.1.hand = 1.2 must be at most 1"),
        ('[{ to_deg = "3:1" }]', "'3:1' (3 along to 1 up) is 18.4, rounded down"),
        ("3", "work.slope_factors = 3 is not a list of tables: write the keys of each below a heading such as "
         "[[work.slope_factors]]"),
        ("{ to_deg = 90 }", "work.slope_factors = a table is not a list of tables"),
        ("[3]", "work.slope_factors.1 = 3 is not a table: write its keys below a heading such as [[work."),
    ],
)  # fmt: skip
def test_slope_factors_that_cannot_be(tmp_path: Path, text: str, told: str) -> None:
    assert told in refusal(tmp_path, f"{RIDE}[work]\nslope_factors = {text}\n")


def test_other_slips_of_work(tmp_path: Path) -> None:
    assert "the nearest known one is 'slope_factors'" in refusal(tmp_path, RIDE + "[work]\nslope_factor = []\n")
    assert "wrok is not a table of the fleet file: the nearest known one is 'work'" in refusal(
        tmp_path, RIDE + "[wrok]\n"
    )
    zero = "[conditions.wet]\nfriction = 0.2\nwork_factor = 0\n"
    assert "conditions.wet.work_factor = 0 must be over 0" in refusal(tmp_path, RIDE + zero)
    assert "work_factor = 1.5 must be at most 1" in refusal(tmp_path, RIDE + zero.replace("= 0\n", "= 1.5\n"))
    assert "machines.m2 = 3 is not a table: write its keys below a heading such as [machines.m2]" in refusal(
        tmp_path, "[machines]\nm2 = 3\n"
    )


def test_slope_factors_arrive_with_their_defaults(tmp_path: Path) -> None:
    text = "[[work.slope_factors]]\nto_deg = 10\n[[work.slope_factors]]\nto_deg = 90\nmachine = 0.8\n"
    fleet = load(tmp_path, RIDE + text)
    assert [(b.to_deg, b.machine, b.hand) for b in fleet.work.slope_factors] == [(10.0, 1.0, 1.0), (90.0, 0.8, 1.0)]
    assert dict(fleet.as_notes())["work.slope_factors.2.machine"] == "0.8"
    assert load(tmp_path, RIDE).work.slope_factors == []
    assert load(tmp_path, RIDE).conditions["dry"].work_factor == 1.0


def ground(speeds_kmh: list[float]) -> Ground:
    """A row of places by the least speed from which a machine gets to a drop."""
    shape = (8, 8 * len(speeds_kmh))
    no = np.zeros(shape, bool)
    # v^2 / (2 g), with the standard gravity of the 3rd CGPM 1901.
    heads = (np.repeat(speeds_kmh, 8) / 3.6) ** 2 / (2.0 * 9.80665)
    drop = np.broadcast_to(heads, (1, *shape))
    return Ground(1.0, 1.0, np.full(shape, 5.0), {"drop": drop}, no, no, no, no, no, no, no, no, no)


def within_reach(speed: Any) -> list[bool]:
    machine = {
        "class": "ride-on", "across_deg": 12.0, "up_down_deg": 14.0, "width_m": 1.0, "speed_kmh": speed,
        "efficiency": 0.8,
    }  # fmt: skip
    conditions = {"dry": {"friction": 0.35, "limit_factor": 1.0}}
    fleet = Fleet.model_validate({"schema": 1, "conditions": conditions, "machines": {"m1": machine}})
    verdict = judge(ground([6.5, 7.5, 8.5, 9.5, 10.5]), fleet)
    return ((verdict.reasons[0] & BIT["reach"]) != 0).all(axis=0)[::8].tolist()


def test_reach_is_judged_at_the_high_end_of_the_speed() -> None:
    """7, 8 and 10 km/h: ground that 9.5 km/h would leave for a hazard is within reach, though 8 is expected."""
    assert within_reach({"low": 7.0, "expected": 8.0, "high": 10.0}) == [True, True, True, True, False]
    assert within_reach(8.0) == [True, True, False, False, False]
    # The lower ends refuse nothing and permit nothing.
    assert within_reach({"low": 1.0, "expected": 10.0, "high": 10.0}) == within_reach(10.0)
    # Common practice, no source: where the file gives no speed, 10 km/h.
    assert within_reach(None) == [True, True, True, True, False]
    assert Machine.model_validate({"class": "ride-on"}).top_speed_kmh is None


def words(machine: dict[str, Any]) -> str:
    conditions = {"dry": {"friction": 0.35, "limit_factor": 1.0}}
    return "\n".join(
        describe(Fleet.model_validate({"schema": 1, "conditions": conditions, "machines": {"m1": machine}}))
    )


def test_ranges_in_words() -> None:
    """8 km/h * 1.5 m * 0.8 / 10 = 0.96 ha/h (ASAE EP496)."""
    speed = {"low": 7.0, "expected": 8.0, "high": 10.0}
    text = words({"class": "ride-on", "width_m": 1.5, "speed_kmh": speed, "efficiency": 0.8})
    assert "covers 0.96 ha an hour on level ground: 8 (7 to 10) km/h, efficiency 0.8." in text
    assert "reach is judged at 10 km/h" in text
    alone = words({"class": "ride-on", "width_m": 1.5, "speed_kmh": 8.0})
    assert "efficiency is not given, so no hours can be worked out for it" in alone and "covers" not in alone


def test_hand_rates_in_words() -> None:
    crew = {"class": "hand crew", "hand_rate_m2_h": {"low": 50.0, "expected": 80.0, "high": 120.0}}
    assert "one person clears 80 (50 to 120) m2 an hour; edges are not priced." in words(crew)
    assert "one person clears 80 (50 to 120) m2 an hour; trims 60 m an hour." in words(crew | {"edge_rate_m_h": 60.0})
    assert "hand_rate_m2_h is not given, so no hours can be worked out for hand work" in words({"class": "hand crew"})


def test_the_template_offers_what_each_machine_can_have() -> None:
    """Rates stand with the hand crew only, times and efficiency with machines, and no rate is shipped."""
    blank = tomllib.loads(template_text())
    blocks = re.split(r"^\[machines\.", template_text(), flags=re.MULTILINE)[1:]
    assert len(blocks) == len(blank["machines"])
    for block, machine in zip(blocks, blank["machines"].values(), strict=True):
        by_hand = machine["class"] == "hand crew"
        for key in ("hand_rate_m2_h", "edge_rate_m_h"):
            assert bool(re.search(rf"^# {key} =$", block, re.MULTILINE)) is by_hand, key
        for key in ("efficiency", "turn_s", "overlap_m"):
            assert bool(re.search(rf"^# {key} =", block, re.MULTILINE)) is not by_hand, key
        for line in ("# people = 1", "# set_up_min = 0.0"):
            assert f"\n{line}\n" in block
        assert not {"hand_rate_m2_h", "edge_rate_m_h", "efficiency", "speed_kmh"} & set(machine)
    assert "slope_factors" in template_text() and "work_factor" in template_text()
    assert "{ low = " in template_text() and "Reach is judged at the highest speed" in template_text()
