"""Fit: what `narrow` refuses against the morphological opening of scikit-image."""

import numpy as np
import pytest
from skimage.morphology import opening

from slopekit.kernels.patches import opened
from slopekit.permits.judge import fit_diameter

pytestmark = pytest.mark.reference

SIZE = 160


def permitted(seed: int) -> np.ndarray:
    """Patches, lanes and single cells, some of which run off the edge."""
    rng = np.random.default_rng(seed)
    mask = np.zeros((SIZE, SIZE), bool)
    row, col = np.mgrid[:SIZE, :SIZE]
    for _ in range(14):
        i, j, r = *rng.integers(0, SIZE, 2), rng.integers(1, 14)
        mask |= np.hypot(row - i, col - j) <= r
    for _ in range(6):
        angle, at, half = rng.uniform(0.0, np.pi), rng.uniform(-60.0, 60.0), rng.uniform(0.5, 4.0)
        mask |= np.abs((row - SIZE / 2) * np.cos(angle) + (col - SIZE / 2) * np.sin(angle) - at) <= half
    return mask & (rng.random(mask.shape) > 0.01)


def disc(diameter_m: float, dx: float, dy: float) -> np.ndarray:
    """Cells whose centres lie within the disc round the middle cell's."""
    rows, cols = int(0.5 * diameter_m / dy), int(0.5 * diameter_m / dx)
    i, j = np.mgrid[-rows : rows + 1, -cols : cols + 1]
    return np.hypot(i * dy, j * dx) <= 0.5 * diameter_m + 1e-9


@pytest.mark.parametrize(("dx", "dy"), [(1.0, 1.0), (0.5, 0.5), (1.0, 0.6)])
@pytest.mark.parametrize("width_m", [0.9, 1.5, 2.4, 4.0])
@pytest.mark.parametrize("seed", range(3))
def test_fit_is_the_opening_of_scikit_image(seed: int, width_m: float, dx: float, dy: float) -> None:
    mask = permitted(seed)
    diameter = fit_diameter(width_m, dx, dy)
    assert diameter == max(1.5 * width_m, 3.0 * max(dx, dy))
    kept = opened(mask.astype(np.uint64), dx, dy, diameter).astype(bool)
    expected = opening(mask, disc(diameter, dx, dy))
    # What lies beyond the edge is not known and each has a rule of its own there, so compare a diameter in from it.
    edge = int(np.ceil(diameter / min(dx, dy))) + 1
    inner = (slice(edge, -edge), slice(edge, -edge))
    assert mask[inner].size > 100 * 100
    np.testing.assert_array_equal(kept[inner], expected[inner])
    assert 0 < kept[inner].sum() < mask[inner].sum()
