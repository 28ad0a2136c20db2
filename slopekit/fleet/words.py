"""What the fleet file says, in words: what each machine may do, what is missing, and what that causes."""

import math

from slopekit.fleet.capacity import hectares_per_hour
from slopekit.fleet.machine import CROSSING, Machine
from slopekit.fleet.model import Fleet
from slopekit.runout.resistance import RAMP_DEG
from slopekit.runout.settings import USUAL_SPEED_KMH
from slopekit.units import hv_text, percent
from slopekit.wording import DECIDE

_OPERATOR_WORDS = {
    "seated": "operator seated",
    "standing": "operator standing on it",
    "walking": "operator on foot",
    "remote": "nobody on it",
    "hand": "trimmers, on foot",
}

CLOSING: tuple[str, ...] = (
    "These limits are the company's own: slopekit adds none and vouches for no ground.",
    f"{DECIDE} Where they ask for less, type less.",
    "Roll bar up and belt fastened on a seated machine; belt off only while the bar is folded. Walk the ground first.",
)


def describe(fleet: Fleet) -> list[str]:
    """Lines of plain English, one block a machine with its lines indented, then the cautions. No line is empty."""
    lines: list[str] = []
    for machine_id, machine in fleet.machines.items():
        lines += _machine(fleet, machine_id, machine)
    lines += _settings(fleet)
    lines += CLOSING
    return lines


def slope_words(degrees: float) -> str:
    """A limit in degrees (rounded down), as horizontal to vertical, and in percent."""
    shown = _down(degrees)
    if degrees > 80.0:
        return f"{shown:.1f} degrees (a wall)"
    return f"{shown:.1f} degrees ({hv_text(degrees)}, {percent(degrees):.0f} %)"


def limit_words(fleet: Fleet, machine_id: str) -> str:
    """The limits of a machine under every condition in one line, degrees, rounded down."""
    return ", ".join(
        f"{condition.label or name} {_degrees(across, 'across')} and {_degrees(up_down, 'up and down')}"
        for name, condition in fleet.conditions.items()
        for across, up_down in [fleet.limits(machine_id, name)]
    )


def _degrees(limit: float | None, way: str) -> str:
    return f"not {way}" if limit is None else f"{_down(limit):g}° {way}"


def _down(degrees: float) -> float:
    return math.floor(10.0 * degrees + 1e-9) / 10.0


def _machine(fleet: Fleet, machine_id: str, machine: Machine) -> list[str]:
    label = f" ({machine.label})" if machine.label else ""
    head = f"{machine_id}{label}, {machine.machine_class}, {_OPERATOR_WORDS[machine.operator]}:"
    below = [_condition(fleet, machine_id, condition_id) for condition_id in fleet.conditions]
    below += [
        *_crossing(machine),
        _hazard(machine),
        *_trees(machine),
        _soft(fleet, machine_id, machine),
        *_reach(machine),
    ]
    below += _cautions(fleet, machine_id, machine)
    below += _work(machine)
    if machine.width_m is None:
        below.insert(0, "refused everywhere: width_m is not given, so whether it fits cannot be judged")
    return [head, *(f"  {line}." for line in below)]


def _condition(fleet: Fleet, machine_id: str, condition_id: str) -> str:
    across, up_down = fleet.limits(machine_id, condition_id)
    if across is None and up_down is None:
        return f"{condition_id}: refused on every slope: {_why_no_limit(fleet, machine_id, condition_id, 'both')}"
    parts = []
    for way, limit in (("across", across), ("up and down", up_down)):
        if limit is None:
            parts.append(f"{way} refused: {_why_no_limit(fleet, machine_id, condition_id, way)}")
        else:
            parts.append(f"{way} up to {slope_words(limit)}")
    return f"{condition_id}: {', '.join(parts)}{_ceiling(fleet, machine_id, condition_id)}"


def _why_no_limit(fleet: Fleet, machine_id: str, condition_id: str, way: str) -> str:
    machine = fleet.machines[machine_id]
    wanted = {"across": [machine.across_deg], "up and down": [machine.up_down_deg]}
    bases = wanted.get(way, [machine.across_deg, machine.up_down_deg])
    if any(base is not None for base in bases):
        return (
            f"the machine's own limit does not count here, since conditions.{condition_id}.limit_factor and "
            f"machines.{machine_id}.limits.{condition_id} are not given"
        )
    ceiling = "" if machine.ceiling_deg is None else ", and a mechanical ceiling alone permits nothing"
    return f"no limit given{ceiling}"


def _ceiling(fleet: Fleet, machine_id: str, condition_id: str) -> str:
    """Says so where the mechanical ceiling lowered a limit."""
    machine = fleet.machines[machine_id]
    if machine.ceiling_deg is None:
        return ""
    without = fleet.model_copy(update={"machines": {machine_id: machine.model_copy(update={"ceiling_deg": None})}})
    if without.limits(machine_id, condition_id) == fleet.limits(machine_id, condition_id):
        return ""
    return f", lowered by the mechanical ceiling of {machine.ceiling_deg:.1f} degrees"


