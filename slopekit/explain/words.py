"""One spot in plain sentences."""

from collections.abc import Iterable, Iterator, Sequence

from slopekit.explain.refusals import apart, gap_words, run_words
from slopekit.explain.runs import ASKED_KMH
from slopekit.explain.spot import Answer, Body, Refusal, Run, Said, Spot
from slopekit.fleet.model import Fleet
from slopekit.permits.judge import HAZARD_CODES
from slopekit.runout.way import ENDS, least_words
from slopekit.sources.elevation import Survey
from slopekit.wording import DECIDE, area_words, bearing_words, metres_words, percent_words
from slopekit.zones.words import channel_sentence

_FACING = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
HERE = {
    "water given": "water (given)",
    "water inferred": "water (inferred from cells of equal height)",
    "possible water": "possible water (level ground with a rim)",
    "drop": "a drop",
    "wall or edge given": "a wall or edge (given)",
    "hazard": "a road or other marked hazard",
}
"""What a cell can be, in words."""
_STATES = {"found": "", "confirmed": ", confirmed on site", "given": ", water in any case since it is given too",
           "rejected": ", rejected on site and not counted"}  # fmt: skip
_FLOOR = {"none": "", "wet": "may hold water", "dry": "is stated to be dry", "pond": "has water in it"}
_WAY = {"either": "across or up and down", "across": "across the face only", "up-and-down": "up and down only"}
_LAST = (
    "Zones are made of many such cells: a patch too small for a zone of its own takes the more restricted answer. Walk "
    f"the ground first. {DECIDE}",
)


def spot_lines(
    spot: Spot, answers: Sequence[Answer], missing: Sequence[str], fleet: Fleet, survey: Survey
) -> list[str]:
    """The ground, the run-out, each machine, each reason that refuses one, what was not assessed, the caution."""
    out = [
        *_ground(spot),
        *_edges(spot, fleet),
        *_bodies(spot, survey),
        *map(_said, spot.said),
        *_run_out(spot, answers, fleet),
        *_state(spot, fleet),
    ]
    if spot.excluded:
        out.append("Excluded: this ground is left out by the exclusion layer, so no machine is judged on it.")
    else:
        out += _machines(answers, fleet)
    out += _reasons(answers, fleet)
    out += _sureness(spot, answers, fleet)
    out.append(f"Not assessed: {' '.join(missing)}")
    return [*out, *_LAST]


def _ground(spot: Spot) -> Iterator[str]:
    width, height = spot.cell_m
    head = f"Spot {spot.x:.10g}, {spot.y:.10g}, its cell of {width:.3g} x {height:.3g} m at {spot.elevation_m:.2f} m"
    if spot.slope_deg is None or spot.slope_percent is None or spot.machine_slope_deg is None:
        yield f"{head}: slope not known, since a cell close by has no elevation or this is ground from coarser cells."
        return
    facing = ""
    if spot.aspect_deg is not None:
        facing = f", facing {_FACING[round(spot.aspect_deg / 45.0) % 8]} ({bearing_words(spot.aspect_deg)})"
    error = "not assessed" if spot.slope_error_deg is None else f"{spot.slope_error_deg:.1f} degrees"
    yield (
        f"{head}: slope {spot.slope_deg:.1f} degrees ({percent_words(spot.slope_percent)}, {spot.slope_hv}){facing}; "
        f"{spot.machine_slope_deg:.1f} as compared with limits, standard error {error}."
    )


