"""The long profile of a path down: heights along it, where one could stop, and the speed that it takes to arrive."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Grid
from slopekit.kernels import descent
from slopekit.runout.outcomes import RunOut
from slopekit.runout.reach import speed_of_head

Array = NDArray[np.float64]

_HAZARDS = (descent.WATER, descent.DROP, descent.HAZARD)


@dataclass(frozen=True)
class Profile:
    """Arrays (n,), one value for each cell of a path down, from its start to the hazard."""

    distance_m: Array
    """Along the map from the start, from cell centre to cell centre."""
    height_m: Array
    """The ground itself."""
    filled_m: Array
    """The ground with its shallow hollows filled, as the run-out follows it."""
    landing: NDArray[np.bool_]
    """Gentle enough to stop on; never the hazard."""
    speed_to_hazard_kmh: Array
    """Least speed with which a machine out of control arrives at a hazard, along this way or by an easier flow from the
    same cell; 0 from rest."""


def long_profile(run: RunOut, z: Array, grid: Grid, cells: Sequence[tuple[int, int]], friction: float) -> Profile:
    """The profile of the way along `cells` (row, column), whose last cell is the hazard.

    z: unfilled heights (rows, cols) on `grid`, m. friction: the coefficient of the slipperiest condition. The energy
    head that it takes to arrive is 0 at the hazard and, before that, what the next cell takes, plus friction times the
    step, less the fall: the energy line of a sliding block. It is never more than the run-out found for the cell, which
    looks at all flow and not at one way. Shallow hollows count as filled: one that is smaller on the day than in the
    survey must not stop a machine on paper.
    """
    rows, cols = np.array(cells).T
    step = np.hypot(np.diff(rows) * grid.dy, np.diff(cols) * grid.dx)
    filled = run.w[rows, cols]
    found = run.state[rows * grid.width + cols, descent.REACH :].min(axis=1)
    head = np.zeros(len(cells))
    for i, (upper, lower) in reversed(list(enumerate(pairwise(filled)))):
        head[i] = min(max(0.0, head[i + 1] + friction * step[i] - (upper - lower)), found[i])
    return Profile(
        distance_m=np.concatenate([[0.0], np.cumsum(step)]),
        height_m=z[rows, cols],
        filled_m=filled,
        landing=(run.gentle[rows, cols] != 0) & ~np.isin(run.kind[rows, cols], _HAZARDS),
        speed_to_hazard_kmh=speed_of_head(head),
    )
