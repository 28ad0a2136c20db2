"""What a machine may drive over on its route to work, as the fleet file has it."""

from dataclasses import dataclass

from slopekit.fleet.machine import CROSSING
from slopekit.fleet.model import Fleet


@dataclass(frozen=True)
class CrossingLimits:
    """The steepest ground, in degrees, that one machine drives over without working, under one condition."""

    up_deg: float
    down_deg: float
    across_deg: float


def crossing_limits(fleet: Fleet, machine_id: str, condition_id: str) -> CrossingLimits | None:
    """What one machine may drive over under one condition; None where it has no limit at all, which refuses.

    Each is its crossing limit times the condition's factor, or its working limit if that is greater or the only one,
    then lowered by the mechanical ceiling. A missing one closes that direction, save on ground that counts as level
    (`routes.level_deg`): a machine without a limit across still turns on a lawn. KeyError for an unknown id.
    """
    across, up_down = fleet.limits(machine_id, condition_id)
    worked = {"across_deg": across, "up_down_deg": up_down}
    known = [limit for limit in worked.values() if limit is not None]
    if not known:
        return None
    machine, factor = fleet.machines[machine_id], fleet.conditions[condition_id].limit_factor
    ceiling = 90.0 if machine.ceiling_deg is None else machine.ceiling_deg
    level = min(fleet.routes.level_deg, *known)

    def one(key: str) -> float:
        own, working = getattr(machine, key), worked[CROSSING[key]]
        given = [] if own is None or factor is None else [min(own * factor, ceiling)]
        return max([*given, *([] if working is None else [working])], default=level)

    return CrossingLimits(one("cross_up_deg"), one("cross_down_deg"), one("cross_across_deg"))
