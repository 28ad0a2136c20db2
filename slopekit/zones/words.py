"""A zone, and a parcel, in plain sentences."""

from collections.abc import Mapping, Sequence
from typing import Any

from slopekit.fleet.model import Fleet
from slopekit.grid import is_coarse, is_prescreen
from slopekit.permits.judge import HAZARD_CODES
from slopekit.runout.speed import speed_of_head
from slopekit.runout.way import Way, way_words
from slopekit.schema.corrections import Correction
from slopekit.schema.reasons import REASONS
from slopekit.units import hv_text
from slopekit.wording import DECIDE, area_words, degrees_words, metres_words, part_words

_WHO = {
    "ride-on": "Ride-on: no rule that was evaluated refuses it here",
    "stand-on": "Stand-on: the least restricted class that no rule refuses here",
    "walk-behind": "Walk-behind: the least restricted class that no rule refuses here",
    "remote-controlled": "Remote-controlled: the least restricted class that no rule refuses here",
    "hand crew": "Hand crew only",
    "none": "Refused to every machine and crew of the fleet file: look at it on site",
}
_ITSELF = {"water": "water itself", "drop": "a drop itself", "hazard": "a road or other marked hazard itself"}
_WAY = {"across": ", across the face only", "up-and-down": ", up and down only"}


EXCLUDED_NOTE = "Left out by the exclusion layer; not judged."


def zone_note(
    record: Mapping[str, Any],
    shares: Mapping[str, float],
    *,
    to_hazard: str,
    itself: str,
    spot: bool,
    short_drop: bool,
    cell_m: float,
    pressures: str,
) -> tuple[str, ...]:
    """The sentences that a grounds manager reads first.

    record: fields of the zone; `reason` is named first, `reasons` are all that were met. shares: of those that refuse a
    less restricted class the part of the zone, the gravest first. to_hazard: see `path_sentence`. itself: 'water',
    'drop' or 'hazard' where most of the zone is one, or empty. pressures: see `pressure_sentence`.
    """
    machine_class, way = record["machine_class"], record["way"]
    reason, reasons = record["reason"], record["reasons"]
    slope_max_deg, marginal_share = record["slope_max_deg"], record["marginal_share"]
    out = [_WHO[machine_class] + _WAY.get(way, "") + "."]
    if way == "differs by machine":
        out.append("The machines of this class are held to different working directions: see the fleet file.")
    if reason:
        who = "It is refused" if machine_class == "none" else "Others are refused"
        why = REASONS[reason].words
        if reason == f"above_{itself}":
            why, itself, to_hazard = f"this ground is {_ITSELF[itself]}, or a machine rolls down to it", "", ""
        out.append(f"{who} because {why}{_on(shares[reason])}.")
        if to_hazard and (reason == "reach" or reason in HAZARD_CODES.values()):
            out.append(to_hazard)
    if itself:
        out.append(f"Most of this ground is {_ITSELF[itself]}.")
    gravest = next(iter(shares), "")
    if gravest != reason:
        out.append(f"The gravest reason, on {part_words(shares[gravest])} of it: {REASONS[gravest].words}.")
    others = [REASONS[r].words for r in reasons if r not in (reason, gravest)]
    if others:
        out.append("In places also: " + "; ".join(others) + ".")
    if short_drop:
        out.append(
            "A short drop lies here, which may be a boulder, a stump or a shrub left in the survey: look on site. The "
            "ground above is not refused for it."
        )
    if "soft" in (reason, *reasons):
        out.append(pressures)
    if slope_max_deg is not None:
        out.append(f"Steepest ground {degrees_words(slope_max_deg)} ({hv_text(slope_max_deg)}).")
    if marginal_share is None:
        out.append("Not assessed: how sure the slope is, since the survey's error is not given.")
    elif marginal_share > 0.0:
        out.append(f"Measure on site: {part_words(marginal_share)} is too near a limit to call.")
    if record["short_steep_share"] > 0.0:
        out.append(f"Short steeper places are over a limit on {part_words(record['short_steep_share'])}.")
    if record["channel_share"] > 0.0:
        out.append(channel_sentence(record["channel_share"]))
    if is_prescreen(cell_m):
        out.append(f"Coarse pre-screen with cells of {metres_words(cell_m)}: walls, edges and short banks do not show.")
    if spot:
        out.append("Several small spots in one row: mark them before work.")
    return tuple(out)


