"""Why a machine is refused at one spot, each reason with the numbers that made it."""

import math
from dataclasses import dataclass

from slopekit.fields import REASON_CODES
from slopekit.fleet.crossing import crossing_limits
from slopekit.fleet.machine import Machine
from slopekit.fleet.model import Fleet
from slopekit.kernels import descent
from slopekit.permits.judge import BIT, Ground, Verdict, fit_diameter
from slopekit.runout.reach import speed_of_head
from slopekit.sources.corrections import Correction
from slopekit.wording import metres_words, plain_degrees

Numbers = dict[str, float | None]

ENDS = {
    "water": "in water",
    "drop": "at a drop",
    "hazard": "on a road or other marked hazard",
    "level": "on level ground long enough to stop on",
    "basin": "in a hollow that may hold water",
    "unknown": "on ground that is not known",
}
"""Where a path down ends, in words, by outcome (`kernels.descent.OUTCOMES`)."""
_ABOVE = {
    "above_water": (descent.TO_WATER, descent.WATER, "water"),
    "above_drop": (descent.TO_DROP, descent.DROP, "drop"),
    "above_hazard": (descent.TO_HAZARD, descent.HAZARD, "hazard"),
}


@dataclass(frozen=True)
class Refusal:
    """One reason code against one machine under one condition, at one spot."""

    code: str
    numbers: Numbers
    """What was compared, by name with its unit; None where the fleet file does not give it."""
    words: str
    """A clause without a full stop."""


@dataclass(frozen=True)
class Figures:
    """What refusals tell beside what the rules look at. Metres; None where there is none."""

    edge_m: float | None
    """To the nearest water's edge or top of a drop."""
    hazard_m: float | None
    """Least path length to the hazard below."""
    fall_m: float | None
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

    def share(self, *outcomes: int) -> float:
        return float(sum(self.ground.shares[self.at][k] for k in outcomes))


def refusals(
    ground: Ground, verdict: Verdict, pair: int, at: tuple[int, int], fleet: Fleet, figures: Figures
) -> tuple[Refusal, ...]:
    """The reasons that refuse pair number `pair` of the verdict at cell `at`, the gravest first; none permits."""
    case = _Case(ground, at, fleet, figures, *verdict.pairs[pair])
    codes = [code for code in REASON_CODES if verdict.reasons[pair][at] & BIT[code]]
    return tuple(Refusal(code, *_told(case, code)) for code in codes)


def apart(one: float, two: float) -> tuple[str, str]:
    """Two numbers with one decimal, or as many more as tell them apart, six at most."""
    for digits in range(1, 7):
        shown = f"{one:.{digits}f}", f"{two:.{digits}f}"
        if shown[0] != shown[1] or one == two:
            break
    return shown


def speed_words(speed_kmh: float) -> str:
    """How fast a machine out of control must be to get to a hazard."""
    return "from a standstill" if speed_kmh < 0.05 else f"at {speed_kmh:.1f} km/h or more"


def _told(case: _Case, code: str) -> tuple[Numbers, str]:
    return _above(case, code) if code in _ABOVE else _TELL[code](case)


def _no_go(case: _Case) -> tuple[Numbers, str]:
    told = []
    for one in case.figures.no_go:
        signed = ", ".join(text for text in (one.who, one.when) if text)
        by = f" ({signed})" if signed else ""
        told.append(f"a person on site{by} said that nobody may work here{f': {one.why}' if one.why else ''}")
    return {}, "; ".join(told).rstrip(".") or "nobody may work here"


