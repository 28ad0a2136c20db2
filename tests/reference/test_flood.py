"""Order of cells, filling, and the hollows that stay: against samples, numpy, and slow definitions."""

from collections.abc import Callable

import numpy as np
import pytest
from hollows_by_hand import flood, hollows_that_stay, one_step_up
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from scipy import ndimage
from turns import ALL, turned

from slopekit.kernels.flood import CUT, SEED, deep_bottoms, fill
from slopekit.kernels.order import ascending


def border(z: np.ndarray, value: int = int(CUT)) -> np.ndarray:
    seed = np.full(z.shape, value, np.uint8)
    seed[1:-1, 1:-1] = 0
    return seed


def rough(rng: np.random.Generator, size: int, step: float) -> np.ndarray:
    """Hilly ground rounded to `step` (m), so that many cells tie; step 0 leaves it as it is."""
    z = 4.0 * ndimage.gaussian_filter(rng.normal(size=(size, size + 3)), 1.2)
    return np.round(z / step) * step + 0.0 if step else z


def stays(z: np.ndarray, seed: np.ndarray, depth: float, cells: float) -> np.ndarray:
    order = ascending(z)
    return deep_bottoms(z, fill(z, seed, order)[0], order, depth, cells)[0] != 0


floats = st.floats(allow_nan=True, allow_infinity=False, width=64) | st.sampled_from(
    [0.0, -0.0, 1.0, -1.0, -2.5, 1e-300]
)


@given(arrays(np.float64, array_shapes(min_dims=2, max_dims=2, max_side=12), elements=floats))
@settings(max_examples=150)
def test_ascending_is_a_stable_sort_without_missing_cells(z: np.ndarray) -> None:
    flat = z.ravel()
    expected = np.argsort(flat, kind="stable")  # numpy: NaN last, -0.0 equal to 0.0
    np.testing.assert_array_equal(ascending(z), expected[: np.count_nonzero(~np.isnan(flat))])


def test_ascending_on_a_large_grid() -> None:
    z = np.random.default_rng(5).normal(0.0, 900.0, (300, 400)).round(1)
    np.testing.assert_array_equal(ascending(z), np.argsort(z.ravel(), kind="stable"))


def test_pit_sample() -> None:
    # Public test grid of a GIS add-on: a pit of 1 in a ring of 9, let out by a cell of 4; its pour point is the 5.
    z = np.array([[5, 5, 5, 5, 5], [5, 9, 9, 9, 5], [5, 9, 1, 4, 5], [5, 9, 9, 9, 5], [5, 5, 5, 5, 5]], float)
    w, cut, _ = fill(z, border(z), ascending(z))
    expected = z.copy()
    expected[2, 2:4] = 5.0
    np.testing.assert_allclose(w, expected, atol=1e-12)
    assert w[2, 2] > w[2, 3] > w[2, 4] == 5.0  # and water would run out of it
    np.testing.assert_array_equal(cut != 0, w > z)


@pytest.mark.parametrize("step", [0.0, 0.5])
def test_fill_against_a_heap(step: float) -> None:
    # The filled surface is the least one that drains, so it does not depend on how the flood was run: equal to the bit.
    rng = np.random.default_rng(11)
    raised = 0
    for _ in range(60):
        z = rough(rng, 14, step)
        z[rng.random(z.shape) < 0.04] = np.nan
        seed = border(z)
        missing = np.isnan(z)
        seed[(seed == 0) & ndimage.binary_dilation(missing, np.ones((3, 3)))] = SEED
        seed[(seed == 0) & (rng.random(z.shape) < 0.02)] = SEED
        seed[missing] = 0
        w, _, _ = fill(z, seed, ascending(z))
        np.testing.assert_array_equal(w, flood(z, seed, one_step_up))
        raised += np.count_nonzero(w > z)
    assert raised > 500


