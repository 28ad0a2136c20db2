"""The real grids as arrays, and the seeds that let them drain over their edges."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from scipy import ndimage


@dataclass(frozen=True)
class Ground:
    path: Path
    z: np.ndarray
    """(rows, cols), m, NaN where missing."""
    dx: float
    dy: float

    @property
    def seed(self) -> np.ndarray:
        """2 on the border, where the ground goes on unseen, 1 beside missing cells, 0 elsewhere."""
        missing = np.isnan(self.z)
        seed = np.zeros(self.z.shape, np.uint8)
        seed[ndimage.binary_dilation(missing, np.ones((3, 3))) & ~missing] = 1
        seed[0, :] = seed[-1, :] = seed[:, 0] = seed[:, -1] = 2
        seed[missing] = 0
        return seed


def read(path: Path) -> Ground:
    with rasterio.open(path) as file:
        z = file.read(1, masked=True).astype(np.float64).filled(np.nan)
        return Ground(path, z, abs(file.transform.a), abs(file.transform.e))