def _unknown(case: _Case) -> tuple[Numbers, str]:
    ground, settings = case.ground, case.fleet.runout
    least = settings.hazard_share
    unknown, basin = case.share(descent.TO_UNKNOWN), case.share(descent.TO_BASIN)
    hazards = case.share(descent.TO_WATER, descent.TO_DROP, descent.TO_HAZARD)
    told = []
    if math.isnan(ground.limit_deg[case.at]):
        told.append("the slope here is not known, since a cell close by has no elevation")
    if case.machine.rides:
        if not ground.shares[case.at].any():
            told.append("the path down from here is not known")
        if ground.endless[case.at]:
            told.append(f"a path down goes on for more than {settings.max_run_m:g} m, as far as it is followed")
        if unknown > least:
            found, most = apart(100.0 * unknown, 100.0 * least)
            told.append(f"{found} % of the paths down end on ground that is not known, and more than {most} % refuses")
    numbers: Numbers = {"unknown_share": unknown, "hazard_share": least}
    if not told:
        # None of them refuses alone.
        parts = {"on ground that is not known": unknown, "in a hollow that may hold water": basin}
        if not case.machine.may_work_above_hazard:
            parts["in a hazard"] = hazards
        found, most = apart(100.0 * sum(parts.values()), 100.0 * least)
        shares = " and ".join(f"{_percent(part)} {where}" for where, part in parts.items() if part > 0.0)
        told.append(f"of the paths down {shares} end, {found} % together, and more than {most} % refuses")
        numbers |= {"basin_share": basin, "hazards_share": hazards}
    return numbers, "; ".join(told)


def _above(case: _Case, code: str) -> tuple[Numbers, str]:
    column, kind, end = _ABOVE[code]
    settings, ground = case.fleet.runout, case.ground
    least = settings.hazard_share
    share, total = case.share(column), case.share(descent.TO_WATER, descent.TO_DROP, descent.TO_HAZARD)
    strays = int(ground.fan_kind[case.at]) == kind
    numbers: Numbers = {"share": share, "hazards_share": total, "hazard_share": least}
    if code == "above_water" and ground.water[case.at]:
        return numbers, "this is water"
    if code == "above_hazard" and ground.other[case.at]:
        return numbers, "this is a road or other marked hazard"
    if code == "above_drop" and (ground.drop[case.at] or case.figures.hazard_m == 0.0):
        return numbers, "this is a drop"
    told = []
    if total > least and share > 0.0:
        found, most = apart(100.0 * total, 100.0 * least)
        told.append(
            f"{_percent(share)} of the paths down end {ENDS[end]}, {found} % in any hazard, and more than {most} % "
            "refuses"
        )
    if strays:
        numbers |= {"fan_deg": settings.fan_deg, "hazard_m": case.figures.hazard_m, "fall_m": case.figures.fall_m}
        way = stray_words(end, settings.fan_deg, case.figures.hazard_m, case.figures.fall_m)
        told.append(f"{way}, which alone refuses")
    return numbers, "; ".join(told)


def _percent(share: float) -> str:
    return f"{100.0 * share:.1f} %" if share >= 0.0005 else "under 0.1 %"


def stray_words(end: str, fan_deg: float, hazard_m: float | None, fall_m: float | None) -> str:
    """What a path that need not be the steepest comes to first, as a clause. end: a key of ENDS."""
    strayed = f"a path that strays by up to {plain_degrees(fan_deg)} from the steepest"
    by, far = "the steepest path" if fan_deg == 0.0 else strayed, ""
    if hazard_m is not None and fall_m is not None:
        far = f" after {metres_words(hazard_m)} and a fall of {metres_words(fall_m)}"
    return f"{by} ends {ENDS[end]}{far}"


def _stand_off(case: _Case) -> tuple[Numbers, str]:
    distance = case.fleet.hazards.stand_off_m
    edge = case.figures.edge_m
    how_far = "" if edge is None else f"{edge:.2f} m away, "
    return (
        {"edge_m": edge, "stand_off_m": distance},
        f"the nearest water's edge or top of a drop is {how_far}within the stand-off of {distance:g} m",
    )


def _basin(case: _Case) -> tuple[Numbers, str]:
    share, least = case.share(descent.TO_BASIN), case.fleet.runout.hazard_share
    found, most = apart(100.0 * share, 100.0 * least)
    return (
        {"basin_share": share, "hazard_share": least},
        f"{found} % of the paths down end in a hollow that may hold water, and more than {most} % refuses",
    )