def test_cut_marks_what_fills_over_the_window_edge_only() -> None:
    # Two pits parted by a ridge: the left one spills over the border, the right one into a seed (a pond).
    z = np.full((7, 13), 9.0)
    z[:, 6] = 20.0
    z[3, 2], z[3, 9], z[3, 10] = 1.0, 1.0, 2.0
    z[3, 0], z[3, 1], z[0:2, 11] = 5.0, 5.0, 9.0
    seed = border(z)
    z[0], z[-1], z[:, -1] = 20.0, 20.0, 20.0
    z[3, 0] = 5.0
    z[3, 11] = 0.0
    seed[3, 11] = SEED
    z[3, 10] = 4.0
    w, cut, _ = fill(z, seed, ascending(z))
    assert w[3, 2] == pytest.approx(5.0) and cut[3, 2] == 1
    assert w[3, 9] == pytest.approx(4.0) and cut[3, 9] == 0
    np.testing.assert_array_equal(np.unique(cut[:, 7:]), [0])


@pytest.mark.parametrize("way", ALL)
def test_fill_and_order_free_of_the_way_the_grid_lies(way: int) -> None:
    z = rough(np.random.default_rng(2), 90, 0.1)
    w, cut, _ = fill(z, border(z), ascending(z))
    z2 = turned(z, way)
    w2, cut2, _ = fill(z2, border(z2), ascending(z2))
    np.testing.assert_array_equal(w2, turned(w, way))
    np.testing.assert_array_equal(cut2, turned(cut, way))
    assert np.count_nonzero(w > z) > 1000


def bowl(size: int, *pits: tuple[int, int, float]) -> np.ndarray:
    """Ground at 10 m with square pits of 5 x 5 cells round the given cells, each to the given level."""
    z = np.full((size, size), 10.0)
    z += 0.001 * np.arange(size)[None, :]
    for i, j, level in pits:
        z[i - 2 : i + 3, j - 2 : j + 3] = level
        z[i, j] = level - 0.01
    return z


def test_one_deep_hollow_and_its_limits() -> None:
    z = bowl(15, (7, 7, 9.0))
    spill = z[5:10, 4].min()
    depth = spill - z[7, 7]
    only = np.zeros(z.shape, bool)
    only[7, 7] = True
    np.testing.assert_array_equal(stays(z, border(z), depth - 1e-6, 24.5), only)
    assert not stays(z, border(z), depth + 1e-6, 24.5).any()  # not deeper than the limit
    assert not stays(z, border(z), 0.3, 60.0).any()  # not larger than the limit


def test_a_hollow_within_a_hollow() -> None:
    # A basin 1 m deep and 15 cells wide; on its floor one pit of 25 cells, and one deeper pit of a single cell.
    z = np.full((23, 23), 10.0) + 0.001 * np.arange(23)
    z[4:19, 4:19] = 9.0
    z[6:11, 6:11], z[8, 8] = 8.5, 8.4
    z[14, 14] = 7.0
    got = stays(z, border(z), 0.3, 20.0)
    np.testing.assert_array_equal(np.argwhere(got), [[8, 8]])  # the single cell is filled, the pit of 25 stays
    got = stays(z, border(z), 0.3, 40.0)
    np.testing.assert_array_equal(np.argwhere(got), [[14, 14]])  # neither pit is large enough: the basin stays


def test_all_cells_that_tie_for_the_lowest_are_marked() -> None:
    z = bowl(15, (7, 7, 9.0))
    z[6, 6] = z[8, 8] = z[7, 7]
    np.testing.assert_array_equal(np.argwhere(stays(z, border(z), 0.3, 10.0)), [[6, 6], [7, 7], [8, 8]])


def test_a_small_hole_in_a_level_shelf_is_small() -> None:
    # 1 m deep, but of one cell: the shelf at its spill level does not count to its size.
    z = np.full((20, 20), 10.0)
    z[1:-1, 1:-1] = 5.0
    z[10, 19] = 5.0
    z[10, 10] = 4.0
    assert not stays(z, border(z), 0.3, 25.0).any()


