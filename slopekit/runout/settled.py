"""Whether what is not known of the floors of hollows matters to an answer."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Window
from slopekit.runout.floors import Floors
from slopekit.runout.run_out import BASIN, run_out

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


def same_refusals(
    least: Floors,
    most: Floors,
    z: Array,
    losses: Sequence[Array],
    start: Bool,
    view: Window,
    heads: Sequence[float],
    dx: float,
    dy: float,
) -> bool:
    """Whether both bounds of the floors refuse the same machines on the same `start` cells.

    heads: working heads (m) of the machines that the floors of hollows refuse. The rest is as in `run_out`.
    """
    if ((least.soft != most.soft) & start).any():
        return False
    more = most.refusing & ~least.refusing
    if not heads or not more.any():
        return True

    def head(floor: Bool) -> Array:
        sources = {BASIN: np.where(floor, z, np.inf)}
        return run_out(z, losses, sources, start, view, max(heads), dx, dy).head(BASIN)

    with_more = head(more)
    if np.isinf(with_more).all():
        return True
    known = head(least.refusing)
    return all((known[with_more <= one] <= one).all() for one in heads)
