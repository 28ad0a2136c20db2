"""What refuses each machine in each zone, and on how much of it."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slopekit.permits.judge import BIT, Verdict


def refusal_records(
    zones: Mapping[int, Mapping[str, Any]], row: NDArray[np.int32], verdict: Verdict
) -> list[dict[str, Any]]:
    """Records of layer `refusals`: zones as given, machines and conditions in the verdict's order, the gravest reason
    first. A machine without a record is permitted on the whole zone under that condition.

    zones: records of layer `zones` by row number. row: (rows, cols), -1 outside; a share is taken over every cell that
    the row touches, as permits are.
    """
    if not zones:
        return []
    flat = row.ravel()
    at = np.flatnonzero(flat >= 0)
    of = flat[at]
    count = int(of.max()) + 1
    size = np.maximum(np.bincount(of, minlength=count), 1)
    # By pair and code the part of each row; a code that refuses nowhere has no place.
    shares: list[list[tuple[str, NDArray[np.float64]]]] = []
    for reasons in verdict.reasons:
        held = reasons.ravel()[at]
        met = np.bitwise_or.reduce(held)
        shares.append(
            [(code, np.bincount(of[held & bit != 0], minlength=count) / size) for code, bit in BIT.items() if met & bit]
        )
    return [
        {
            "parcel_id": zone["parcel_id"],
            "zone_id": zone["zone_id"],
            "machine": machine,
            "condition": condition,
            "reason": code,
            "share": float(share[number]),
        }
        for number, zone in zones.items()
        for (machine, condition), found in zip(verdict.pairs, shares, strict=True)
        for code, share in found
        if share[number] > 0.0
    ]
