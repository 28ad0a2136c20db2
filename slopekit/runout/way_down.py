"""The likeliest way from a cell down to its hazard, so that a person can see why ground is refused."""

import math

from slopekit.kernels import descent
from slopekit.runout.outcomes import RunOut

_AROUND = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]
_ENDS = (descent.WATER, descent.DROP, descent.HAZARD)


def way_down(run: RunOut, row: int, col: int, dx: float, dy: float) -> list[tuple[int, int]]:
    """Cells (row, column) of the way from one cell to a hazard that it is above, both ends included.

    Where part of the flow ends in a hazard, the way goes on to the lower neighbour with the greatest such part; of
    several to the lowest. Elsewhere it is the shortest path of the fan. Empty where neither leads to a hazard. dx, dy:
    cell sides, m.
    """
    hazard = run.shares[..., : descent.TO_HAZARD + 1].sum(axis=2)
    if hazard[row, col] == 0.0:
        return _straying(run, row, col, dx, dy)
    here = (row, col)
    path = [here]
    while run.kind[here] not in _ENDS:
        lower = [n for n in _lower(run, here) if hazard[n] > 0.0]
        if not lower:
            return []
        here = max(lower, key=lambda n: (hazard[n], -run.w[n]))
        path.append(here)
    return path


def _straying(run: RunOut, row: int, col: int, dx: float, dy: float) -> list[tuple[int, int]]:
    length = run.hazard_length
    here = (row, col)
    if run.fan is None or math.isinf(length[here]):
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
    around = [(here[0] + i, here[1] + j) for i, j in _AROUND]
    return [n for n in around if run.w[n] < run.w[here]]
