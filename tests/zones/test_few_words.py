"""A zone in a few words: nobody who is refused is left out, and nobody else is named as not refused."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slopekit.fleet.model import Fleet
from slopekit.fleet.noted import NotedMachine, noted
from slopekit.schema.classes import WAYS
from slopekit.schema.reasons import REASON_CODES, REASONS
from slopekit.wording import UNITS
from slopekit.zones.few_words import LEFT_OUT, NOBODY, TEARING, WORKING_RULES, FewWords, few_words

MACHINES = {
    "wide": NotedMachine("Wide deck", "ride-on", "folding", "aggressive"),
    "small": NotedMachine("", "walk-behind", "", ""),
    "crew": NotedMachine("", "hand crew", "", ""),
}
CONDITIONS = {"dry": "Dry grass", "wet": "wet"}


def zone(dry: str = "", wet: str = "", **more: Any) -> dict[str, Any]:
    plain = {
        "machine_class": "ride-on", "way": "either", "reason": "", "reasons": None, "marginal_share": None,
        "short_steep_share": 0.0, "channel_share": 0.0, "permitted_dry": dry, "permitted_wet": wet,
    }  # fmt: skip
    return plain | more


def told(row: dict[str, Any], **more: Any) -> FewWords:
    given_: dict[str, Any] = {"spot": False, "start": None, "routes": (), "units": UNITS["metric"]}
    return few_words(row, MACHINES, CONDITIONS, **{**given_, **more})


def test_every_reason_has_few_words() -> None:
    few = [row.few for row in REASONS.values()]
    assert all(0 < len(words) <= 38 for words in few)
    assert len(set(few)) == len(few) >= 15


@given(st.sets(st.sampled_from(list(MACHINES))), st.sets(st.sampled_from(list(MACHINES))), st.data())
def test_everybody_is_named_where_they_belong(dry: set[str], wet: set[str], data: st.DataObject) -> None:
    reasons = data.draw(st.lists(st.sampled_from(REASON_CODES), unique=True))
    reason = data.draw(st.sampled_from(reasons or [""]))
    words = told(zone(",".join(sorted(dry)), ",".join(sorted(wet)), reason=reason, reasons=",".join(reasons)))
    whole, held = dry & wet, set(MACHINES) - (dry & wet)
    lines = [line for line in words.may if line != NOBODY]
    first = set(lines[0].split(", ")) if whole else set()
    assert first == whole
    for condition, under in (("Dry grass", dry), ("wet", wet)):
        only = [line.partition(": ")[2].split(", ") for line in lines if line.startswith(f"{condition} only: ")]
        assert {name for names in only for name in names} == under - whole
    assert (words.may == [NOBODY]) == (not dry and not wet)
    assert len(words.refused) == (1 if held else 0)
    for who, why in words.refused:
        assert all(name in who for name in held) and not any(name in who for name in whole)
        assert why and all(REASONS[code].few in why for code in reasons)
        assert not reason or why.startswith(REASONS[reason].few)


def test_what_is_left_out_is_not_judged() -> None:
    assert told(zone(machine_class="excluded")) == FewWords([LEFT_OUT], [], [])


@pytest.mark.parametrize("way", WAYS)
def test_ways_without_a_start(way: str) -> None:
    assert bool(told(zone("wide", "wide", way=way)).how) == (way != "either")


def test_how_a_zone_is_worked() -> None:
    start = {"corner": "lower right", "way": "across", "bearing_deg": 359.7}
    routes = [
        {"direction": "in", "entrance": 2, "length_m": 30.48},
        {"direction": "out", "entrance": 3, "length_m": 90.0},
    ]
    words = told(zone("small", "small", marginal_share=0.004), start=start, routes=routes, units=UNITS["us"])
    assert words.how == [
        "Start at S, lower right, bearing 0°: across if the manual allows.",
        "Route in: 100 ft from E2.",
        "Measure the slope: under 1 % is too near a limit.",
    ]
    up = told(zone("small", "small"), start={**start, "way": "up-and-down"}).how
    assert up == ["Start at S, lower right, bearing 0°: straight up and down, never across."]
    spots = told(zone("crew", "crew", short_steep_share=0.1, channel_share=0.2), spot=True).how
    assert spots[0] == "Small spots: mark them before work." and len(spots) == 3


def test_turns_are_advised_on_soft_ground_to_machines_alone() -> None:
    assert told(zone("small", "", reasons="soft")).how == ["Soft ground: three-point turns."]
    assert told(zone("crew", "crew", reasons="soft")).how == []
    assert told(zone("small", "small", reasons="slope")).how == []


def test_the_rules_for_all_zones() -> None:
    text = " ".join(WORKING_RULES)
    for words in ("foot", "turn uphill", "Roll bar up and belt fastened", "belt off only while the bar is folded",
                  "operator's manual", "inclinometer"):  # fmt: skip
        assert words in text
    assert "three-point turns" in TEARING


def test_machines_are_read_from_the_notes_as_from_the_fleet() -> None:
    fleet = Fleet.model_validate(
        {
            "schema": 1,
            "conditions": {"dry": {"friction": 0.3, "label": "Dry grass"}, "wet": {"friction": 0.2}},
            "machines": {
                "z-1": {"class": "ride-on", "label": "Wide. Deck", "roll_bar": "folding", "tread": "aggressive"},
                "a": {"class": "hand crew"},
            },
        }
    )
    machines, conditions = noted(fleet.as_notes())
    assert machines == {
        "z-1": NotedMachine("Wide. Deck", "ride-on", "folding", "aggressive"),
        "a": NotedMachine("", "hand crew", "", ""),
    }
    assert conditions == {"dry": "Dry grass", "wet": "wet"} and list(machines) == ["z-1", "a"]
