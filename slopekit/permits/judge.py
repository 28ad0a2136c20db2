"""What refuses each machine on each cell: reason codes, the ways that stay open, and the fit."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slopekit.fleet.machine import Machine
from slopekit.fleet.model import Fleet
from slopekit.kernels import patches
from slopekit.runout.run_out import BASIN, BEYOND, DROP, HAZARD, UNKNOWN, WATER
from slopekit.runout.settings import USUAL_SPEED_KMH
from slopekit.runout.speed import head_of_speed
from slopekit.schema.reasons import REASON_CODES

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Reasons = NDArray[np.unsignedinteger[Any]]

REASON: np.dtype[Any] = np.promote_types(np.uint16, np.min_scalar_type((1 << len(REASON_CODES)) - 1))
"""As wide as there are codes, and two bytes at least."""
BIT = {code: REASON.type(1 << n) for n, code in enumerate(REASON_CODES)}
ACROSS, UP_DOWN = np.uint8(1), np.uint8(2)
_BITS = 64
HAZARD_CODES = {WATER: "above_water", DROP: "above_drop", HAZARD: "above_hazard"}
UNKNOWN_CODES = {UNKNOWN: "unknown_ground", BASIN: "unknown_basin"}
"""The codes of what a machine gets to."""


@dataclass(frozen=True)
class Ground:
    """What the rules look at, (rows, cols) each: the ground of one parcel and a strip round it."""

    dx: float
    dy: float
    limit_deg: Array
    """Compared slope, degrees; NaN where not known."""
    heads: Mapping[str, Array]
    """By kind (`run_out.KINDS`), (conditions, rows, cols): least head with which a machine gets there, m; inf where it
    is more than any machine has. A kind that is not there is got to from nowhere."""
    water: Bool
    """Cells that are water."""
    other: Bool
    """Cells of a road or other marked hazard."""
    drop: Bool
    """Edge and face of drops."""
    stand_off: Bool
    soft: Bool
    canopy: Bool
    no_go: Bool
    """Ground where nobody may work, as a person on site said."""
    blocked: Bool
    """Excluded ground: it is not worked and holds no machine."""
    drives: Bool
    """What of it machines may drive over on their route."""


@dataclass(frozen=True)
class Verdict:
    """The answer for every machine under every condition."""

    pairs: tuple[tuple[str, str], ...]
    """Machine id and condition id, machines in file order, conditions within."""
    reasons: Reasons
    """(pairs, rows, cols): `BIT`s of the codes that refuse; 0 is permitted."""
    ways: NDArray[np.uint8]
    """(pairs, rows, cols): ACROSS and UP_DOWN bits that the limits leave open."""

    def permitted(self, conditions: int) -> Bool:
        """(machines, rows, cols): cells that a machine may work under each of so many conditions."""
        every: Bool = np.all(self.reasons.reshape(-1, conditions, *self.reasons.shape[1:]) == 0, axis=1)
        return every


def judge(ground: Ground, fleet: Fleet) -> Verdict:
    """Evaluate every rule for every machine and condition, then the fit.

    A machine is permitted on a cell when no rule that was evaluated refuses it and nothing that one needs is missing.
    """
    return fitted(judge_cells(ground, fleet), ground.blocked, ground.dx, ground.dy, fleet)


def judge_cells(ground: Ground, fleet: Fleet) -> Verdict:
    """Evaluate every rule but the fit, which looks at the cells around."""
    pairs = tuple((m, c) for m in fleet.machines for c in fleet.conditions)
    shape = ground.limit_deg.shape
    reasons = np.zeros((len(pairs), *shape), REASON)
    ways = np.zeros((len(pairs), *shape), np.uint8)
    for n, (machine_id, condition_id) in enumerate(pairs):
        ways[n] = _slope(ground, fleet, machine_id, condition_id, reasons[n])
        _operator(ground, fleet, machine_id, list(fleet.conditions).index(condition_id), reasons[n])
        if fleet.refused_on_soft(machine_id, condition_id):
            reasons[n][ground.soft] |= BIT["soft"]
        if fleet.machines[machine_id].refused_under_low_trees:
            reasons[n][ground.canopy] |= BIT["low_clearance"]
    return Verdict(pairs, reasons, ways)


def _slope(ground: Ground, fleet: Fleet, machine_id: str, condition_id: str, reasons: Reasons) -> NDArray[np.uint8]:
    across, up_down = fleet.limits(machine_id, condition_id)
    ways = np.zeros(ground.limit_deg.shape, np.uint8)
    machine = fleet.machines[machine_id]
    if (across is None and up_down is None) or (machine.width_m is None and machine.operator != "hand"):
        reasons |= BIT["no_limit_given"]
        return ways
    for limit, way in ((across, ACROSS), (up_down, UP_DOWN)):
        if limit is not None:
            ways[ground.limit_deg <= limit] |= way
    # A missing slope is no slope over the limit: it has a reason of its own.
    reasons[(ways == 0) & ~np.isnan(ground.limit_deg)] |= BIT["slope"]
    return ways


def _operator(ground: Ground, fleet: Fleet, machine_id: str, condition: int, reasons: Reasons) -> None:
    machine = fleet.machines[machine_id]
    reasons[np.isnan(ground.limit_deg)] |= BIT["unknown_ground"]
    reasons[ground.no_go] |= BIT["no_go"]
    # Nobody mows water or a road, whatever the company allows above them.
    reasons[ground.water] |= BIT["above_water"]
    reasons[ground.other] |= BIT["above_hazard"]
    if machine.operator != "hand":
        # Slope reads low on a wall, and the company's word on ground above a drop does not speak of its face.
        reasons[ground.drop] |= BIT["above_drop"]
    heads = {kind: head[condition] for kind, head in ground.heads.items()}
    still = fleet.runout.still_head_m
    working = max(still, working_head_m(machine))
    if machine.rides:
        reasons[ground.stand_off] |= BIT["stand_off"]
        for kind, code in UNKNOWN_CODES.items():
            if kind in heads:
                reasons[heads[kind] <= working] |= BIT[code]
    # What lies beyond the look may be a hazard, or ground that is not known.
    if BEYOND in heads and (machine.rides or not machine.may_work_above_hazard):
        reasons[heads[BEYOND] <= (still if machine.operator == "hand" else working)] |= BIT["beyond_look"]
    if machine.may_work_above_hazard:
        return
    for kind, code in HAZARD_CODES.items():
        if kind in heads:
            reasons[heads[kind] <= still] |= BIT[code]
            if machine.operator != "hand":
                reasons[heads[kind] <= working] |= BIT["reach"]


def working_head_m(machine: Machine) -> float:
    """Head (m) of the highest speed at which a machine works."""
    return head_of_speed(USUAL_SPEED_KMH if machine.top_speed_kmh is None else machine.top_speed_kmh)


def fitted(verdict: Verdict, blocked: Bool, dx: float, dy: float, fleet: Fleet) -> Verdict:
    """The verdict of `judge_cells`, changed in place: what a disc of 1.5 working widths, or three cells, does not reach
    is refused as `narrow`, and no way stays open where a machine is refused."""
    pairs, reasons = verdict.pairs, verdict.reasons
    by_diameter: dict[float, list[int]] = {}
    for n, (machine_id, _) in enumerate(pairs):
        machine = fleet.machines[machine_id]
        width = machine.width_m
        # A person on foot fits between; a machine must have room to work and turn.
        if width is not None and machine.operator != "hand":
            by_diameter.setdefault(fit_diameter(width, dx, dy), []).append(n)
    batches = [
        (diameter, members[at : at + _BITS])
        for diameter, members in by_diameter.items()
        for at in range(0, len(members), _BITS)
    ]
    for diameter, members in batches:
        bits = np.zeros(blocked.shape, np.uint64)
        for k, n in enumerate(members):
            bits |= ((reasons[n] == 0) & ~blocked).astype(np.uint64) << np.uint64(k)
        kept = patches.opened(bits, dx, dy, diameter)
        for k, n in enumerate(members):
            lost = (reasons[n] == 0) & ~blocked & (kept >> np.uint64(k) & np.uint64(1) == 0)
            reasons[n][lost] |= BIT["narrow"]
    verdict.ways[reasons != 0] = 0
    return verdict


def fit_diameter(width_m: float, dx: float, dy: float) -> float:
    """Diameter (m) of the disc that a permitted patch must hold: 1.5 working widths, at least three cells."""
    return max(1.5 * width_m, 3.0 * max(dx, dy))


def marginal(compared_deg: Array, error_deg: Array, limits_deg: Iterable[float], marginal_z: float) -> Bool:
    """Cells whose compared slope lies within `marginal_z` standard errors of one of the limits."""
    out = np.zeros(compared_deg.shape, bool)
    for limit in limits_deg:
        out |= np.abs(compared_deg - limit) <= marginal_z * error_deg
    return out


def local_over(local_deg: Array, compared_deg: Array, limits_deg: Iterable[float]) -> Bool:
    """Cells whose local slope is over one of the limits that the compared slope keeps."""
    out = np.zeros(compared_deg.shape, bool)
    for limit in limits_deg:
        out |= (local_deg > limit) & (compared_deg <= limit)
    return out
