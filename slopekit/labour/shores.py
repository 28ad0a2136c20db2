"""Length of lines that follow cells, such as the shore of water that was found in the ground, without their steps."""

import numpy as np
import shapely
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A step may be as long as the coarsest cell that zones are made of, m, and no shorter than this.
_LONGEST_STEP_M = 5.0
_SHORTEST_STEP_M = 0.1
# A rectangle has four sides and a wall one: too few to be steps.
_FEWEST = 6
# Binomial weights, over two steps to either side.
_WEIGHTS = np.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16.0


def without_steps(line: shapely.Geometry, metres_per_unit: float) -> tuple[Array, Array]:
    """A line or ring cut into single steps: x, y of both ends of each piece (pieces, 4), and the length that counts.

    Lengths are in CRS units, as the coordinates. A piece counts as long as the mean of the steps round it (binomial
    weights over five steps) is. So the whole is as long as the line smoothed by these weights, and no length depends on
    where the line begins or how it is turned. Outlines of cells, which are up to 41 % longer than what they follow,
    come within 2 % of circles from 8 cells of radius and within 5 % of squares from 14 cells of side, however turned;
    lines through the centres of neighbouring cells, up to 8 % longer, within 2 %. Lines of fewer than six sides, which
    are no steps, are left as they are.
    """
    points = shapely.get_coordinates(line)
    sides = np.diff(points, axis=0)
    length = np.hypot(sides[:, 0], sides[:, 1])
    seen = length > 0.0
    sides, length, starts = sides[seen], length[seen], points[:-1][seen]
    steps = length[length * metres_per_unit >= _SHORTEST_STEP_M]
    if len(length) < _FEWEST or not steps.size or steps.min() * metres_per_unit > _LONGEST_STEP_M:
        return np.hstack([starts, starts + sides]), length
    count = np.maximum(1, np.round(length / steps.min())).astype(np.int64)
    step = np.repeat(sides / count[:, None], count, axis=0)
    nth = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    start = np.repeat(starts, count, axis=0) + nth[:, None] * step
    reach = len(_WEIGHTS) // 2
    closed = bool((points[0] == points[-1]).all())
    round_it = np.pad(step, ((reach, reach), (0, 0)), mode="wrap" if closed else "edge")
    mean = sum(weight * round_it[k : k + len(step)] for k, weight in enumerate(_WEIGHTS))
    return np.hstack([start, start + step]), np.hypot(mean[:, 0], mean[:, 1])
