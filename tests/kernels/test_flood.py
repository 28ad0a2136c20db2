"""Order of cells and filling: against samples, numpy, and a slow definition."""

from collections.abc import Callable

import numpy as np
import pytest
from hollows_by_hand import flood, one_step_up
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from scipy import ndimage
from turns import ALL, turned

from slopekit.kernels.flood import CUT, SEED, fill
from slopekit.kernels.order import ascending

pytestmark = pytest.mark.reference


def border(z: np.ndarray, value: int = int(CUT)) -> np.ndarray:
    seed = np.full(z.shape, value, np.uint8)
    seed[1:-1, 1:-1] = 0
    return seed


def rough(rng: np.random.Generator, size: int, step: float) -> np.ndarray:
    """Hilly ground rounded to `step` (m), so that many cells tie; step 0 leaves it as it is."""
    z = 4.0 * ndimage.gaussian_filter(rng.normal(size=(size, size + 3)), 1.2)
    return np.round(z / step) * step + 0.0 if step else z


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
    w, cut = fill(z, border(z), ascending(z))
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
        w, _ = fill(z, seed, ascending(z))
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
    w, cut = fill(z, seed, ascending(z))
    assert w[3, 2] == pytest.approx(5.0) and cut[3, 2] == 1
    assert w[3, 9] == pytest.approx(4.0) and cut[3, 9] == 0
    np.testing.assert_array_equal(np.unique(cut[:, 7:]), [0])


@pytest.mark.parametrize("way", ALL)
def test_fill_and_order_free_of_the_way_the_grid_lies(way: int) -> None:
    z = rough(np.random.default_rng(2), 90, 0.1)
    w, cut = fill(z, border(z), ascending(z))
    z2 = turned(z, way)
    w2, cut2 = fill(z2, border(z2), ascending(z2))
    np.testing.assert_array_equal(w2, turned(w, way))
    np.testing.assert_array_equal(cut2, turned(cut, way))
    assert np.count_nonzero(w > z) > 1000


@pytest.mark.parametrize("name", ["kettle_ground", "village_scarp_1m"])
def test_filled_real_ground_drains(ground: Callable, name: str) -> None:
    # Off the seeds every cell has a neighbour below it, so no path ends in a pit.
    g = ground(name)
    w, _ = fill(g.z, g.seed, ascending(g.z))
    lowest = ndimage.minimum_filter(np.where(np.isnan(w), np.inf, w), size=3)
    inside = (g.seed == 0) & ~np.isnan(g.z)
    assert inside.sum() == (g.z.shape[0] - 2) * (g.z.shape[1] - 2)
    assert (lowest < w)[inside].all()
