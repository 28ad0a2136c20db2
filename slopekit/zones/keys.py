"""What keeps zones apart: for each cell the governing class, its way of working and the reason for those refused."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slopekit.fleet.model import Fleet
from slopekit.permits.judge import ACROSS, BIT, HAZARD_CODES, UP_DOWN, Verdict
from slopekit.schema.classes import MACHINE_CLASSES

Bool = NDArray[np.bool_]

NO_CLASS = len(MACHINE_CLASSES)
# Index into fields.WAYS by way bits: neither (the machines of the class differ), across, up and down, either.
WAY_OF_BITS = np.array([3, 1, 2, 0], np.uint8)


def governing_machines(
    zones: Mapping[int, Mapping[str, Any]], verdict: Verdict, fleet: Fleet, where: Bool
) -> dict[int, str]:
    """By row number the machine that governs each zone: of those of its class that are permitted on all of it the one
    that comes first, as in `cell_keys`. Rows that no machine may work have none.

    zones: records of layer `zones`. where: the parcel's cells.
    """
    machines = list(fleet.machines)
    reasons = verdict.reasons.reshape(len(machines), len(fleet.conditions), *where.shape)
    order = [n for members in _by_precedence((reasons == 0).all(axis=1) & where, fleet) for n in members]
    out = {}
    for number, zone in zones.items():
        first = next((machines[n] for n in order if machines[n] in zone["permitted"]), None)
        if first is not None:
            out[number] = first
    return out


def _by_precedence(permitted: Bool, fleet: Fleet) -> list[list[int]]:
    """Numbers of the machines, class by class from the least restricted one; within a class the machine that is
    permitted on most ground comes first. permitted: (machines, rows, cols)."""
    out = []
    for code in MACHINE_CLASSES:
        members = [n for n, m in enumerate(fleet.machines.values()) if m.machine_class == code]
        out.append(sorted(members, key=lambda n: -np.count_nonzero(permitted[n])))
    return out


def cell_keys(verdict: Verdict, fleet: Fleet, where: Bool, hazard: NDArray[np.int8]) -> NDArray[np.int64]:
    """One number for each kind of zone, (rows, cols): by governing class, way and reason; -1 outside `where`.

    hazard: number in `run_out.HAZARDS` of the nearest hazard below, -1 for none. Ground from which it takes a speed to
    get to a hazard is kept apart neither from ground from which it takes none nor by anything but that hazard.

    The governing class is the least restricted one with a machine that is permitted under every condition. Within a
    class the machine that is permitted on most ground governs, so that a class is not split for its lesser machines.
    Ground that no machine may work under every condition goes by who may work it under each.
    """
    shape = where.shape
    machines = list(fleet.machines)
    n_conditions = len(fleet.conditions)
    reasons = verdict.reasons.reshape(len(machines), n_conditions, *shape)
    permitted = verdict.permitted(n_conditions)
    any_reason = np.bitwise_or.reduce(reasons, axis=1)
    ways = np.bitwise_and.reduce(verdict.ways.reshape(len(machines), n_conditions, *shape), axis=1)

    governor = np.full(shape, len(machines), np.int64)
    way = np.zeros(shape, np.uint8)
    refused = np.zeros(shape, reasons.dtype)
    open_still = np.ones(shape, bool)
    classes = _by_precedence(permitted & where, fleet)
    order = [n for members in classes for n in members]
    for members in classes:
        class_ways = np.full(shape, ACROSS | UP_DOWN, np.uint8)
        for n in members:
            class_ways[permitted[n]] &= ways[n][permitted[n]]
        taken = np.zeros(shape, bool)
        for n in members:
            here = permitted[n] & open_still & ~taken
            governor[here] = n
            taken |= here
        way[taken] = class_ways[taken]
        open_still &= ~taken
        for n in members:
            refused[open_still] |= any_reason[n][open_still]

    way_index = np.where(open_still, 0, WAY_OF_BITS[way])
    for number, code in enumerate(HAZARD_CODES.values()):
        refused[(refused & BIT["reach"] != 0) & (hazard == number)] |= BIT[code]
    # The lowest bit is the governing reason: codes stand in order of precedence.
    reason = np.full(shape, -1, np.int8)
    lowest = refused & (~refused + reasons.dtype.type(1))
    reason[refused != 0] = np.log2(lowest[refused != 0]).astype(np.int8)
    key = (governor * len(WAY_OF_BITS) + way_index) * (len(BIT) + 1) + reason + 1
    for condition in range(n_conditions) if n_conditions > 1 else ():
        first = np.zeros(shape, np.int64)
        for n in reversed(order):
            first[(reasons[n, condition] == 0) & open_still] = n + 1
        key = _afresh(first, key)
    if fleet.zones.split_by == "machines":
        for n in range(len(machines)):
            key = _afresh(permitted[n], key)
    return np.where(where, key, -1)


def somebody_works(verdict: Verdict, conditions: int) -> Bool:
    """(conditions, rows, cols): cells that some machine or crew may work, alike on cells of equal key."""
    some: Bool = (verdict.reasons == 0).reshape(-1, conditions, *verdict.reasons.shape[1:]).any(axis=0)
    return some


def _afresh(more: NDArray[Any], key: NDArray[np.int64]) -> NDArray[np.int64]:
    """Keys that are equal where both are, numbered from 0 on so that any number of machines fits."""
    pairs = more * (key.max() + 1) + key
    return np.unique(pairs, return_inverse=True)[1].reshape(key.shape).astype(np.int64)
