"""Made and real ground with the noise of a survey, and the water that is found on it."""

from pathlib import Path

import numpy as np
import rasterio
from scipy import ndimage

from slopekit.hazards.ponds import possible_water
from slopekit.hazards.settings import HazardSettings

SETTINGS = HazardSettings()
Array = np.ndarray


def found(z: Array, cell: float = 1.0) -> tuple[Array, Array]:
    return possible_water(z, cell, cell, SETTINGS)


def noise(rng: np.random.Generator, shape: tuple[int, ...], cell: float, sd: float, scale: float) -> Array:
    n = rng.normal(size=shape)
    if scale:
        n = ndimage.gaussian_filter(n, scale / cell)
    return sd * n / n.std()


def plan(size: float, cell: float = 1.0) -> tuple[Array, Array]:
    """Distance east and south of the middle of a square ground, for every cell (m)."""
    n = int(size / cell)
    y, x = (np.mgrid[:n, :n] + 0.5 - 0.5 * n) * cell
    return x, y


def share(mask: Array, of: Array) -> float:
    return float(mask[of].mean())


def read(path: Path) -> tuple[Array, float]:
    with rasterio.open(path) as data:
        return data.read(1, masked=True).astype(float).filled(np.nan), data.transform.a
