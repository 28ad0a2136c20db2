"""Why a machine is refused at one spot, each reason with the numbers that made it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from slopekit.explain.spot import Refusal, Run
from slopekit.fleet.crossing import crossing_limits
from slopekit.fleet.machine import Machine
from slopekit.fleet.model import Fleet
from slopekit.permits.judge import BIT, HAZARD_CODES, Ground, Verdict, fit_diameter, working_head_m
from slopekit.runout.run_out import BASIN, BEYOND, HAZARDS, UNKNOWN
from slopekit.runout.speed import speed_of_head
from slopekit.runout.way import least_words, way_words
from slopekit.schema.corrections import Correction
from slopekit.schema.inputs import INPUTS
from slopekit.schema.reasons import REASON_CODES, REASONS
from slopekit.wording import metres_words

Numbers = dict[str, float | None]
Told = tuple[Numbers, str, str, str]
"""Numbers, words, own, lift: see `Refusal`."""

_KIND_OF = {code: kind for kind, code in HAZARD_CODES.items()}
_ITSELF = {"above_water": "this is water", "above_drop": "this is a drop",
           "above_hazard": "this is a road or other marked hazard"}  # fmt: skip


@dataclass(frozen=True)
class Figures:
    """What refusals tell beside what the rules look at."""

    edge_m: float | None
    """To the nearest water's edge or top of a drop; None where there is none."""
    runs: Sequence[Run]
    no_go: tuple[Correction, ...]
    """Who said that nobody may work here."""
    entrances: int = 0
    """Entrances that lie at the parcel."""


@dataclass(frozen=True)
class _Case:
    ground: Ground
    at: tuple[int, int]
    fleet: Fleet
    figures: Figures
    machine_id: str
    condition_id: str

    @property
    def machine(self) -> Machine:
        return self.fleet.machines[self.machine_id]

    def run(self, *kinds: str) -> Run | None:
        """The run to the one of some kinds that takes the least head."""
        return next((r for r in self.figures.runs if r.condition == self.condition_id and r.to in kinds), None)


def refusals(
    ground: Ground, verdict: Verdict, pair: int, at: tuple[int, int], fleet: Fleet, figures: Figures
) -> tuple[Refusal, ...]:
    """The reasons that refuse pair number `pair` of the verdict at cell `at`, the gravest first; none permits."""
    case = _Case(ground, at, fleet, figures, *verdict.pairs[pair])
    codes = [code for code in REASON_CODES if verdict.reasons[pair][at] & BIT[code]]
    return tuple(Refusal(code, *(_told(case, code))) for code in codes)


def apart(one: float, two: float) -> tuple[str, str]:
    """Two numbers with one decimal, or as many more as tell them apart, six at most."""
    for digits in range(1, 7):
        shown = f"{one:.{digits}f}", f"{two:.{digits}f}"
        if shown[0] != shown[1] or one == two:
            break
    return shown


def gap_words(value: float) -> str:
    """A length (m, over 0) that may be compared with the stand-off: to the centimetre where it is short."""
    return f"{value:.2f} m" if 0.995 <= value < 9.995 else metres_words(value)


def run_words(run: Run, fleet: Fleet) -> str:
    """How a machine gets to the end of a run, as a clause."""
    return way_words(run.to, run.length_m, run.from_kmh, run.arrival_kmh, run.across, _still_kmh(fleet), run.named)


def _still_kmh(fleet: Fleet) -> float:
    return float(speed_of_head(fleet.runout.still_head_m))


def _numbers(run: Run | None) -> Numbers:
    names = ("from_kmh", "length_m", "fall_m", "arrival_kmh")
    return {} if run is None else {name: getattr(run, name) for name in names}


def _told(case: _Case, code: str) -> Told:
    if code in _KIND_OF:
        return _above(case, code)
    tell = _TELL.get(code)
    return ({}, REASONS[code].words, "", REASONS[code].lift) if tell is None else tell(case)


def _above(case: _Case, code: str) -> Told:
    ground, run = case.ground, case.run(_KIND_OF[code])
    itself = {"above_water": ground.water, "above_drop": ground.drop, "above_hazard": ground.other}[code][case.at]
    if itself or run is None or run.length_m == 0.0:
        return {}, _ITSELF[code], "", ""
    return _numbers(run), run_words(run, case.fleet), "", _if_wrong(run)


def _if_wrong(run: Run) -> str:
    """What lifts a hazard that is not there. Nothing lifts one that is."""
    if run.body:
        return f"a signed correction that rejects {run.body}, if the survey is wrong there"
    if run.found:
        return (
            "a signed correction, if the survey is wrong there; for its name give its parcel or a larger runout.look_m"
        )
    return "nothing: it is given"


def _reach(case: _Case) -> Told:
    run, speed = case.run(*HAZARDS), float(speed_of_head(working_head_m(case.machine)))
    if run is None:
        return {"speed_kmh": speed}, "a machine gets to a hazard", f"works at {speed:g} km/h", ""
    given = case.machine.top_speed_kmh is not None
    own = f"works at {speed:g} km/h" if given else f"speed_kmh is not given: {speed:g} km/h"
    still = run.from_kmh <= _still_kmh(case.fleet)
    slower = [] if still else [f"work under {least_words(run.from_kmh)}"]
    lift = " or ".join([*slower, *([_if_wrong(run)] if run.found or still else [])])
    return {**_numbers(run), "speed_kmh": speed}, run_words(run, case.fleet), own, lift