@pytest.mark.parametrize("way", ALL)
def test_three_hollows_that_meet_at_one_level(way: int) -> None:
    # Nine cells each, behind walls of equal height. Each is too small, all three together are not; two of them are no
    # hollow of their own, since the third joins at the same level. So the lowest of all three is marked, any way round.
    z = np.full((9, 17), 10.0)
    for left, level in ((3, 5.0), (7, 8.0), (11, 5.5)):
        z[3:6, left : left + 3] = level + 0.01
        z[4, left + 1] = level
    z[4, 6] = z[4, 10] = 9.0
    expected = np.zeros(z.shape, bool)
    expected[4, 4] = True
    np.testing.assert_array_equal(stays(turned(z, way), border(turned(z, way)), 0.3, 12.0), turned(expected, way))


@pytest.mark.parametrize("step", [0.0, 0.5])
def test_hollows_that_stay_against_their_definition(step: float) -> None:
    rng = np.random.default_rng(23)
    marked = 0
    for _ in range(150):
        z = rough(rng, 13, step)
        seed = border(z)
        seed[(seed == 0) & (rng.random(z.shape) < 0.01)] = SEED
        for depth, cells in ((0.3, 3.5), (0.8, 8.5)):
            expected = hollows_that_stay(z, seed, depth, cells)
            np.testing.assert_array_equal(stays(z, seed, depth, cells), expected)
            marked += expected.sum()
    assert marked > 200


@pytest.mark.parametrize("way", ALL)
def test_hollows_free_of_the_way_the_grid_lies(way: int) -> None:
    rng = np.random.default_rng(4)
    for step in (0.5, 0.1):
        for _ in range(80):
            z = rough(rng, 18, step)
            z2 = turned(z, way)
            got = stays(z2, border(z2), 0.33, 5.0)
            np.testing.assert_array_equal(got, turned(stays(z, border(z), 0.33, 5.0), way))


@pytest.mark.parametrize("name", ["kettle_ground", "village_scarp_1m"])
def test_filled_real_ground_drains(ground: Callable, name: str) -> None:
    # Off the seeds every cell has a neighbour below it, so no path ends in a pit.
    g = ground(name)
    w, _, _ = fill(g.z, g.seed, ascending(g.z))
    lowest = ndimage.minimum_filter(np.where(np.isnan(w), np.inf, w), size=3)
    inside = (g.seed == 0) & ~np.isnan(g.z)
    assert inside.sum() == (g.z.shape[0] - 2) * (g.z.shape[1] - 2)
    assert (lowest < w)[inside].all()


def test_outlets_tell_where_ground_leaves_the_window() -> None:
    # Independent definition: follow each cell's lowest way to the border by Dijkstra's search on the highest
    # elevation met; the cell where it ends is the outlet. Cells that drain to a seed inside have none.
    z = np.round(np.random.default_rng(3).normal(size=(14, 17)).cumsum(axis=0).cumsum(axis=1), 6)
    seed = border(z)
    seed[6, 8] = 1
    _, _, outlet = fill(z, seed, ascending(z))
    compared = 0
    for c in np.ndindex(z.shape):
        best: dict[tuple[int, int], float] = {c: float(z[c])}
        todo = {c}
        while todo:
            here = min(todo, key=lambda n: best[n])
            todo.remove(here)
            for a in (-1, 0, 1):
                for b in (-1, 0, 1):
                    n = (here[0] + a, here[1] + b)
                    if not (0 <= n[0] < z.shape[0] and 0 <= n[1] < z.shape[1]):
                        continue
                    level = max(best[here], float(z[n]))
                    if level < best.get(n, np.inf):
                        best[n] = level
                        todo.add(n)
        level = min(v for n, v in best.items() if seed[n])
        # Where several seeds are reached at one level the outlet is any of them.
        ends = [n for n, v in best.items() if seed[n] and v == level]
        if len(ends) == 1:
            compared += 1
            if ends[0] == (6, 8):
                assert outlet[c] == -1
            else:
                assert outlet[c] == np.ravel_multi_index(ends[0], z.shape)
    assert compared > 20
