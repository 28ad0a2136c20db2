"""Slope on the own side of drops: against planes, and against scipy's Gaussian away from drops."""

from collections.abc import Callable

import numpy as np
import pytest
from real_ground import Ground
from scipy import ndimage
from turns import ALL, sides, turned

from slopekit.kernels.side_slope import side_gradient

pytestmark = pytest.mark.reference

SHEER = 0.84  # tan 40 degrees


def gradient(z: np.ndarray, edge: np.ndarray, face: np.ndarray, dx: float = 1.0, dy: float = 1.0) -> np.ndarray:
    return side_gradient(z, edge, face, SHEER, 2.0, dx, dy)


def terrace(height: float) -> tuple[np.ndarray, np.ndarray]:
    """A plane of 3 %, 1 % across, with a wall half way down; its upper cells."""
    i, j = np.mgrid[:40, :30]
    edge = i == 19
    return -0.03 * i - 0.01 * j - np.where(i > 19, height, 0.0), edge


def test_plane_keeps_its_slope_up_to_a_wall_and_to_the_border() -> None:
    z, edge = terrace(2.0)
    found = gradient(z, edge, np.zeros_like(edge))
    np.testing.assert_allclose(found, np.hypot(0.03, 0.01), rtol=1e-9)
    # Not told of the wall it would read the ground beside it as steep.
    blind = gradient(z, np.zeros_like(edge), np.zeros_like(edge))
    assert np.degrees(np.arctan(blind[19])).min() > 15.0
    # Three metres off the wall still makes a lawn steeper than 5 degrees to it.
    assert np.degrees(np.arctan(blind[16])).min() > 5.0


def test_face_of_two_cells_and_voids_are_left_out() -> None:
    z, edge = terrace(1.0)
    z[21:] -= 1.0
    face = np.zeros_like(edge)
    face[20] = True
    z[5:8, 10:14] = np.nan
    found = gradient(z, edge, face)
    hidden = face | np.isnan(z)
    assert np.isnan(found[hidden]).all()
    np.testing.assert_allclose(found[~hidden], np.hypot(0.03, 0.01), rtol=1e-9)


@pytest.mark.parametrize("name", ["village_scarp_1m", "embankment_2m", "farmland_channel_1m"])
def test_equals_the_gradient_of_the_gaussian_surface_away_from_drops(
    ground: Callable[[str], Ground], name: str
) -> None:
    one = ground(name)
    z = one.z[:200, :200]
    none = np.zeros(z.shape, bool)
    found = gradient(z, none, none, one.dx, one.dy)
    smooth = ndimage.gaussian_filter(z, (2.0 / one.dy, 2.0 / one.dx))
    wanted = np.hypot(np.gradient(smooth, one.dx, axis=1), np.gradient(smooth, one.dy, axis=0))
    # Far enough inside for both to see the same cells.
    inner = np.s_[12:-12, 12:-12]
    gap = np.degrees(np.arctan(found[inner])) - np.degrees(np.arctan(wanted[inner]))
    gap = gap[np.isfinite(gap)]
    assert gap.size > 25_000
    # Diffusion in steps has thinner tails than a Gaussian.
    assert np.abs(gap).max() < 0.7 and np.quantile(np.abs(gap), 0.98) < 0.22


@pytest.mark.parametrize("way", ALL)
def test_turned_ground_has_the_same_slope(way: int) -> None:
    z = np.random.default_rng(1).normal(0.0, 0.5, (30, 22))
    z[3:5, 4:6] = np.nan
    edge = np.random.default_rng(2).random(z.shape) < 0.1
    upright = gradient(z, edge, np.zeros_like(edge), 1.0, 0.8)
    found = gradient(turned(z, way), turned(edge, way), turned(np.zeros_like(edge), way), *sides(1.0, 0.8, way))
    np.testing.assert_array_equal(found, turned(upright, way))