def _beyond(case: _Case) -> Told:
    run, look = case.run(BEYOND), case.fleet.runout.look_m
    how = "a machine leaves it" if run is None else run_words(run, case.fleet)
    words = f"{how}; what lies beyond was not asked"
    return {**_numbers(run), "look_m": look}, words, "", f"a runout.look_m over {look:g}, if the ground there stops it"


def _unknown(case: _Case) -> Told:
    better = "a survey without this gap"
    if math.isnan(case.ground.limit_deg[case.at]):
        why = "a cell close by has no elevation or this is ground from coarser cells"
        return {}, f"the slope here is not known, since {why}", "", better
    run = case.run(UNKNOWN)
    return _numbers(run), "a machine gets there" if run is None else run_words(run, case.fleet), "", better


def _basin(case: _Case) -> Told:
    run = case.run(BASIN)
    words = "this is the floor of a hollow that may hold water"
    if run is not None and run.length_m > 0.0:
        words = run_words(run, case.fleet)
    dry = INPUTS["dry"].label.lower()
    lift = f"a layer of {dry}, or a signed correction 'dry', over all of its floor, if it holds no water"
    return _numbers(run), words, "", lift


def _stand_off(case: _Case) -> Told:
    distance = case.fleet.hazards.stand_off_m
    edge = case.figures.edge_m
    where = "the nearest water's edge or top of a drop is "
    if edge == 0.0:
        where = "the spot stands in or at water or the top of a drop, "
    elif edge is not None:
        where += f"{gap_words(edge)} away, "
    words = f"{where}within the stand-off of {distance:g} m"
    return {"edge_m": edge, "stand_off_m": distance}, words, "", ""


def _no_go(case: _Case) -> Told:
    told = []
    for one in case.figures.no_go:
        signed = ", ".join(text for text in (one.who, one.when) if text)
        by = f" ({signed})" if signed else ""
        told.append(f"a person on site{by} said that nobody may work here{f': {one.why}' if one.why else ''}")
    return {}, "; ".join(told).rstrip(".") or "nobody may work here", "", ""


def _slope(case: _Case) -> Told:
    across, up_down = case.fleet.limits(case.machine_id, case.condition_id)
    slope = float(case.ground.limit_deg[case.at])
    told = []
    for limit, way in ((across, "across"), (up_down, "up and down")):
        if limit is None:
            told.append(f"no limit {way}")
            continue
        found, most = apart(slope, limit)
        told.append(f"{most} {way}" if found == f"{slope:.1f}" else f"{most} {way}, where it is {found}")
    numbers: Numbers = {"machine_slope_deg": slope, "across_deg": across, "up_down_deg": up_down}
    return numbers, f"the slope of {slope:.1f} degrees is over the limits", ", ".join(told), ""


def _no_limit(case: _Case) -> Told:
    across, up_down = case.fleet.limits(case.machine_id, case.condition_id)
    told = []
    if across is None and up_down is None:
        told.append(f"the fleet file gives no limit under the condition '{case.condition_id}'")
    if case.machine.width_m is None and case.machine.operator != "hand":
        told.append("width_m is not given, so whether it fits cannot be judged")
    numbers: Numbers = {"across_deg": across, "up_down_deg": up_down, "width_m": case.machine.width_m}
    return numbers, "; ".join(told), "", ""


def _soft(case: _Case) -> Told:
    pressure, limit = case.machine.ground_pressure_kpa, case.fleet.soft_pressure_kpa
    numbers: Numbers = {"ground_pressure_kpa": pressure, "pressure_limit_kpa": limit}
    words = "the ground is likely to be soft"
    words += ", and soft_ground.pressure_limit_kpa is not given" if limit is None else f"; the limit is {limit:g} kPa"
    return numbers, words, "ground_pressure_kpa is not given" if pressure is None else f"presses {pressure:g} kPa", ""


def _trees(case: _Case) -> Told:
    bar = case.machine.roll_bar
    own = "roll_bar is not given" if bar is None else f"the roll bar is {bar} and must stay up"
    return {}, "trees hang low here", own, ""


def _no_route(case: _Case) -> Told:
    crossing = crossing_limits(case.fleet, case.machine_id, case.condition_id)
    assert crossing is not None, "a machine without limits is permitted nowhere, so it lacks no route"
    width = case.machine.width_m
    numbers: Numbers = {"cross_up_deg": crossing.up_deg, "cross_down_deg": crossing.down_deg,
                        "cross_across_deg": crossing.across_deg, "width_m": width}  # fmt: skip
    if case.figures.entrances == 0:
        return numbers, "no entrance lies at the parcel", "", "its entrance, drawn at the parcel"
    on_foot = case.machine.operator == "hand"
    own = "on foot" if on_foot or width is None else f"{width:g} m wide"
    words = "no route over ground that it may cross leads from an entrance to here and out again, inside the parcel"
    return numbers, words, own, ""


def _narrow(case: _Case) -> Told:
    width = case.machine.width_m
    assert width is not None, "a machine without a width is not judged for fit"
    disc = fit_diameter(width, case.ground.dx, case.ground.dy)
    own = f"{width:g} m wide it needs {disc:.2f} m"
    return {"width_m": width, "fit_m": disc}, "permitted ground here is narrower than a machine needs", own, ""


# Reasons with numbers of the spot; any other says the words of its row.
_TELL = {
    "no_go": _no_go,
    "unknown_ground": _unknown,
    "beyond_look": _beyond,
    "stand_off": _stand_off,
    "unknown_basin": _basin,
    "reach": _reach,
    "slope": _slope,
    "no_limit_given": _no_limit,
    "soft": _soft,
    "low_clearance": _trees,
    "narrow": _narrow,
    "no_route": _no_route,
}
