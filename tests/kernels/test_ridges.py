"""Top-hat, distance and thinning, the parts that berms are found with, against scipy."""

import math

import numpy as np
import pytest
from scipy import ndimage
from turns import ALL, turned

from slopekit.kernels.ridges import depth_inside, two_sided_rise
from slopekit.kernels.skeleton import thinned, without_holes

pytestmark = pytest.mark.reference

Array = np.ndarray


def rough_ground(seed: int) -> Array:
    """Ridges and hollows about 15 m wide and 1 m high, every which way."""
    rough = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=(300, 300)), 4.0)
    return rough / rough.std()


def opened_by_scipy(z: Array, footprint: Array) -> Array:
    """Opening, void and outside counted as high."""
    high = np.pad(np.where(np.isnan(z), np.inf, z), 70, constant_values=np.inf)
    low = ndimage.grey_erosion(high, footprint=footprint)
    return ndimage.grey_dilation(low, footprint=footprint)[70:-70, 70:-70]


def test_rise_is_the_top_hat_of_scipy() -> None:
    """The greatest of four openings by segments, against scipy.ndimage's erosion and dilation, voids and all."""
    rng = np.random.default_rng(8)
    z = ndimage.gaussian_filter(rng.normal(0.0, 5.0, (90, 70)), 2.0)
    z[30:34, 20:25] = np.nan
    dx, dy, width = 1.0, 1.5, 20.0
    length = width / math.cos(math.radians(22.5))
    n_row, n_col, n_slant = (math.ceil(length / s) + 2 for s in (dx, dy, math.hypot(dx, dy)))
    shapes = [np.ones((1, n_row)), np.ones((n_col, 1)), np.eye(n_slant), np.eye(n_slant)[::-1]]
    expected = np.max([z - opened_by_scipy(z, shape.astype(bool)) for shape in shapes], axis=0)
    got = two_sided_rise(z, dx, dy, width)
    np.testing.assert_array_equal(np.isnan(got), np.isnan(z))
    np.testing.assert_allclose(got, expected, atol=1e-12)


@pytest.mark.parametrize("way", ALL)
def test_thinning_keeps_lines_whole(way: int) -> None:
    """A bar two cells wide and level stays as long as it is, but for its last cell, whichever way it lies."""
    mask = np.zeros((60, 20), bool)
    mask[5:55, 9:11] = True
    mask = turned(mask, way)
    lines = thinned(mask, depth_inside(mask, 1.0, 1.0), np.zeros(mask.shape))
    assert 48 <= lines.sum() <= 50
    assert not (lines & ~mask).any()


@pytest.mark.parametrize("seed", range(3))
def test_thinning_parts_and_joins_nothing(seed: int) -> None:
    """As many pieces and holes as before, counted by scipy; and nothing left that could still go."""
    mask = np.pad(rough_ground(seed)[:150, :150] > 0.3, 1)
    lines = thinned(mask, depth_inside(mask, 1.0, 1.0), np.pad(rough_ground(seed)[:150, :150], 1))
    eight = np.ones((3, 3))
    for each, structure in ((True, eight), (False, None)):
        assert ndimage.label(lines == each, structure)[1] == ndimage.label(mask == each, structure)[1]
    assert lines.sum() < 0.25 * mask.sum()
    full = ndimage.convolve(lines.astype(int), np.ones((2, 2), int), mode="constant") == 4
    assert full.sum() < 0.01 * lines.sum()


@pytest.mark.parametrize("seed", range(3))
def test_small_holes_are_filled_as_scipy_labels_them(seed: int) -> None:
    mask = np.random.default_rng(seed).random((120, 90)) < 0.6
    label, _ = ndimage.label(~mask)
    sizes = np.bincount(label.ravel())
    edge = np.unique(np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]]))
    holes = np.setdiff1d(np.flatnonzero(sizes <= 8), [0, *edge])
    assert len(holes) > 50
    np.testing.assert_array_equal(without_holes(mask, 8), mask | np.isin(label, holes))


def test_depth_is_the_chamfer_distance_of_scipy() -> None:
    mask = rough_ground(2) > 0.0
    mask[:2], mask[-2:], mask[:, :2], mask[:, -2:] = False, False, False, False
    expected = ndimage.distance_transform_cdt(mask, metric="chessboard")
    got = depth_inside(mask, 1.0, 1.0)
    assert (got >= expected - 1e-9).all()
    assert (got <= math.sqrt(2.0) * expected + 1e-9).all()
    exact = ndimage.distance_transform_edt(mask)
    # Steps along rows and diagonals are longest half-way between the two: 1 / cos 22.5 degrees = 1.0824 (arithmetic).
    assert (got >= exact - 1e-9).all()
    assert (got <= 1.0824 * exact + 1e-9).all()
