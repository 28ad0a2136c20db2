"""Which machine works which zone of each parcel: small integer programmes, solved exactly."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Parcels do not touch each other, so several small ones share one call of the solver, which costs more than they do.
_ZONES_A_CALL = 200
# Hours or money by which a later machine of the fleet is held dearer. It settles ties alike on every computer, and
# whatever parcels share a call. The solver stops within 1e-6 of the least, so the figures are made larger than that.
_TIE = 1e-6
_SCALE = 1e3


@dataclass(frozen=True)
class Assignment:
    """The answer for all parcels under one condition."""

    machine: Ints
    """(zones,): number of the machine that works each zone."""
    brought: Bools
    """(parcels, machines): whether it works any zone there, or helps there."""
    total: float
    """Zone amounts and set-ups together, in the unit of the input."""


def assign(
    zone_cost: Array, set_up: Array, parcel: Ints, helper: Ints | None = None, counted: Bools | None = None
) -> Assignment:
    """The least total of every parcel; with `counted`, the least of those that bring the fewest machines to it.

    zone_cost: (zones, machines), hours or money, inf where a machine may not work the zone. set_up: (machines,), the
    same unit, not negative, once for each machine brought to a parcel. parcel: (zones,), number of the zone's parcel.
    helper: (zones, machines), number of another machine that must come as well when this one works that zone, or -1.
    counted: (machines,), which of them count as a machine on site (a hand crew does not). Ties go to the machine that
    stands first. Exact within a millionth of the unit for each machine brought. Every zone needs a finite entry
    (ValueError).

    Facility location without capacities: once it is settled which machines come, each zone takes its cheapest. So only
    the machines are whole numbers, and the programme stays small whatever the number of zones.
    """
    zones, machines = zone_cost.shape
    allowed = np.isfinite(zone_cost)
    if not allowed.any(axis=1).all():
        raise ValueError("a zone without any machine cannot be assigned")
    helper = np.full(allowed.shape, -1) if helper is None else helper
    parcels = int(parcel.max(initial=-1)) + 1
    come = np.zeros((parcels, machines), bool)
    for rows in _batches(parcel):
        come.flat[_best(zone_cost[rows], set_up, parcel[rows], helper[rows], counted)] = True
    here = allowed & come[parcel] & ((helper < 0) | come[parcel[:, None], helper])
    choice = np.where(here, zone_cost, np.inf).argmin(axis=1) if zones else np.empty(0, np.int64)
    each = np.arange(zones)
    helpers = helper[each, choice]
    brought = np.zeros_like(come)
    brought[parcel, choice] = True
    brought[parcel[helpers >= 0], helpers[helpers >= 0]] = True
    return Assignment(choice, brought, float(zone_cost[each, choice].sum() + (brought * set_up).sum()))


def _batches(parcel: Ints) -> Iterator[Ints]:
    """Rows of whole parcels, about `_ZONES_A_CALL` at a time."""
    order = np.argsort(parcel, kind="stable")
    starts = np.nonzero(np.diff(parcel[order], prepend=-1))[0].tolist()
    first = 0
    for start, end in pairwise([*starts, order.size]):
        if end - first > _ZONES_A_CALL and start > first:
            yield order[first:start]
            first = start
    if first < order.size:
        yield order[first:]


def _best(zone_cost: Array, set_up: Array, parcel: Ints, helper: Ints, counted: Bools | None) -> Ints:
    """Which machines to bring where, as parcel * machines + machine.

    Unknowns: one a permitted pair of zone and machine, then one a machine that may come to a parcel.
    """
    zones, machines = zone_cost.shape
    zone, machine = np.nonzero(np.isfinite(zone_cost))
    pairs = zone.size
    each = np.arange(pairs)
    also = helper[zone, machine]
    helped = np.nonzero(also >= 0)[0]
    pair = np.concatenate([each, helped])
    wanted = parcel[zone[pair]] * machines + np.concatenate([machine, also[helped]])
    visits, visit = np.unique(wanted, return_inverse=True)
    of = visits % machines
    # Every zone is worked once; a machine works only if it is brought, and its helper too.
    once = sp.csr_array((np.ones(pairs), (zone, each)), shape=(zones, pairs + visits.size))
    rows, one = np.arange(pair.size), np.ones(pair.size)
    entries = (np.concatenate([one, -one]), (np.concatenate([rows, rows]), np.concatenate([pair, pairs + visit])))
    came = sp.csr_array(entries, shape=(pair.size, pairs + visits.size))
    limits = [LinearConstraint(once, lb=1.0, ub=1.0), LinearConstraint(came, ub=0.0)]
    if counted is not None:
        # No parcel can do with fewer than its least, so the sum alone holds each of them to it.
        number = counted[of].astype(float)
        cover = sp.csr_array((np.ones(pairs), (zone, visit[:pairs])), shape=(zones, visits.size))
        least = _solve(number, [LinearConstraint(cover, lb=1.0)], visits.size)
        row = sp.csr_array(np.concatenate([np.zeros(pairs), number])[None, :])
        limits.append(LinearConstraint(row, ub=float(number[least].sum())))
    cost = np.concatenate([zone_cost[zone, machine], set_up[of] + _TIE * of])
    return visits[_solve(cost * _SCALE, limits, visits.size)]


def _solve(cost: Array, limits: list[LinearConstraint], whole: int) -> Bools:
    """The last `whole` unknowns of the least answer, which are 0 or 1."""
    integral = np.arange(cost.size) >= cost.size - whole
    # The default relative gap would let a slightly dearer answer pass for the least.
    options = {"mip_rel_gap": 0.0}
    answer = milp(cost, constraints=limits, integrality=integral, bounds=Bounds(0, 1), options=options)
    return answer.x[cost.size - whole :] > 0.5
