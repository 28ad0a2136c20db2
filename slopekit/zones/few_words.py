"""A zone in a few words, for a table that people read on paper or a phone: who, who not and why, how to work it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from slopekit.fleet.noted import NotedMachine
from slopekit.schema.as_text import listed
from slopekit.schema.reasons import REASONS
from slopekit.wording import Units, part_words

NOBODY = "Nobody: look at it on site"
LEFT_OUT = "Left out by your layer: not judged"

WORKING_RULES: tuple[str, ...] = (
    "Start at the foot, at the mark S, which is told as seen facing the slope, and follow the arrow of the first pass; "
    "work upward and turn uphill. Work across the face only where the operator's manual allows it.",
    "Roll bar up and belt fastened on any slope; belt off only while the bar is folded.",
    "At the mark M measure the slope with an inclinometer before work, at the steepest place, and compare it with the "
    "machine's limit.",
)
"""How zones are worked, for all of them. Common practice, no source, but for what the manuals say."""


TEARING = "three-point turns, since its tread tears turf"
"""Advice for a machine with an aggressive tread. Common practice, no source."""


@dataclass(frozen=True)
class FewWords:
    """One zone. Lists are in the order of the fleet file."""

    may: list[str]
    """Who no rule refuses under every condition, then a line for each set of conditions under which there are more."""
    refused: list[tuple[str, str]]
    """Everybody else, with the conditions in brackets under which they are refused where it is not all, and why."""
    how: list[str]
    """How to work it, and what to look at or measure first; one sentence each."""


def few_words(
    zone: Mapping[str, Any],
    machines: Mapping[str, NotedMachine],
    conditions: Mapping[str, str],
    *,
    spot: bool,
    start: Mapping[str, Any] | None,
    routes: Sequence[Mapping[str, Any]],
    units: Units,
) -> FewWords:
    """zone: its row of layer `zones`, None for what is missing. machines, conditions: as `noted` gives them. start: its
    row of layer `starts`. routes: its rows of layer `routes`."""
    if zone["machine_class"] == "excluded":
        return FewWords([LEFT_OUT], [], [])
    under = {name: set(listed(zone.get(f"permitted_{name}"))) for name in conditions}
    open_to = {name: [c for c in conditions if name in under[c]] for name in machines}
    whole = [name for name, of in open_to.items() if len(of) == len(conditions)]
    held = [
        name if not of else f"{name} ({_others(of, conditions)})" for name, of in open_to.items() if name not in whole
    ]
    may = [", ".join(whole)] if whole else []
    may += _by_condition(open_to, conditions)
    how = [*_start(start, zone["way"]), *_turns(zone, open_to, machines), *_routes(routes, units), *_looks(zone, spot)]
    return FewWords(may or [NOBODY], [(", ".join(held), _why(zone))] if held else [], how)


def _others(of: Sequence[str], conditions: Mapping[str, str]) -> str:
    return ", ".join(words for name, words in conditions.items() if name not in of)


def _by_condition(open_to: Mapping[str, Sequence[str]], conditions: Mapping[str, str]) -> list[str]:
    """Machines that may under some conditions only, one line for each set of these."""
    lines: dict[tuple[str, ...], list[str]] = {}
    for name, of in open_to.items():
        if 0 < len(of) < len(conditions):
            lines.setdefault(tuple(of), []).append(name)
    return [f"{' and '.join(conditions[c] for c in of)} only: {', '.join(names)}" for of, names in lines.items()]


def _why(zone: Mapping[str, Any]) -> str:
    main = zone["reason"] or ""
    others = ", ".join(REASONS[code].few for code in listed(zone["reasons"]) if code != main)
    if not main:
        return others or "see the zone's note"
    return REASONS[main].few + (f"; in places {others}" if others else "")


DIFFERS = "differs by machine"
_WAYS = {
    "across": "Across only.",
    "up-and-down": "Up and down only.",
    DIFFERS: "Other machines are held to other ways: see the fleet file.",
}


def _start(start: Mapping[str, Any] | None, way: str | None) -> list[str]:
    if start is None:
        return [_WAYS[way]] if way in _WAYS else []
    up_and_down = start["way"] == "up-and-down"
    whither = "straight up and down, never across" if up_and_down else "across if the manual allows"
    differs = [_WAYS[way]] if way == DIFFERS else []
    return [f"Start at S, {start['corner']}, bearing {round(start['bearing_deg']) % 360}°: {whither}.", *differs]


def _turns(
    zone: Mapping[str, Any], open_to: Mapping[str, Sequence[str]], machines: Mapping[str, NotedMachine]
) -> list[str]:
    """Common practice, no source."""
    driven = any(of and machines[name].machine_class != "hand crew" for name, of in open_to.items())
    return ["Soft ground: three-point turns."] if driven and "soft" in listed(zone["reasons"]) else []


def _routes(routes: Sequence[Mapping[str, Any]], units: Units) -> list[str]:
    way_in = [one for one in routes if one["direction"] == "in"]
    return [f"Route in: {units.length(one['length_m'])} from E{one['entrance']}." for one in way_in]


def _looks(zone: Mapping[str, Any], spot: bool) -> list[str]:
    """What to mark, measure or look at before work."""
    out = ["Small spots: mark them before work."] if spot else []
    marginal = zone["marginal_share"]
    if marginal:
        out.append(f"Measure the slope: {part_words(marginal)} is too near a limit.")
    if zone["short_steep_share"]:
        out.append("Short steeper places.")
    if zone["channel_share"]:
        out.append("Channel of a brook or ditch likely: look first.")
    return out
