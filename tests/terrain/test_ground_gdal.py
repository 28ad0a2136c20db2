"""Slope and aspect on real ground against gdaldem (GDAL, run as a program), formula by formula and cell by cell."""

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio

from slopekit.kernels.gradient import horn, zevenbergen_thorne
from slopekit.terrain.surface import aspect_deg, slope_deg

pytestmark = [
    pytest.mark.reference,
    pytest.mark.skipif(shutil.which("gdaldem") is None, reason="gdaldem is not installed (GDAL's programs)"),
]

FORMULA = {"Horn": horn, "ZevenbergenThorne": zevenbergen_thorne}
# Cells with a whole window, and those of them steeper than 1 degree by each formula.
CELLS = [
    ("kettle_ground", "Horn", 398 * 398, 156_914),
    ("kettle_ground", "ZevenbergenThorne", 398 * 398, 156_902),
    ("village_scarp_1m", "Horn", 998 * 998, 940_978),
    ("village_scarp_1m", "ZevenbergenThorne", 998 * 998, 952_784),
    ("embankment_2m", "Horn", 247_991, 207_517),  # 13 cells of this grid are missing
    ("embankment_2m", "ZevenbergenThorne", 247_991, 208_986),
    ("farmland_channel_1m", "Horn", 478 * 718, 186_613),
    ("farmland_channel_1m", "ZevenbergenThorne", 478 * 718, 215_878),
]


def gdaldem(what: str, path: Path, alg: str, folder: Path) -> np.ndarray:
    out = folder / f"{what}.tif"
    subprocess.run(["gdaldem", what, path, out, "-alg", alg, "-q"], check=True)
    with rasterio.open(out) as file:
        return file.read(1, masked=True).astype(np.float64).filled(np.nan)


def copy_of(path: Path, z: np.ndarray, folder: Path) -> Path:
    with rasterio.open(path) as file:
        profile = file.profile | {"nodata": -9999.0, "tiled": False, "compress": None}
        profile.pop("blockysize", None)
    with rasterio.open(folder / "copy.tif", "w", **profile) as file:
        file.write(np.where(np.isnan(z), -9999.0, z).astype(np.float32), 1)
    return folder / "copy.tif"


@pytest.mark.parametrize(("name", "alg", "cells", "steep"), CELLS)
def test_slope(ground: Callable, tmp_path: Path, name: str, alg: str, cells: int, steep: int) -> None:
    g = ground(name)
    ours = slope_deg(np.hypot(*FORMULA[alg](g.z, g.dx, g.dy)))
    theirs = gdaldem("slope", g.path, alg, tmp_path)
    known = np.isfinite(ours)
    np.testing.assert_array_equal(known, np.isfinite(theirs))
    assert known.sum() == cells
    # gdaldem adds up Horn's weights in single precision.
    assert np.abs(ours - theirs)[known].max() < (0.01 if alg == "Horn" else 1e-4)


@pytest.mark.parametrize(("name", "alg", "cells", "steep"), CELLS)
def test_aspect(ground: Callable, tmp_path: Path, name: str, alg: str, cells: int, steep: int) -> None:
    # The ground is lowered by whole metres first. That changes no slope and loses no digit, and it spares gdaldem's
    # single precision, which at 300 m above the sea turns the aspect of a 1 degree slope by up to 0.101 degree.
    g = ground(name)
    low = copy_of(g.path, g.z - np.floor(np.nanmean(g.z)), tmp_path)
    p, q = FORMULA[alg](g.z, g.dx, g.dy)
    compared = np.isfinite(p) & (slope_deg(np.hypot(p, q)) > 1.0)
    turn = (aspect_deg(p, q) - gdaldem("aspect", low, alg, tmp_path) + 180.0) % 360.0 - 180.0
    assert compared.sum() == steep
    assert np.abs(turn[compared]).max() < 0.1


@pytest.mark.parametrize("alg", FORMULA)
def test_voids(ground: Callable, tmp_path: Path, alg: str) -> None:
    g = ground("kettle_ground")
    z = g.z.copy()
    z[np.random.default_rng(7).random(z.shape) < 0.01] = np.nan
    ours = np.hypot(*FORMULA[alg](z, g.dx, g.dy))
    theirs = gdaldem("slope", copy_of(g.path, z, tmp_path), alg, tmp_path)
    np.testing.assert_array_equal(np.isfinite(ours), np.isfinite(theirs))
    assert 140_000 < np.isfinite(ours).sum() < 150_000
