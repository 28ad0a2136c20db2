"""Rasters made for the tests of the readers."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

WriteRaster = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> WriteRaster:
    """write(name, z, affine, crs=..., nodata=..., unit=..., tags=..., **profile) -> path."""

    def one(name, z, affine=None, crs="EPSG:32617", nodata=None, unit=None, tags=None, description=None, **profile):
        z = np.asarray(z)
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        bands = z if z.ndim == 3 else z[None]
        settings = {"driver": "GTiff", "dtype": z.dtype, "count": len(bands), "nodata": nodata, "crs": crs, **profile}
        scales, offsets = settings.pop("scales", None), settings.pop("offsets", None)
        transform = Affine(1, 0, 500_000, 0, -1, 4_000_000) if affine is None else affine
        height, width = bands.shape[1:]
        with rasterio.open(path, "w", height=height, width=width, transform=transform, **settings) as out:
            out.write(bands)
            if scales:
                out.scales, out.offsets = scales, offsets
            if unit:
                out.units = (unit,) * len(bands)
            if description:
                out.set_band_description(1, description)
            out.update_tags(**(tags or {}))
        return path

    return one


def hills(height: int, width: int, seed: int = 1) -> np.ndarray:
    """Smooth ground of float32 heights with no step."""
    rows, cols = np.mgrid[:height, :width]
    noise = np.random.default_rng(seed).normal(0.0, 0.05, (height, width))
    return (100 + 5 * np.sin(rows / 9.0) + 3 * np.cos(cols / 7.0) + noise).astype("float32")


@pytest.fixture
def ground() -> Callable[..., np.ndarray]:
    return hills
