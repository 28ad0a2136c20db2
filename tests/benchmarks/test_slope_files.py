"""Slope and aspect of a large raster, file to file, against gdaldem (GDAL, run as a program)."""

import pickle
import shutil
import subprocess
import threading
import time
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import rasterio
from bench_clock import in_turns
from bench_site import SIDE, Site, Table
from numpy.typing import NDArray
from rasterio.transform import Affine

from slopekit.grid import Window
from slopekit.kernels.gradient import horn
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.terrain.surface import aspect_deg, slope_deg

Spent = defaultdict[str, float]

STRIP = 512
NODATA = -9999.0  # as gdaldem writes
LAYOUT = {"tiled": True, "blockxsize": 256, "blockysize": 256}  # GDAL's own tile size, uncompressed


def ours(raster: Path, slope: Path, aspect: Path, spent: Spent) -> None:
    """Slope and aspect in strips, by two threads: the kernels and the raster library let others run meanwhile."""
    start = time.perf_counter()
    elevation = open_elevation([raster])
    spent["open"] += time.perf_counter() - start
    grid = elevation.survey.grid
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "nodata": NODATA, "crs": grid.crs, **LAYOUT}
    profile |= {"height": grid.height, "width": grid.width, "transform": Affine(*grid.affine)}
    writing = threading.Lock()
    with rasterio.open(slope, "w", **profile) as slopes, rasterio.open(aspect, "w", **profile) as aspects:

        def write(out: rasterio.io.DatasetWriter, values: NDArray[np.float64], top: int) -> None:
            stored = np.where(np.isnan(values), NODATA, values).astype(np.float32)
            with writing:
                out.write(stored, 1, window=((top, top + len(values)), (0, grid.width)))

        def half(own: Elevation, tops: range) -> Spent:
            took: Spent = defaultdict(float)
            for top in tops:
                height = min(STRIP, grid.height - top)
                at = [time.perf_counter()]
                z = own.read(grid.part(Window(top, 0, height, grid.width)).bounds, pad=1).z
                at.append(time.perf_counter())
                p, q = (part[1:-1, 1:-1] for part in horn(z, grid.dx, grid.dy))
                results = slope_deg(np.sqrt(p * p + q * q)), aspect_deg(p, q)
                at.append(time.perf_counter())
                for out, values in zip((slopes, aspects), results, strict=True):
                    write(out, values, top)
                at.append(time.perf_counter())
                for name, seconds in zip(("read", "compute", "write"), np.diff(at).tolist(), strict=True):
                    took[name] += seconds
            own.close()
            return took

        middle = grid.height // STRIP // 2 * STRIP
        parts = range(0, middle, STRIP), range(middle, grid.height, STRIP)
        with ThreadPoolExecutor(2) as pool:
            # A reader is for one thread; a copy opens files of its own.
            for took in pool.map(half, [pickle.loads(pickle.dumps(elevation)) for _ in parts], parts):
                for name, seconds in took.items():
                    spent[name] += seconds
    elevation.close()


def by_gdaldem(raster: Path, slope: Path, aspect: Path) -> None:
    for mode, out in (("slope", slope), ("aspect", aspect)):
        subprocess.run(["gdaldem", mode, "-q", str(raster), str(out), "-co", "TILED=YES"], check=True)


@pytest.mark.needs_bench_kit
@pytest.mark.skipif(shutil.which("gdaldem") is None, reason="gdaldem is not installed (GDAL's programs)")
def test_slope_and_aspect_of_a_file(site: Site, tmp_path: Path, table: Table) -> None:
    mine, theirs = ((tmp_path / f"slope_{who}.tif", tmp_path / f"aspect_{who}.tif") for who in ("ours", "gdaldem"))
    horn(np.zeros((3, 3)), 1.0, 1.0)  # compiled, or loaded from the cache
    spent: Spent = defaultdict(float)
    found = in_turns(lambda: ours(site.raster, *mine, spent), lambda: by_gdaldem(site.raster, *theirs))
    total = sum(spent.values())
    shares = ", ".join(f"{name} {100 * spent[name] / total:.0f} %" for name in ("open", "read", "compute", "write"))
    table.ratio(f"slope and aspect {SIDE} x {SIDE}", "gdaldem slope, then aspect", found, "file to file, two threads")
    table.say(f"of it: {shares} of the threads' time (open: with fingerprint and sample of the heights)")
    slopes, aspects = ([_read(a), _read(b)] for a, b in zip(mine, theirs, strict=True))
    known = slopes[0] != NODATA
    assert slopes[0].shape == aspects[0].shape == (SIDE, SIDE)
    assert known.sum() == (SIDE - 2) ** 2
    np.testing.assert_array_equal(known, slopes[1] != NODATA)
    # gdaldem computes in single precision, which shows in the aspect of gentle ground.
    assert np.abs(slopes[0] - slopes[1])[known].max() < 0.01
    steep = known & (slopes[0] > 2.0)
    assert steep.sum() > 0.9 * known.sum()
    turn = (aspects[0] - aspects[1])[steep]
    assert np.abs((turn + 180.0) % 360.0 - 180.0).max() < 0.1


def _read(path: Path) -> NDArray[np.float32]:
    with rasterio.open(path) as source:
        assert source.block_shapes == [(256, 256)]
        assert source.compression is None
        return source.read(1)