def _reach(case: _Case) -> tuple[Numbers, str]:
    heads = case.ground.reach[list(case.fleet.conditions).index(case.condition_id)]
    reach, speed = float(speed_of_head(heads[case.at])), case.machine.top_speed_kmh
    numbers: Numbers = {"speed_to_hazard_kmh": reach if math.isfinite(reach) else None, "speed_kmh": speed}
    if speed is None:
        return numbers, "speed_kmh is not given, so whatever leads to a hazard counts as within reach"
    return (
        numbers,
        f"{speed_words(reach)} a machine out of control gets to a hazard, and this one works at {speed:g} km/h",
    )


def _slope(case: _Case) -> tuple[Numbers, str]:
    across, up_down = case.fleet.limits(case.machine_id, case.condition_id)
    slope = float(case.ground.limit_deg[case.at])
    told = []
    for limit, way in ((across, "across"), (up_down, "up and down")):
        if limit is None:
            told.append(f"no limit is given {way}")
        else:
            found, most = apart(slope, limit)
            told.append(f"the slope of {found} degrees is over the limit of {most} degrees {way}")
    return {"machine_slope_deg": slope, "across_deg": across, "up_down_deg": up_down}, ", and ".join(told)


def _no_limit(case: _Case) -> tuple[Numbers, str]:
    across, up_down = case.fleet.limits(case.machine_id, case.condition_id)
    told = []
    if across is None and up_down is None:
        told.append(f"the fleet file gives no limit under the condition '{case.condition_id}'")
    if case.machine.width_m is None and case.machine.operator != "hand":
        told.append("width_m is not given, so whether it fits cannot be judged")
    return {"across_deg": across, "up_down_deg": up_down, "width_m": case.machine.width_m}, "; ".join(told)


def _soft(case: _Case) -> tuple[Numbers, str]:
    pressure, limit = case.machine.ground_pressure_kpa, case.fleet.soft_pressure_kpa
    numbers: Numbers = {"ground_pressure_kpa": pressure, "pressure_limit_kpa": limit}
    if pressure is None:
        return numbers, "the ground is likely to be soft, and ground_pressure_kpa is not given"
    if limit is None:
        return numbers, "the ground is likely to be soft, and soft_ground.pressure_limit_kpa is not given"
    pressed = f"the machine presses {pressure:g} kPa, the limit on soft ground is {limit:g} kPa"
    return numbers, f"the ground is likely to be soft; {pressed}"


def _trees(case: _Case) -> tuple[Numbers, str]:
    bar = case.machine.roll_bar
    what = "roll_bar is not given" if bar is None else f"the roll bar is {bar} and must stay up"
    return {}, f"trees hang low here, and {what}"


def _no_route(case: _Case) -> tuple[Numbers, str]:
    crossing = crossing_limits(case.fleet, case.machine_id, case.condition_id)
    assert crossing is not None, "a machine without limits is permitted nowhere, so it lacks no route"
    width = case.machine.width_m
    numbers: Numbers = {"cross_up_deg": crossing.up_deg, "cross_down_deg": crossing.down_deg,
                        "cross_across_deg": crossing.across_deg, "width_m": width}  # fmt: skip
    if case.figures.entrances == 0:
        return numbers, "no entrance lies at the parcel"
    on_foot = case.machine.operator == "hand"
    wide = "on foot" if on_foot or width is None else f"{width:g} m wide"
    return numbers, (
        f"no route inside the parcel leads from an entrance to here and out again, {wide}, at most "
        f"{crossing.up_deg:.1f} degrees up, {crossing.down_deg:.1f} down and {crossing.across_deg:.1f} across"
    )


def _narrow(case: _Case) -> tuple[Numbers, str]:
    width = case.machine.width_m
    assert width is not None, "a machine without a width is not judged for fit"
    disc = fit_diameter(width, case.ground.dx, case.ground.dy)
    return (
        {"width_m": width, "fit_m": disc},
        f"{width:g} m wide it needs {disc:.2f} m to work and turn, and permitted ground here is narrower",
    )


_TELL = {
    "no_go": _no_go,
    "unknown_ground": _unknown,
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
CODES = frozenset({*_ABOVE, *_TELL})
"""The reason codes that have words here."""
