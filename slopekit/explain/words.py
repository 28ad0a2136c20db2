"""One spot in plain sentences."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from slopekit.explain.refusals import ENDS, apart, speed_words, stray_words
from slopekit.explain.spot import Answer, Body, Said, Spot
from slopekit.fleet.model import Fleet
from slopekit.fleet.words import slope_words
from slopekit.sources.elevation import Survey
from slopekit.units import percent
from slopekit.wording import DECIDE, area_words, bearing_words, metres_words, part_words, percent_words, plain_degrees
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
_BODIES = {"water inferred": "water (inferred from cells of equal height)", "possible water": "possible water"}
_STATES = {
    "found": "",
    "confirmed": ", confirmed on site",
    "given": ", which counts as water in any case, since it is given too",
    "rejected": ", rejected by a person on site and not counted",
}
_FLOOR = {
    "none": "Hollow: it is not on the floor of a deep hollow.",
    "wet": "Hollow: it is on the floor of a deep hollow, which may hold water.",
    "dry": "Hollow: it is on the floor of a deep hollow that is stated to be dry.",
    "pond": "Hollow: it is on the floor of a deep hollow with water in it.",
}
_WAY = {"either": "across the face or up and down", "across": "across the face only", "up-and-down": "up and down only"}
_LAST = (
    "Zones are made of many such cells. A patch too small for a zone of its own takes the more restricted answer.",
    f"Walk the ground first. {DECIDE}",
)


def spot_lines(
    spot: Spot, answers: Sequence[Answer], missing: Sequence[str], fleet: Fleet, survey: Survey
) -> list[str]:
    """The ground, one block a machine and condition with its lines indented, what was not assessed, the caution."""
    out = [
        *_ground(spot, fleet, survey),
        *_stand_off(spot, fleet),
        *_bodies(spot, survey),
        *map(_said, spot.said),
        *_run_out(spot, fleet),
        *_path(spot),
        *_landing(spot, fleet),
        *_state(spot, fleet),
    ]
    if spot.excluded:
        out.append("Excluded: this ground is left out by the exclusion layer, so no machine is judged on it.")
    told = [(answer, [f"  {line}" for line in _below(answer, spot, fleet)]) for answer in answers]
    # What holds under several conditions is said once.
    for (_, _, below), group in groupby(told, key=lambda pair: (pair[0].machine, pair[0].permitted, pair[1])):
        out += [_head([answer for answer, _ in group]), *below]
    out += [f"Not assessed: {sentence}" for sentence in missing]
    return [*out, *_LAST]


def _ground(spot: Spot, fleet: Fleet, survey: Survey) -> Iterator[str]:
    width, height = spot.cell_m
    yield f"Spot {spot.x:.10g}, {spot.y:.10g}: what follows holds for its cell of {width:.3g} x {height:.3g} m."
    if spot.slope_deg is None or spot.machine_slope_deg is None:
        yield f"Ground: elevation {spot.elevation_m:.2f} m; slope not known, since a cell close by has no elevation."
        return
    facing = ""
    if spot.aspect_deg is not None:
        facing = f", facing {_FACING[round(spot.aspect_deg / 45.0) % 8]} ({bearing_words(spot.aspect_deg)})"
    yield (
        f"Ground: elevation {spot.elevation_m:.2f} m; slope {spot.slope_deg:.1f} degrees "
        f"({percent_words(percent(spot.slope_deg))}, {spot.slope_hv}){facing}."
    )
    if spot.slope_error_deg is None:
        sure = "how sure that is was not assessed, since the survey's error is not given"
    else:
        apart_m = fleet.terrain.error_correlation_m
        alike = f"correlate over {apart_m:g} m" if apart_m > 0.0 else "are held to be independent"
        sure = (
            f"its standard error is {spot.slope_error_deg:.1f} degrees, since heights are off by {survey.rmse_m:g} m "
            f"(RMSE) and their errors {alike}"
        )
    yield f"Compared with limits: {spot.machine_slope_deg:.1f} degrees, over the length of a machine; {sure}."


def _stand_off(spot: Spot, fleet: Fleet) -> Iterator[str]:
    here = [HERE[name] for name in spot.here]
    height = "" if spot.drop_height_m is None else f" The drop falls {metres_words(spot.drop_height_m)}."
    yield f"Here: {' and '.join(here) if here else 'no water, no drop, no marked hazard'}.{height}"
    distance = fleet.hazards.stand_off_m
    told = []
    for length, what in ((spot.water_m, "water"), (spot.drop_m, "top of a drop")):
        told.append(f"nearest {what} " + ("not found" if length is None else f"{metres_words(length)} away"))
    if spot.within_stand_off:
        verdict = f"within the stand-off of {distance:g} m, where nobody may sit or stand on a machine"
    elif spot.drop_m is not None and spot.drop_m <= distance:
        verdict = "the foot side of a drop, which the stand-off does not count"
    else:
        verdict = f"not within the stand-off of {distance:g} m"
    yield f"Stand-off: {' and '.join(told)} (looked {metres_words(spot.looked_m)} around): {verdict}."


def _bodies(spot: Spot, survey: Survey) -> Iterator[str]:
    for body in spot.bodies:
        yield f"By name: {_body(body)}."
    if any(body.body for body in spot.bodies):
        kind, _, digits = survey.checksum.rpartition(":")
        yield f"To correct one of these, name it in a corrections file with the survey {kind}:{digits[:12]}."


def _body(body: Body) -> str:
    what = _BODIES.get(body.what, "drop")
    name = f"{what} {body.body}" if body.body else f"{what} without a name, since the ground that was read ends in it"
    size = [area_words(body.area_m2)] if body.area_m2 is not None and body.what != "drop" else []
    size += [] if body.height_m is None else [f"up to {metres_words(body.height_m)} high"]
    far = "here" if body.distance_m == 0.0 else f"{metres_words(body.distance_m)} away"
    return f"{', '.join([name, *size, far])}{_STATES[body.state]}"


def _said(one: Said) -> str:
    signed = ", ".join(text for text in (one.who, one.when) if text)
    head = f"Correction {one.number}, {one.what}{f' {one.body}' if one.body else ''}{f' ({signed})' if signed else ''}"
    why = " ".join(one.why.split()).rstrip(".")
    return f"{head}: {one.effect}{f'. Reason given: {why}' if why else ''}."


def _run_out(spot: Spot, fleet: Fleet) -> Iterator[str]:
    parts = [f"{part_words(share)} end {ENDS[name]}" for name, share in spot.shares.items() if share > 0.0]
    yield (
        f"Run-out: of the paths down from here {', '.join(parts)}." if parts else "Run-out: the path down is not known."
    )
    yield from _fan(spot, fleet)
    if spot.endless:
        yield f"Length: some path down goes on for more than {fleet.runout.max_run_m:g} m, as far as it is followed."
    else:
        yield f"Length: no path down goes on for more than {fleet.runout.max_run_m:g} m."
    if spot.hazard_m == 0.0:
        yield "Hazard below: this cell is one."
    elif spot.hazard_m is None or spot.fall_m is None:
        yield "Hazard below: none that a path down from here ends in."
    else:
        length, fall = metres_words(spot.hazard_m), metres_words(spot.fall_m)
        yield f"Hazard below: the shortest path to it is {length} long and falls {fall}."
    for condition, speed in spot.speed_to_hazard_kmh.items():
        if speed is None:
            yield f"Reach, {condition}: no hazard on a path down, across level ground too, within the length followed."
        else:
            yield f"Reach, {condition}: {speed_words(speed)} a machine out of control gets to a hazard."


def _fan(spot: Spot, fleet: Fleet) -> Iterator[str]:
    settings = fleet.runout
    if settings.ways_down != "fan":
        yield "Straying: not looked at, since the fleet file says runout.ways_down = shares."
    elif spot.stray is None:
        yield (
            f"Straying: no path that keeps within {plain_degrees(settings.fan_deg)} of the steepest one comes to a "
            f"hazard before it has stopped, within {settings.max_run_m:g} m."
        )
    elif spot.hazard_m != 0.0:
        yield f"Straying: {stray_words(spot.stray, settings.fan_deg, spot.hazard_m, spot.fall_m)}."


def _path(spot: Spot) -> Iterator[str]:
    path = spot.path
    if path is None:
        return
    body = f" ({path.body})" if path.body else ""
    gentle = (
        f"{metres_words(path.landing_m)} of it are gentle enough to stop on"
        if path.landing_m
        else "none of it is gentle"
    )
    where = f"{ENDS[path.end]}{body} at {path.end_x:.10g}, {path.end_y:.10g}"
    yield (
        f"Path down: the likeliest one to a hazard is {metres_words(path.length_m)} long, falls "
        f"{metres_words(path.fall_m)} and ends {where}; {gentle}."
    )


def _landing(spot: Spot, fleet: Fleet) -> Iterator[str]:
    settings = fleet.runout
    ahead = metres_words(spot.gentle_ahead_m)
    ahead += f" of ground no steeper than {plain_degrees(settings.landing_slope_deg)} lie ahead"
    if spot.landing:
        yield f"Landing: here a run counts as stopped: {ahead}, and {settings.landing_length_m:g} m are enough."
    elif spot.gentle_ahead_m > 0.0:
        found, wanted = apart(spot.gentle_ahead_m, settings.landing_length_m)
        yield f"Landing: none: {found} m of gentle ground lie ahead where {wanted} m are needed."
    else:
        yield f"Landing: none: no gentle ground ({plain_degrees(settings.landing_slope_deg)} at most) begins here."


def _state(spot: Spot, fleet: Fleet) -> Iterator[str]:
    yield _FLOOR[spot.floor]
    least = fleet.soft_ground.wetness_from
    why = ["since floors of hollows are wet now and then"] if spot.soft_floor else []
    index = ""
    if least is not None and spot.wetness is None:
        why.append("since its wetness index is not known: not all ground that may drain to it is")
    elif least is not None and spot.wetness is not None:
        found, wanted = apart(spot.wetness, least)
        index = f" Its wetness index of {found} is {'not ' if spot.soft_wet else ''}under {wanted}."
        why += ["since its wetness index says so"] if spot.soft_wet else []
    yield f"Soft ground: {'yes, ' + ' and '.join(why or ['as drawn']) if spot.soft else 'none known'}.{index}"
    if spot.channel:
        yield channel_sentence(1.0)
    yield f"Low trees: {'yes, as drawn' if spot.canopy else 'none known'}."
    if spot.no_go:
        yield "No-go: a person on site said that nobody may work here."


def _head(answers: Sequence[Answer]) -> str:
    """The same answer of one machine, under one condition or several."""
    first = answers[0]
    name = f"{first.machine} ({first.machine_class}), {' and '.join(answer.condition for answer in answers)}"
    if not first.permitted:
        return f"{name}: refused."
    return f"{name}: permitted, which means only that no rule that was evaluated refuses it."


def _below(answer: Answer, spot: Spot, fleet: Fleet) -> Iterator[str]:
    for refusal in answer.refusals:
        yield f"{refusal.code}: {refusal.words}."
    if answer.permitted and spot.machine_slope_deg is not None and answer.way is not None:
        limits = [
            f"{way} {slope_words(limit)}"
            for way, limit in (("across", answer.across_deg), ("up and down", answer.up_down_deg))
            if limit is not None
        ]
        yield f"Way left open: {_WAY[answer.way]}. Limits: {', '.join(limits)}."
    if answer.fits is not None:
        yield f"Fit: {'it fits between refused ground' if answer.fits else 'it does not fit between refused ground'}."
    if answer.near_limits and spot.machine_slope_deg is not None and spot.slope_error_deg is not None:
        z = fleet.terrain.marginal_z
        close = " and ".join(f"{limit:.1f}" for limit in answer.near_limits)
        yield (
            f"Too near a limit to call: the slope of {spot.machine_slope_deg:.1f} degrees is within {z:g} standard "
            f"errors ({z * spot.slope_error_deg:.1f} degrees) of the limit of {close} degrees. Measure it on site."
        )
    if answer.local_over:
        yield "A short steeper place: the slope of this cell alone is over a limit."