def _crossing(machine: Machine) -> list[str]:
    """Own limits for driving over ground, where any is given, a discharge and a tread that are not the usual ones."""
    given = {way: getattr(machine, key) for way, key in zip(("up", "down", "across"), CROSSING, strict=True)}
    told = [f"{way} {slope_words(limit)}" for way, limit in given.items() if limit is not None]
    out = [f"on its route to work, before the condition's factor: {', '.join(told)}"] if told else []
    out += ["throws the cut grass to the left"] if machine.discharge == "left" else []
    return [*out, *(["its tread tears turf in a turn: three-point turns"] if machine.tread == "aggressive" else [])]


def _hazard(machine: Machine) -> str:
    if not machine.may_work_above_hazard:
        silent = machine.above_hazard is None and not machine.rides
        why = ": above_hazard is not given" if silent else ""
        return f"never above water, a drop or a marked hazard{why}"
    signed = machine.above_hazard_exception
    if signed:
        return (
            f"above water, a drop or a marked hazard only by the written exception of {signed.who}, "
            f"{signed.when.isoformat()}: {signed.why.rstrip('.')}"
        )
    return "the company lets it work above water, a drop or a marked hazard"


def _trees(machine: Machine) -> list[str]:
    if not machine.refused_under_low_trees:
        return []
    if machine.roll_bar is None:
        return ["refused under low trees: roll_bar is not given"]
    return [f"refused under low trees: the roll bar is {machine.roll_bar} and must stay up"]


def _soft(fleet: Fleet, machine_id: str, machine: Machine) -> str:
    if machine.operator == "hand":
        return "not refused by the soft ground rule, which does not judge people on foot without a machine"
    judged = [name for name, condition in fleet.conditions.items() if condition.soft]
    if not judged:
        return "soft ground is not judged under any condition of this file"
    under = "" if len(judged) == len(fleet.conditions) else f" ({', '.join(judged)})"
    pressure, limit = machine.ground_pressure_kpa, fleet.soft_pressure_kpa
    if pressure is None:
        return f"refused on soft ground{under}: ground_pressure_kpa is not given"
    if limit is None:
        return f"refused on soft ground{under}: soft_ground.pressure_limit_kpa is not given"
    words = "refused on soft ground" if fleet.refused_on_soft(machine_id, judged[0]) else "not refused on soft ground"
    return f"{words}{under}: it presses {pressure:g} kPa, the limit is {limit:g} kPa"


def _reach(machine: Machine) -> list[str]:
    if machine.operator == "hand" or machine.may_work_above_hazard:
        return []
    if machine.top_speed_kmh is not None:
        return [f"reach is judged at {machine.top_speed_kmh:g} km/h"]
    return [f"speed_kmh is not given: reach is judged at {USUAL_SPEED_KMH:g} km/h, and no hours are worked out"]


def _cautions(fleet: Fleet, machine_id: str, machine: Machine) -> list[str]:
    """Typing that is allowed and yet looks like a slip."""
    out = []
    for condition_id, own in machine.limits.items():
        pairs = (
            ("across_deg", own.across_deg, machine.across_deg),
            ("up_down_deg", own.up_down_deg, machine.up_down_deg),
        )
        for key, special, base in pairs:
            if special is not None and base is not None and special > base:
                out.append(
                    f"look again: limits.{condition_id}.{key} = {special:g} is over the machine's own {key} = {base:g}"
                )
    return out


def _work(machine: Machine) -> list[str]:
    """What hours are worked out from."""
    if machine.operator == "hand":
        if machine.hand_rate_m2_h is None:
            return ["hand_rate_m2_h is not given, so no hours can be worked out for hand work"]
        edge = "edges are not priced" if machine.edge_rate_m_h is None else f"trims {machine.edge_rate_m_h} m an hour"
        return [f"one person clears {machine.hand_rate_m2_h} m2 an hour; {edge}"]
    if machine.efficiency is None:
        return ["efficiency is not given, so no hours can be worked out for it"]
    if machine.speed_kmh is None or machine.width_m is None:
        return []
    capacity = hectares_per_hour(machine.speed_kmh.expected, machine.width_m, machine.efficiency.expected)
    return [
        f"covers {capacity:.2f} ha an hour on level ground: {machine.speed_kmh} km/h, efficiency {machine.efficiency}"
    ]


def _settings(fleet: Fleet) -> list[str]:
    out = []
    for condition_id, condition in fleet.conditions.items():
        factor = "no limit factor" if condition.limit_factor is None else f"limit factor {condition.limit_factor:g}"
        out.append(f"Condition {condition_id}: friction {condition.friction:g}, {factor}.")
    out.append(
        f"Nobody sits or stands on a machine within {fleet.hazards.stand_off_m:g} m of water or of the top of a drop, "
        "whatever the slope."
    )
    run = fleet.runout
    out.append(
        f"A machine out of control loses {100.0 * run.rolling:.3g} cm of height a metre on ground over "
        f"{run.rolls_from_deg:g} degrees, where nothing but rolling is assumed to brake, and on "
        f"ground under {run.rolls_from_deg - RAMP_DEG:g} degrees the friction of the condition. Hazards are looked for "
        f"within {run.look_m:g} m of a parcel."
    )
    wet = fleet.soft_ground
    if wet.wetness_from is not None:
        out.append(
            f"Ground counts as soft from a wetness index of {wet.wetness_from:g} on, by the ground up to "
            f"{wet.wetness_length_m:g} m uphill of it, and where the index is not known."
        )
    return out