def _edges(spot: Spot, fleet: Fleet) -> Iterator[str]:
    here = " and ".join(HERE[name] for name in spot.here) or "no water, drop or marked hazard"
    height = "" if spot.drop_height_m is None else f", {metres_words(spot.drop_height_m)} high"
    told = [
        f"{what} {gap_words(length)} away" if length > 0.0 else f"{what} (the spot stands {within} it)"
        for length, what, within in (
            (spot.water_m, "water", "in" if any("water" in name for name in spot.here) else "at"),
            (spot.drop_m, "top of a drop", "on" if {"drop", "wall or edge given"} & set(spot.here) else "at"),
        )
        if length is not None
    ]
    distance = fleet.hazards.stand_off_m
    if spot.within_stand_off:
        verdict = f"within the stand-off of {distance:g} m, where nobody may sit or stand on a machine"
    elif spot.drop_m is not None and spot.drop_m <= distance:
        verdict = "the foot side of a drop, which the stand-off does not count"
    else:
        verdict = f"not within the stand-off of {distance:g} m"
    yield f"Here: {here}{height}. Nearest: {' and '.join(told) or 'neither water nor a drop'}; {verdict}."


def _bodies(spot: Spot, survey: Survey) -> Iterator[str]:
    if spot.bodies:
        kind, _, digits = survey.checksum.rpartition(":")
        yield f"By name, for corrections of survey {kind}:{digits[:12]}: {'; '.join(map(_body, spot.bodies))}."


def _body(body: Body) -> str:
    name = f"{body.what} {body.body}" if body.body else f"{body.what} without a name, since it goes on beyond the look"
    size = [area_words(body.area_m2)] if body.area_m2 is not None and body.what != "drop" else []
    size += [] if body.height_m is None else [f"up to {metres_words(body.height_m)} high"]
    size += [] if body.length_m is None else [f"{metres_words(body.length_m)} long"]
    far = "at the spot" if body.distance_m == 0.0 else f"{metres_words(body.distance_m)} away"
    return f"{', '.join([name, *size, far])}{_STATES[body.state]}"


def _said(one: Said) -> str:
    signed = ", ".join(text for text in (one.who, one.when) if text)
    head = f"Correction {one.number}, {one.what}{f' {one.body}' if one.body else ''}{f' ({signed})' if signed else ''}"
    why = " ".join(one.why.split()).rstrip(".")
    return f"{head}: {one.effect}{f'. Reason given: {why}' if why else ''}."


def _run_out(spot: Spot, answers: Sequence[Answer], fleet: Fleet) -> Iterator[str]:
    """What a machine gets to, or all but gets to, and no refusal below tells."""
    whose = "round this spot alone" if spot.parcel is None else f"round parcel {spot.parcel}"
    head = f"Run-out, looked {spot.look_m:g} m {whose}"
    slippery = min(fleet.conditions, key=lambda name: fleet.conditions[name].friction)
    runs = [run for run in spot.runs if run.condition == slippery]
    refused = {refusal.words for answer in answers for refusal in answer.refusals}
    told = [run for run in runs if run_words(run, fleet) not in refused]
    if told:
        more = [
            f"to {_end(run)}, {metres_words(run.length_m)} on, from {least_words(run.from_kmh)}" for run in told[1:]
        ]
        yield f"{head}, under {slippery}: {'; '.join([ride_words(told[0], fleet), *more])}."
    elif runs:
        yield f"{head}: see the reasons below."
    else:
        yield f"{head}: at up to {ASKED_KMH:g} km/h a machine gets to nothing that it must not get to."


def ride_words(run: Run, fleet: Fleet) -> str:
    """How a machine gets to the end of a run, or where it is stopped at the highest working speed: a clause."""
    if run.stopped_m is None:
        return run_words(run, fleet)
    left = metres_words(run.length_m - run.stopped_m)
    stopped = f"at {fleet.fastest_kmh:g} km/h a machine is stopped after {metres_words(run.stopped_m)}"
    return f"{stopped}, {left} short of {_end(run)}; from {least_words(run.from_kmh)} it would get there"


def _end(run: Run) -> str:
    return f"{ENDS[run.to]}{f' ({run.named})' if run.named else ''}"


