"""Lines of walls from places on them."""

import numpy as np
import shapely
from ground_maker import NORTH, UTM, WEST

from slopekit.grid import Grid
from slopekit.kernels.step_windows import NODE, Z_99
from slopekit.points.walls import wall_records

GRID = Grid(20, 40, WEST, NORTH, 1.0, 1.0, UTM)


def nodes_of(heights: list[float], error_m: float) -> np.ndarray:
    """Places a metre apart on a line that runs east, the higher ground in the north."""
    n = np.arange(len(heights))
    out = np.zeros((len(heights), NODE))
    out[:, 0], out[:, 1] = 10, n
    out[:, 2], out[:, 3] = n + 0.5, 10.5
    out[:, 4:6] = np.array([0.0, -1.0])
    out[:, 6], out[:, 7] = heights, error_m / Z_99
    out[:, 9:11] = 8
    return out


def test_a_wall_that_runs_into_a_kerb_stays_a_wall_to_its_end() -> None:
    for high in range(2, 12):
        heights = [1.2] * high + [0.5] * (14 - high)
        records = wall_records(nodes_of(heights, 0.1), GRID)
        tall = shapely.union_all([one["geometry"] for one in records if one["height"] + one["error_m"] >= 0.9])
        places = [shapely.Point(WEST + n + 0.5, NORTH - 10.5) for n in range(high)]
        assert len(places) == high and all(tall.distance(place) < 1e-6 for place in places)


def test_noise_on_a_low_wall_makes_no_high_one() -> None:
    rng = np.random.default_rng(3)
    count = 0
    for _ in range(200):
        records = wall_records(nodes_of(list(0.5 + rng.normal(0.0, 0.05, 12)), 0.05 * Z_99), GRID)
        assert all(abs(one["height"] - 0.5) < 0.2 for one in records)
        count += len(records)
    assert count > 400
