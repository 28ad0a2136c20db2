"""The likeliest way from a cell down to its hazard, so that a person can see why ground is refused."""

import math

import numpy as np

from slopekit.kernels import descent
from slopekit.kernels.receivers import NEIGHBOURS, receivers
from slopekit.runout.outcomes import RunOut

_ENDS = (descent.WATER, descent.DROP, descent.HAZARD)


def path_down(run: RunOut, row: int, col: int, dx: float, dy: float) -> list[tuple[int, int]]:
    """Cells (row, column) of the way from one cell to a hazard that it is above, both ends included.

    Where part of the flow ends in a hazard, the way goes on with the greatest such part; of several equal ones to the
    lowest cell. Elsewhere it is the shortest path of the fan. Empty where neither leads to a hazard. dx, dy: cell
    sides, m.
    """
    hazard = run.shares[..., : descent.TO_HAZARD + 1].sum(axis=2)
    if hazard[row, col] == 0.0:
        return _straying(run, row, col, dx, dy)
    here = (row, col)
    path = [here]
    while run.kind[here] not in _ENDS:
        around = slice(here[0] - 1, here[0] + 2), slice(here[1] - 1, here[1] + 2)
        part = receivers(np.ascontiguousarray(run.w[around]), dx, dy)[1, 1]
        into = [((here[0] + i, here[1] + j), flow) for (i, j), flow in zip(NEIGHBOURS, part, strict=True) if flow]
        here, _ = max(into, key=lambda to: (to[1] * hazard[to[0]], -run.w[to[0]]))
        path.append(here)
    return path


def _straying(run: RunOut, row: int, col: int, dx: float, dy: float) -> list[tuple[int, int]]:
    length = run.hazard_length
    here = (row, col)
    if not run.by_fan or math.isinf(length[here]):
        return []
    path = [here]
    while run.kind[here] not in _ENDS:

        def off(n: tuple[int, int], at: tuple[int, int] = here) -> float:
            """How much longer or shorter the way over n is than the shortest."""
            step = math.hypot((n[0] - at[0]) * dy, (n[1] - at[1]) * dx)
            return abs(float(length[at] - length[n]) - step)

        here = min(_lower(run, here), key=lambda n: (off(n), run.w[n]))
        path.append(here)
    return path


def _lower(run: RunOut, here: tuple[int, int]) -> list[tuple[int, int]]:
    around = [(here[0] + i, here[1] + j) for i, j in NEIGHBOURS]
    return [n for n in around if run.w[n] < run.w[here]]