def _state(spot: Spot, fleet: Fleet) -> Iterator[str]:
    told = [f"the floor of a deep hollow, which {_FLOOR[spot.floor]}"] if spot.floor != "none" else []
    least = fleet.soft_ground.wetness_from
    why = ["a gentle floor of a hollow"] if spot.soft_floor else []
    if least is not None and spot.wetness is None:
        why.append("wetness index not known, since not all ground that may drain to it is")
    elif least is not None and spot.wetness is not None:
        found, wanted = apart(spot.wetness, least)
        index = f"wetness index {found}, {'not ' if spot.soft_wet else ''}under {wanted}"
        (why if spot.soft_wet else told).append(index)
    told += [f"soft ({'; '.join(why or ['as drawn'])})"] if spot.soft else []
    told += ["under low trees, as drawn"] if spot.canopy else []
    told += ["no-go: a person on site said that nobody may work here"] if spot.no_go else []
    if told:
        yield f"Ground: {'; '.join(told)}."
    if spot.channel:
        yield channel_sentence(1.0)


def _machines(answers: Sequence[Answer], fleet: Fleet) -> Iterator[str]:
    yield "Answers ('permitted' means only that no rule that was evaluated refuses it):"
    for machine in fleet.machines:
        own = [answer for answer in answers if answer.machine == machine]
        told = _grouped((_answer(answer), answer.condition) for answer in own)
        parts = [f"{' and '.join(conditions)} {words}" for words, conditions in told.items()]
        yield f"  {machine} ({own[0].machine_class}): {'; '.join(parts)}."


def _answer(answer: Answer) -> str:
    if not answer.permitted:
        return f"refused ({', '.join(refusal.code for refusal in answer.refusals)})"
    return f"permitted {_WAY[answer.way or 'either']}"


def _reasons(answers: Sequence[Answer], fleet: Fleet) -> Iterator[str]:
    """Each reason once, the gravest first as each machine has them, with whom it refuses and what would lift it."""
    found: dict[tuple[str, str, str], list[tuple[str, str]]] = {}
    above = False
    for answer in answers:
        codes = {refusal.code for refusal in answer.refusals}
        for refusal in answer.refusals:
            graver = refusal.code == "reach" and bool(codes & set(HAZARD_CODES.values()))
            above = above or refusal.code in ("reach", *HAZARD_CODES.values())
            # Whoever is above a hazard is within reach of it.
            if not graver:
                key = refusal.code, refusal.words, refusal.lift
                found.setdefault(key, []).append((_whom(answer, refusal), answer.condition))
    for (code, words, lift), whom in found.items():
        told = _grouped(whom)
        everywhere = len({tuple(conditions) for conditions in told.values()}) == 1
        conditions = next(iter(told.values()))
        if everywhere:
            who = f"{'; '.join(told)} ({' and '.join(conditions)})"
        else:
            who = "; ".join(f"{name} ({' and '.join(own)})" for name, own in told.items())
        yield f"{code}: {words}. Refuses {who}.{f' Lifted by: {lift}.' if lift else ''}"
    if above:
        yield "A fence lifts none of this; a class that the fleet file lets work above hazards is not refused for them."


def _whom(answer: Answer, refusal: Refusal) -> str:
    return f"{answer.machine}: {refusal.own}" if refusal.own else answer.machine


def _grouped(pairs: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for key, value in pairs:
        out.setdefault(key, []).append(value)
    return out


def _sureness(spot: Spot, answers: Sequence[Answer], fleet: Fleet) -> Iterator[str]:
    close = sorted({limit for answer in answers for limit in answer.near_limits or ()})
    if close and spot.machine_slope_deg is not None and spot.slope_error_deg is not None:
        band = fleet.terrain.marginal_z * spot.slope_error_deg
        limits = ", ".join(f"{limit:.1f}" for limit in close)
        yield (
            f"Too near a limit to call: {spot.machine_slope_deg:.1f} degrees, within {band:.1f} of the limit of "
            f"{limits} ({fleet.terrain.marginal_z:g} standard errors). Measure it on site."
        )
    steeper = list(dict.fromkeys(answer.machine for answer in answers if answer.local_over))
    if steeper:
        yield f"A short steeper place: the slope of this cell alone is over a limit of {', '.join(steeper)}."
