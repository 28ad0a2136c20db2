"""Slope, aspect and filling on real ground against richdem (distribution richdem2), an independent C++ library."""

import sys
from collections.abc import Callable

import numpy as np
import pytest

from slopekit.kernels.flood import fill
from slopekit.kernels.gradient import horn
from slopekit.kernels.order import ascending
from slopekit.terrain.surface import aspect_deg, slope_deg

# The test extra leaves richdem2 out where it has no wheels.
HAS_WHEELS = sys.version_info < (3, 14)
if HAS_WHEELS:
    import richdem

pytestmark = pytest.mark.skipif(not HAS_WHEELS, reason="richdem2 has no wheels for Python 3.14 yet")

open_grid = pytest.mark.needs_open_data
# Cells with a whole window, those steeper than 1 degree, cells in all, and cells that filling raises.
CELLS = [
    ("kettle_ground", 398 * 398, 156_914, 400 * 400, 73_094),
    pytest.param("village_scarp_1m", 998 * 998, 940_978, 1000 * 1000, 85_094, marks=open_grid),
    pytest.param("embankment_2m", 247_991, 207_517, 500 * 500 - 13, 49_685, marks=open_grid),
    pytest.param("farmland_channel_1m", 478 * 718, 186_613, 480 * 720, 64_350, marks=open_grid),
]


def as_richdem(g) -> "richdem.rdarray":  # type: ignore[no-untyped-def]
    out = richdem.rdarray(np.where(np.isnan(g.z), -9999.0, g.z), no_data=-9999.0)
    out.geotransform = (0.0, g.dx, 0.0, 0.0, 0.0, -g.dy)
    return out


@pytest.mark.parametrize(("name", "windows", "steep", "cells", "raised"), CELLS)
def test_slope_and_aspect(ground: Callable, name: str, windows: int, steep: int, cells: int, raised: int) -> None:
    g = ground(name)
    p, q = horn(g.z, g.dx, g.dy)
    ours = slope_deg(np.hypot(p, q))
    known = np.isfinite(ours)
    assert known.sum() == windows
    slope = np.asarray(richdem.TerrainAttribute(as_richdem(g), "slope_degrees"))
    assert np.abs(ours - slope)[known].max() < 1e-4
    compared = known & (ours > 1.0)
    assert compared.sum() == steep
    # richdem's aspect too is clockwise from north and downslope.
    turn = aspect_deg(p, q) - np.asarray(richdem.TerrainAttribute(as_richdem(g), "aspect"))
    assert np.abs((turn[compared] + 180.0) % 360.0 - 180.0).max() < 1e-3


@pytest.mark.parametrize(("name", "windows", "steep", "cells", "raised"), CELLS)
def test_filling(ground: Callable, name: str, windows: int, steep: int, cells: int, raised: int) -> None:
    # richdem lets every cell on the edge and beside missing data drain, as our seeds do here.
    g = ground(name)
    w, _, _ = fill(g.z, g.seed, ascending(g.z))
    known = np.isfinite(g.z)
    assert known.sum() == cells == np.isfinite(w).sum()
    level = np.asarray(richdem.FillDepressions(as_richdem(g), epsilon=False))
    above = (w - level)[known]
    assert above.min() >= 0.0  # the tiny gradient only ever adds to the plain filled level,
    assert above.max() < 1e-9  # and a few thousand steps of float64 at that.
    sloped = np.asarray(richdem.FillDepressions(as_richdem(g), epsilon=True))
    assert np.abs(w - sloped)[known].max() < 1e-9
    np.testing.assert_array_equal((w > g.z)[known], (sloped > g.z)[known])
    assert (w > g.z).sum() == raised