def path_sentence(way: Way | None, nearest_m: float, still_head_m: float, cell_m: float) -> str:
    """How a machine gets from a zone to a hazard, by the path that is shown as evidence; empty on the hazard itself.

    nearest_m: length of the shortest path from anywhere in the zone.
    """
    if way is None or way.length_m == 0.0:
        return ""
    still = float(speed_of_head(still_head_m))
    figures = way.length_m, way.start_kmh, way.arrival_kmh, way.across
    words = way_words(way.kind, *figures, still, whence="from its highest such place")
    near = ""
    # A cell beside it or over the corner from it touches it.
    if nearest_m <= 1.5 * cell_m:
        near = ". The zone touches it"
    elif metres_words(nearest_m) != metres_words(way.length_m):
        near = f"; from the nearest it is {metres_words(nearest_m)}"
    return f"{words[0].upper()}{words[1:]}{near}."


def _on(share: float) -> str:
    return "" if share == 1.0 else f" (on {part_words(share)} of it)"


def channel_sentence(share: float) -> str:
    """That part of the zone lies in a channel, and what to do."""
    return f"Channel of a brook or ditch likely{_on(share)}: look on site; a bid leaves that ground out."


def pressure_sentence(fleet: Fleet) -> str:
    """The limit on soft ground and the machines that it refuses there, each with its pressure."""
    limit = fleet.soft_pressure_kpa
    judged = [name for name, condition in fleet.conditions.items() if condition.soft]
    under = "" if len(judged) == len(fleet.conditions) else f" ({', '.join(judged)})"
    if limit is None:
        return f"Soft ground{under}: the fleet file gives no limit on pressure, which refuses every machine."
    told = []
    for name, machine in fleet.machines.items():
        if any(fleet.refused_on_soft(name, condition) for condition in judged):
            pressure = machine.ground_pressure_kpa
            told.append(f"{name} ({'pressure not given' if pressure is None else f'{pressure:g} kPa'})")
    return f"Soft ground{under}: the limit is {limit:g} kPa, which refuses {', '.join(told)}."


def rejection_sentence(one: Correction) -> str:
    """That the zone is freer than the survey alone would have it, and on whose word."""
    return f"Freed from a hazard on the word of {one.who} ({one.when}), who rejected {one.body}: {one.why.rstrip('.')}."


CLEARED_SENTENCE = (
    "Freed from a drop that the grid shows and the survey's points clear: they lie dense on both sides of it and "
    "have no step of half the least height. Look at the spot before work."
)
UNSEEN_SENTENCE = (
    "How low the trees hang here is not known, since no pulse of the survey got under them: that counts as low."
)


def realisations_sentence(share: float, count: int) -> str:
    """How often the zone is above a hazard when the survey's error falls out otherwise."""
    return f"With the survey's error drawn {count} times it is above a hazard in {part_words(share)} of them."


def entrance_sentence(numbers: Sequence[int], closed: Sequence[int], reach_m: float) -> str:
    """What is known of the entrances of a parcel. closed: those of `numbers` that let nobody in."""
    if not numbers:
        return (
            f"No entrance lies within {reach_m:g} m of it, so no route in is known and it is refused to everybody. "
            "Give its entrance."
        )
    one = len(numbers) == 1
    out = f"Routes in are judged from entrance{'' if one else 's'} {_listed(numbers)}."
    if closed:
        head = "Entrance" if len(closed) == 1 else "Entrances"
        out += f" {head} {_listed(closed)} let{'s' if len(closed) == 1 else ''} nobody in: look at the ground there."
    return out


def _listed(numbers: Sequence[int]) -> str:
    return ", ".join(map(str, numbers))


def parcel_note(refused_unknown_m2: float, marginal_assessed: bool, cell_m: float, entrances: str | None) -> str:
    """What a reader of the parcel table must know. entrances: see `entrance_sentence`; None where none are given."""
    out = [f"Walk the ground first. {DECIDE}"]
    if entrances is not None:
        out.append(entrances)
    ways = "routes in for machines, " if entrances is None else ""
    out.append(f"Not assessed: {ways}tree roots, holes, the state of the ground on the day.")
    if is_coarse(cell_m):
        out.append(f"Warning: cells of {metres_words(cell_m)} are coarse; walls, edges and short banks may not show.")
    if not marginal_assessed:
        out.append("Not assessed: how sure the slopes are.")
    if refused_unknown_m2 > 0.0:
        out.append(
            f"On {area_words(refused_unknown_m2)} the ground, or ground that a machine could get to, is not known."
        )
    return " ".join(out)
