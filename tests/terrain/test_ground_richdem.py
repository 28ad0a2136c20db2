"""Slope, aspect and filling on real ground against richdem (distribution richdem2), an independent C++ library."""

import sys
from collections.abc import Callable

import numpy as np
import pytest
from scipy import ndimage

from slopekit.grid import Grid
from slopekit.kernels.flood import fill
from slopekit.kernels.gradient import horn
from slopekit.kernels.order import ascending
from slopekit.landforms.basins import NO_PARENT, basin_mask, find_basins
from slopekit.landforms.settings import LandformSettings
from slopekit.runout.settings import RunoutSettings
from slopekit.terrain.surface import aspect_deg, slope_deg

# The test extra leaves richdem2 out where it has no wheels.
HAS_WHEELS = sys.version_info < (3, 14)
if HAS_WHEELS:
    import richdem

pytestmark = [
    pytest.mark.reference,
    pytest.mark.skipif(not HAS_WHEELS, reason="richdem2 has no wheels for Python 3.14 yet"),
]

# Cells with a whole window, those steeper than 1 degree, cells in all, and cells that filling raises.
CELLS = [
    ("kettle_ground", 398 * 398, 156_914, 400 * 400, 73_094),
    ("village_scarp_1m", 998 * 998, 940_978, 1000 * 1000, 85_094),
    ("embankment_2m", 247_991, 207_517, 500 * 500 - 13, 49_685),
    ("farmland_channel_1m", 478 * 718, 186_613, 480 * 720, 64_350),
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
    w, _ = fill(g.z, g.seed, ascending(g.z))
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


def test_basins_of_kettle_ground(ground: Callable) -> None:
    """Outermost basins against what richdem fills, labelled level by level with scipy: number, area, depth, level."""
    g = ground("kettle_ground")
    level = np.asarray(richdem.FillDepressions(as_richdem(g), epsilon=False))
    depth = np.where(np.isnan(g.z), 0.0, level - g.z)
    label, count = ndimage.label(depth > 0.0, np.ones((3, 3)))
    expected = []
    for number, box in enumerate(ndimage.find_objects(label), start=1):
        part = label[box] == number
        # Neighbours may spill at levels of their own.
        for spill in np.unique(level[box][part]):
            pools, many = ndimage.label(part & (level[box] == spill), np.ones((3, 3)))
            for pool in range(1, many + 1):
                cells = pools == pool
                expected.append((float(cells.sum()), float(depth[box][cells].max()), float(spill)))
    settings = LandformSettings()
    large = sorted(e for e in expected if e[0] >= settings.basin_area_m2 and e[1] >= settings.basin_depth_m)
    p, q = horn(g.z, g.dx, g.dy)
    grid = Grid(*g.z.shape, 0.0, 0.0, g.dx, g.dy, "", 1.0)
    basins = find_basins(g.z, p, q, grid, np.zeros(g.z.shape, bool), settings, RunoutSettings())
    outermost = sorted((b.area_m2, b.depth_m, b.spill_m) for b in basins if b.parent == NO_PARENT)
    assert count > 50 and len(outermost) == len(large) == 2
    np.testing.assert_allclose(outermost, large, rtol=0.0, atol=1e-6)


def test_nested_basins_of_kettle_ground(ground: Callable) -> None:
    """Each basin is what scipy labels below its spill level and no more just above it, and none is missed."""
    g = ground("kettle_ground")
    p, q = horn(g.z, g.dx, g.dy)
    grid = Grid(*g.z.shape, 0.0, 0.0, g.dx, g.dy, "", 1.0)
    settings = LandformSettings()
    basins = find_basins(g.z, p, q, grid, np.zeros(g.z.shape, bool), settings, RunoutSettings())
    assert len(basins) > 10 and sum(b.parent != NO_PARENT for b in basins) > 8
    number = np.zeros(g.z.shape, int)
    for b in basins:
        label, _ = ndimage.label(g.z < b.spill_m - 1e-9, np.ones((3, 3)))
        own = np.zeros(g.z.shape, bool)
        own[b.window.slices] = basin_mask(b)
        parts = np.unique(label[own & (label > 0)])
        # Pools that join at the spill level itself are one basin.
        assert (np.isin(label, parts) == (own & (label > 0))).all() and (g.z[own] <= b.spill_m).all()
        assert b.area_m2 == own.sum() and b.depth_m == b.spill_m - g.z[own].min()
        above, _ = ndimage.label(g.z < b.spill_m + 1e-3, np.ones((3, 3)))
        joined = above == above[b.low_cell]
        at_edge = joined[[0, -1]].any() or joined[:, [0, -1]].any()
        assert at_edge or g.z[joined].min() < b.low_m or (joined & ~own & (g.z < b.spill_m)).any()
        number[own] = b.number
    missed = 0
    for level in np.arange(g.z.min(), g.z.max(), 0.1):
        label, _ = ndimage.label(g.z < level, np.ones((3, 3)))
        border = np.unique(np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]]))
        for n, box in enumerate(ndimage.find_objects(label), start=1):
            cells = label[box] == n
            deep = level - g.z[box][cells].min() >= settings.basin_depth_m + 1e-9
            if n not in border and cells.sum() >= settings.basin_area_m2 and deep:
                missed += not (number[box][cells] > 0).all()
    assert missed == 0
