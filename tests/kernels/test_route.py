"""Ways over a grid against the graph search of scikit-image, scipy's Dijkstra on a graph made here, and by hand.

Grids are invented. The reference graph is made from the rule in plain Python, one step at a time.
"""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from skimage.graph import MCP_Geometric

from slopekit.kernels.route import NO_CELL, Routes, cells_between, least_cost

pytestmark = pytest.mark.reference

STEPS = [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if (a, b) != (0, 0)]
FREE = {"up": 10.0, "down": 10.0, "cross": 10.0}


def level(shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return np.zeros(shape), np.zeros(shape), np.zeros(shape)


def plane(shape: tuple[int, int], east: float, south: float, dx: float = 1.0, dy: float = 1.0) -> tuple:
    i, j = np.mgrid[: shape[0], : shape[1]]
    return east * j * dx + south * i * dy, np.full(shape, east), np.full(shape, south)


def by_graph(z, p, q, blocked, start, dx, dy, up, down, cross, allowance, factor, corners, outward) -> np.ndarray:
    """Costs by scipy on the graph of all allowed steps."""
    rows, cols = z.shape
    bad = blocked | np.isnan(z) | np.isnan(p) | np.isnan(q)
    tail, head, cost = [], [], []
    for i, j in zip(*np.nonzero(~bad), strict=True):
        for a, b in STEPS:
            k, m = i + a, j + b
            if not (0 <= k < rows and 0 <= m < cols) or bad[k, m]:
                continue
            if a and b and not corners and (bad[i, m] or bad[k, j]):
                continue
            length = math.hypot(a * dy, b * dx)
            along = [(p[c] * b * dx + q[c] * a * dy) / length for c in ((i, j), (k, m))]
            rise = (z[k, m] - z[i, j]) / length
            angle = max(0.0, math.atan(abs(rise)) - math.atan(allowance))
            along.append(math.copysign(math.tan(angle), rise))
            across = [abs(p[c] * a * dy - q[c] * b * dx) / length for c in ((i, j), (k, m))]
            if max(along) <= up and -min(along) <= down and max(across) <= cross:
                tail.append(i * cols + j)
                head.append(k * cols + m)
                cost.append(length * (1.0 + factor * max(0.0, max(along), -min(along))))
    graph = coo_matrix((cost, (tail, head)), (z.size, z.size)).tocsr()
    good = [s for s in start if not bad.ravel()[s]]
    if not good:
        return np.full(z.shape, np.inf)
    return dijkstra(graph.T if outward else graph, indices=good).min(axis=0).reshape(z.shape)


def walked(routes: Routes, cell: int, dx: float, dy: float) -> float:
    way = cells_between(routes, cell)
    at = [divmod(c, routes.cost.shape[1]) for c in way]
    return math.fsum(math.hypot((a - c) * dy, (b - d) * dx) for (a, b), (c, d) in pairwise(at))


@pytest.mark.parametrize("number", range(6))
@pytest.mark.parametrize("sides", [(1.0, 1.0), (0.5, 2.0)])
def test_level_ground_with_obstacles_as_scikit_image(number: int, sides: tuple[float, float]) -> None:
    rng = np.random.default_rng(number)
    dx, dy = sides
    blocked = rng.random((41, 57)) < 0.35
    starts = [(int(rng.integers(41)), int(rng.integers(57))) for _ in range(3)]
    for at in starts:
        blocked[at] = False
    flat = np.array([i * 57 + j for i, j in starts])
    routes = least_cost(*level(blocked.shape), blocked, flat, dx, dy, **FREE, corners=True)
    expected, _ = MCP_Geometric(np.where(blocked, -1.0, 1.0), sampling=(dy, dx)).find_costs(starts)
    np.testing.assert_allclose(routes.cost, expected, rtol=1e-12)
    assert 0.2 < np.isfinite(routes.cost).mean() < 0.7
    for cell in np.flatnonzero(np.isfinite(routes.cost))[::37]:
        assert walked(routes, int(cell), dx, dy) == pytest.approx(routes.cost.ravel()[cell], rel=1e-12)


@pytest.mark.parametrize("number", range(12))
def test_directed_limits_as_scipy(number: int) -> None:
    rng = np.random.default_rng(100 + number)
    dx, dy = (1.0, 1.0) if number % 2 else (0.5, 0.75)
    z = 0.1 * np.cumsum(np.cumsum(rng.normal(size=(17, 21)), 0), 1)
    q, p = np.gradient(z, dy, dx)
    z[rng.random(z.shape) < 0.02] = np.nan
    p[rng.random(z.shape) < 0.02] = np.nan
    blocked = rng.random(z.shape) < 0.1
    start = rng.integers(z.size, size=4)
    rule = (0.35, 0.6, 0.45, 0.05, 0.5, bool(number % 3), bool(number % 4 > 1))
    up, down, cross, allowance, factor, corners, outward = rule
    got = least_cost(
        z, p, q, blocked, start, dx, dy, up, down, cross,
        allowance=allowance, slope_factor=factor, corners=corners, outward=outward,
    )  # fmt: skip
    np.testing.assert_allclose(got.cost, by_graph(z, p, q, blocked, start, dx, dy, *rule), rtol=1e-9)
    # The case is one in which the limits and the direction matter.
    free = by_graph(z, p, q, blocked, start, dx, dy, 9.0, 9.0, 9.0, *rule[3:])
    back = by_graph(z, p, q, blocked, start, dx, dy, *rule[:-1], not rule[-1])
    assert 4 < np.isfinite(got.cost).sum() < np.isfinite(free).sum()
    assert (np.isfinite(got.cost) != np.isfinite(back)).any()


def test_down_but_not_up() -> None:
    # A ramp of 30 % that falls to the east; the machine climbs 20 % and comes down 40 %. From the head of the ramp
    # everything is reached, and nothing comes back but the head itself.
    z, p, q = plane((1, 6), -0.3, 0.0)
    none = np.zeros(z.shape, bool)
    start = np.array([0])
    into = least_cost(z, p, q, none, start, 1.0, 1.0, 0.2, 0.4, 0.1)
    out = least_cost(z, p, q, none, start, 1.0, 1.0, 0.2, 0.4, 0.1, outward=True)
    assert into.cost.tolist() == [[0.0, 1.0, 2.0, 3.0, 4.0, 5.0]]
    assert out.cost.tolist() == [[0.0] + [math.inf] * 5]
    assert cells_between(into, 3) == [3, 2, 1, 0] and cells_between(out, 3) == []


@pytest.mark.parametrize("turn", range(4))
def test_across_the_slope_is_its_own_limit(turn: int) -> None:
    # On a plane of 30 %, a machine that takes 35 % up and down but 25 % across goes straight up and on the diagonals
    # (0.3 / sqrt 2 = 21 % both ways), never along the contour.
    east, south = [(0.3, 0.0), (0.0, 0.3), (-0.3, 0.0), (0.0, -0.3)][turn]
    z, p, q = plane((5, 5), east, south)
    got = least_cost(z, p, q, np.zeros(z.shape, bool), np.array([12]), 1.0, 1.0, 0.35, 0.35, 0.25).cost
    contour = (2, slice(None)) if south else (slice(None), 2)
    # Two cells along the contour take two diagonal steps.
    assert got[contour].tolist() == pytest.approx([2 * math.sqrt(2), 1 + math.sqrt(2), 0, 1 + math.sqrt(2), 2**1.5])
    straight = (slice(None), 2) if south else (2, slice(None))
    assert got[straight].tolist() == [2.0, 1.0, 0.0, 1.0, 2.0]


def test_a_grade_at_its_limit_is_allowed_and_one_above_is_not() -> None:
    z, p, q = plane((3, 3), 0.3, 0.0)
    none = np.zeros(z.shape, bool)
    start = np.array([3])
    assert np.isfinite(least_cost(z, p, q, none, start, 1.0, 1.0, 0.3, 0.3, 0.3).cost).all()
    over = least_cost(z, p, q, none, start, 1.0, 1.0, 0.2999, 0.3, 0.05).cost
    assert np.isinf(over).sum() == 8


def test_a_step_in_the_ground_counts_where_the_gradient_does_not_show_it() -> None:
    # A kerb of 0.4 m over 1 m is 21.8 degrees; less an allowance of 5 degrees it is 16.8, tangent 0.302.
    z = np.array([[0.0, 0.0, 0.4, 0.4]])
    still = np.zeros(z.shape)
    none = np.zeros(z.shape, bool)
    noise = math.tan(math.radians(5.0))
    for up, reached in ((0.31, 4), (0.29, 2)):
        got = least_cost(z, still, still, none, np.array([0]), 1.0, 1.0, up, 0.1, 0.1, allowance=noise).cost
        assert np.isfinite(got).sum() == reached
    down = least_cost(z, still, still, none, np.array([3]), 1.0, 1.0, 0.31, 0.1, 0.1, allowance=noise).cost
    assert np.isfinite(down).sum() == 2


def test_no_diagonal_past_a_corner_unless_asked() -> None:
    blocked = np.array([[False, True], [False, False]])
    closed = least_cost(*level((2, 2)), blocked, np.array([0]), 1.0, 1.0, **FREE)
    passed = least_cost(*level((2, 2)), blocked, np.array([0]), 1.0, 1.0, **FREE, corners=True)
    assert closed.cost[1, 1] == 2.0 and passed.cost[1, 1] == math.sqrt(2.0)


def test_equal_ways_are_told_apart_by_index() -> None:
    # From the corner to a knight's move away there are two ways of 1 + sqrt 2. The cell met at the lesser cost settles
    # first, which is the straight neighbour.
    first = least_cost(*level((5, 5)), np.zeros((5, 5), bool), np.array([0]), 1.0, 1.0, **FREE)
    assert cells_between(first, 7) == [7, 1, 0]
    # Between two entrances at the same distance, the one of lower index.
    row = least_cost(*level((1, 5)), np.zeros((1, 5), bool), np.array([4, 0]), 1.0, 1.0, **FREE)
    assert cells_between(row, 2) == [2, 1, 0]
    assert row.previous[0, 0] == NO_CELL


def test_no_entrance_and_a_blocked_entrance_reach_nothing() -> None:
    blocked = np.zeros((3, 3), bool)
    blocked[1, 1] = True
    for start in ([], [4]):
        got = least_cost(*level((3, 3)), blocked, np.array(start, np.int64), 1.0, 1.0, **FREE)
        assert np.isinf(got.cost).all() and (got.previous == NO_CELL).all()
