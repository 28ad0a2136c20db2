"""Basins against richdem filling the same grid, berms against one Gaussian filter of it. Ratios are printed."""

import sys

import numpy as np
import pytest
from bench_clock import in_turns
from bench_site import Table
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.grid import Grid
from slopekit.kernels.gradient import horn
from slopekit.landforms.basins import NO_PARENT, find_basins
from slopekit.landforms.berms import find_berms
from slopekit.landforms.settings import LandformSettings
from slopekit.runout.settings import RunoutSettings

# The test extra leaves richdem2 out where it has no wheels.
HAS_WHEELS = sys.version_info < (3, 14)
if HAS_WHEELS:
    import richdem

Array = NDArray[np.float64]
SIDE = 2000
SIGMA_M = 10.0


@pytest.fixture(scope="module")
def made() -> Array:
    """Cells of 1 m: hills, roughness with hollows of all sizes, and a basin with a bank round it every 250 m."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:SIDE, :SIDE].astype(float)
    z = 0.01 * x + 0.004 * y + 4.0 * np.sin(x / 170.0) * np.cos(y / 230.0) + rng.normal(0.0, 0.02, (SIDE, SIDE))
    for sigma, height in ((3.0, 0.05), (12.0, 0.2)):
        rough = ndimage.gaussian_filter(rng.standard_normal((SIDE, SIDE)), sigma)
        z += height * rough / rough.std()
    d = np.maximum(np.abs(x % 250.0 - 125.0) - 30.0, np.abs(y % 250.0 - 125.0) - 20.0)
    bank = np.clip(np.minimum((d - 6.0) / 3.0, 1.0 - (d - 12.0) / 3.0), 0.0, 1.0)
    return z + np.clip(d / 3.0 - 2.0, -2.0, 0.0) + bank


@pytest.fixture(scope="module")
def grid() -> Grid:
    return Grid(SIDE, SIDE, 0.0, 0.0, 1.0, 1.0, "")


@pytest.mark.skipif(not HAS_WHEELS, reason="richdem2 has no wheels for Python 3.14 yet")
def test_basins(made: Array, grid: Grid, table: Table) -> None:
    p, q = horn(made, grid.dx, grid.dy)
    water = np.zeros(made.shape, bool)
    peer = richdem.rdarray(made, no_data=-9999.0)
    peer.geotransform = (0.0, 1.0, 0.0, 0.0, 0.0, -1.0)
    filled = np.asarray(richdem.FillDepressions(peer))

    def ours() -> int:
        return len(find_basins(made, p, q, grid, water, LandformSettings(), RunoutSettings()))

    basins = find_basins(made, p, q, grid, water, LandformSettings(), RunoutSettings())
    assert len(basins) > 50
    # An outermost basin is filled to its spill level.
    outer = [basin for basin in basins if basin.parent == NO_PARENT]
    assert [filled[b.low_cell] for b in outer] == pytest.approx([b.spill_m for b in outer], abs=1e-9)
    found = in_turns(ours, lambda: richdem.FillDepressions(peer))
    table.ratio(f"basins, {SIDE} x {SIDE}", "richdem filling", found, f"{len(basins)} basins, tree and volumes; aim 4")


def test_berms(made: Array, grid: Grid, table: Table) -> None:
    p, q = horn(made, grid.dx, grid.dy)
    berms = find_berms(made, p, q, grid, LandformSettings())
    assert len(berms) > 20
    found = in_turns(
        lambda: find_berms(made, p, q, grid, LandformSettings()), lambda: ndimage.gaussian_filter(made, SIGMA_M)
    )
    note = f"{len(berms)} berms, sigma {SIGMA_M:.0f} m; aim 3"
    table.ratio(f"berms, {SIDE} x {SIDE}", "scipy gaussian_filter", found, note)
