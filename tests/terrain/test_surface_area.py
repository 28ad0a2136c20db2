"""Surface area against Jenness (2004), Wildlife Society Bulletin 32(3), 829-839: eight triangles round each cell."""

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest

from slopekit.kernels.gradient import horn
from slopekit.terrain.surface import surface_factor

pytestmark = pytest.mark.reference

# Jenness's sample window, cells of 100 m. The paper prints 10 280.48 m2; its own lengths give 10 280.771.
JENNESS_WINDOW = np.array([[190.0, 170.0, 155.0], [183.0, 165.0, 145.0], [175.0, 160.0, 122.0]])


def jenness(z: np.ndarray, cell: float) -> np.ndarray:
    """Surface area of the inner cells. Lines join a cell's centre to its eight neighbours' centres and those to each
    other; half of each line bounds the eight triangles that lie within the cell, whose areas are summed."""
    ring = [(-1, -1), (-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1)]
    rows, cols = z.shape

    def shifted(di: int, dj: int) -> np.ndarray:
        return z[1 + di : rows - 1 + di, 1 + dj : cols - 1 + dj]

    total = np.zeros((rows - 2, cols - 2))
    for here, there in itertools.pairwise([*ring, ring[0]]):
        centre, a, b = shifted(0, 0), shifted(*here), shifted(*there)
        la = np.hypot(cell * math.hypot(*here), a - centre) / 2.0
        lb = np.hypot(cell * math.hypot(*there), b - centre) / 2.0
        lc = np.hypot(cell, a - b) / 2.0
        s = (la + lb + lc) / 2.0
        total += np.sqrt(s * (s - la) * (s - lb) * (s - lc))
    return total


def from_gradient(z: np.ndarray, cell: float) -> np.ndarray:
    p, q = horn(z, cell, cell)
    return cell * cell * np.asarray(surface_factor(p, q))[1:-1, 1:-1]


def test_the_check_gives_the_published_value() -> None:
    area = jenness(JENNESS_WINDOW, 100.0)[0, 0]
    assert area == pytest.approx(10_280.771, abs=0.0005)
    assert area == pytest.approx(10_280.48, rel=1e-4)


def test_sample_window() -> None:
    # One plane through the nine heights cannot see the curvature that the eight triangles see: 0.4 % here.
    assert from_gradient(JENNESS_WINDOW, 100.0)[0, 0] == pytest.approx(10_280.771, rel=4e-3)


@pytest.mark.parametrize(
    ("run", "factor"), [(4.0, 1.0308), (3.0, 1.0541), (2.0, 1.1180), (3.7321, 1.0353), (1.7321, 1.1547)]
)
def test_plan_to_surface(run: float, factor: float) -> None:
    # Arithmetic: sqrt(1 + 1 / run^2) for 4:1, 3:1, 2:1, 15 and 30 degrees.
    for p, q in ((1.0 / run, 0.0), (0.0, -1.0 / run), (0.6 / run, 0.8 / run)):
        assert float(np.asarray(surface_factor(np.array([p]), np.array([q])))[0]) == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize("azimuth", range(0, 360, 30))
def test_equal_to_jenness_on_planes(azimuth: int) -> None:
    y, x = np.mgrid[0:12, 0:12].astype(float)
    z = 0.5 * (x * math.sin(math.radians(azimuth)) + y * math.cos(math.radians(azimuth)))
    np.testing.assert_allclose(from_gradient(z, 1.0), jenness(z, 1.0), rtol=1e-12)
    np.testing.assert_allclose(jenness(z, 1.0), math.sqrt(1.25), rtol=1e-12)


@pytest.mark.parametrize(
    ("name", "cells", "tolerance"),
    [
        ("kettle_ground", 398 * 398, 0.001),
        ("village_scarp_1m", 998 * 998, 0.004),
        ("embankment_2m", 498 * 498 - 13, 0.004),
        ("farmland_channel_1m", 478 * 718, 0.001),
    ],
)
def test_total_over_real_ground(ground: Callable, name: str, cells: int, tolerance: float) -> None:
    # Horn's window smooths roughness of a cell's size, so its total lies a little below; slope itself adds up to 3 %.
    g = ground(name)
    ours, check = from_gradient(g.z, g.dx), jenness(g.z, g.dx)
    both = np.isfinite(ours) & np.isfinite(check)
    assert both.sum() == cells
    assert ours[both].sum() <= check[both].sum()
    assert ours[both].sum() == pytest.approx(check[both].sum(), rel=tolerance)
