"""The tree of depressions: against its definition level by level, scipy's local minima, and richdem's filled level."""

import sys
from collections.abc import Callable

import numpy as np
import pytest
from scipy import ndimage
from turns import ALL, turned

from slopekit.kernels.depressions import BORDER, INSIDE, VOID, Depressions, depressions

pytestmark = pytest.mark.reference

# The test extra leaves richdem2 out where it has no wheels.
HAS_WHEELS = sys.version_info < (3, 14)
if HAS_WHEELS:
    import richdem

EIGHT = np.ones((3, 3))
REAL = ["kettle_ground", "village_scarp_1m", "embankment_2m", "farmland_channel_1m"]


def rough(rng: np.random.Generator, shape: tuple[int, int], step: float, voids: float = 0.0) -> np.ndarray:
    """Hilly ground rounded to `step` (m), so that many cells tie; step 0 leaves it as it is."""
    z = 4.0 * ndimage.gaussian_filter(rng.normal(size=shape), 1.0)
    z = np.round(z / step) * step + 0.0 if step else z
    z[rng.random(shape) < voids] = np.nan
    return z


def mask(tree: Depressions, k: int) -> np.ndarray:
    return (tree.inner >= tree.first[k]) & (tree.inner <= k)


def draining(z: np.ndarray) -> np.ndarray:
    """Cells on the border or beside missing ones."""
    out = ndimage.binary_dilation(np.isnan(z), EIGHT)
    out[[0, -1]] = True
    out[:, [0, -1]] = True
    return out


def by_definition(z: np.ndarray) -> list[tuple[float, bytes, bool]]:
    """Spill level, cells, and whether it drains there: connected cells below a level at which they meet others."""
    out = draining(z)
    found = []
    for level in np.unique(z[~np.isnan(z)]):
        below, _ = ndimage.label(z < level, EIGHT)
        reached, groups = ndimage.label(z <= level, EIGHT)
        for g in range(1, groups + 1):
            group = reached == g
            parts = [below == part for part in np.unique(below[group]) if part]
            drains = bool(out[group].any())
            if len(parts) > 1 or drains:
                found += [(float(level), part.tobytes(), drains) for part in parts if not out[part].any()]
    return sorted(found)


@pytest.mark.parametrize("step", [0.0, 0.2, 0.5, 1.0])
def test_tree_against_its_definition(step: float) -> None:
    rng = np.random.default_rng(8)
    found = 0
    for n in range(40):
        z = rough(rng, (13, 15), step, 0.04 * (n % 2))
        tree = depressions(z)
        parts = [mask(tree, k) for k in range(tree.parent.size)]
        ours = [(float(tree.spill[k]), m.tobytes(), bool(tree.parent[k] < 0)) for k, m in enumerate(parts)]
        assert sorted(ours) == by_definition(z)
        for k, m in enumerate(parts):
            assert tree.pit_z[k] == z[m].min() == z.flat[tree.pit[k]] and m.flat[tree.pit[k]]
            assert z.flat[tree.spill_cell[k]] == tree.spill[k]
            assert tree.cells[k] == m.sum()
            assert tree.total[k] == pytest.approx(z[m].sum(), abs=1e-9)
            rows, cols = np.nonzero(m)
            assert tuple(tree.box[k]) == (rows.min(), cols.min(), rows.max(), cols.max())
            if tree.parent[k] >= 0:
                around = parts[tree.parent[k]]
                assert (m & ~around).sum() == 0 and around.sum() > m.sum()
            covered = np.zeros_like(m)
            for j in range(k):
                covered |= parts[j] if tree.parent[j] == k else False
            np.testing.assert_array_equal(tree.inner == k, m & ~covered)
        found += len(parts)
    assert found > 60


def test_pit_sample() -> None:
    # Public test grid of a GIS add-on: a pit of 1 in a ring of 9, let out by a cell of 4; its pour point is the 5.
    z = np.array([[5, 5, 5, 5, 5], [5, 9, 9, 9, 5], [5, 9, 1, 4, 5], [5, 9, 9, 9, 5], [5, 5, 5, 5, 5]], float)
    tree = depressions(z)
    assert (tree.pit_z.tolist(), tree.spill.tolist(), tree.cells.tolist(), tree.total.tolist()) == ([1], [5], [2], [5])
    assert tree.pit[0] == 12 and tree.outlet[0] == BORDER


@pytest.mark.parametrize("way", ALL)
def test_several_that_meet_at_one_level_are_children_of_one(way: int) -> None:
    # Three pits behind walls of 9 in a basin that spills at 10 into the border, and a shelf at 9 that is no pit.
    z = np.full((9, 17), 12.0)
    for left, level in ((3, 5.0), (7, 8.0), (11, 5.5)):
        z[3:6, left : left + 3] = level
    z[4, 6] = z[4, 10] = 9.0
    z[2, 3:9] = 9.0
    z[4, 14:] = 10.0
    tree = depressions(turned(z, way))
    assert sorted(tree.spill.tolist()) == [9.0, 9.0, 9.0, 10.0]
    assert sorted(tree.parent.tolist()) == [-1, 3, 3, 3]
    assert tree.cells[3] == 27 + 2 + 6
    assert sorted(tree.cells[:3].tolist()) == [9, 9, 9]


@pytest.mark.parametrize("way", ALL)
def test_where_they_spill(way: int) -> None:
    # Side by side: over a sill into a hole that drains, into missing ground, over a shelf that runs to the border.
    z = np.full((9, 23), 20.0)
    z[4, 3] = 1.0
    z[4, 4], z[4, 5:7] = 8.0, 3.0
    z[0:4, 6] = 3.0
    z[4, 10], z[4, 11], z[4, 12] = 1.5, 7.0, np.nan
    z[4, 16], z[4, 17:], z[4, 19] = 2.0, 6.0, 2.5
    tree = depressions(turned(z, way))
    outlets = {tree.pit_z[k].item(): (tree.spill[k].item(), int(tree.outlet[k])) for k in range(tree.parent.size)}
    assert outlets[1.0] == (8.0, INSIDE)
    assert outlets[1.5] == (7.0, VOID)
    assert outlets[2.0] == outlets[2.5] == (6.0, BORDER)  # both: neither can drain but over the border
    assert len(outlets) == 4 and (tree.parent < 0).all()


def test_no_depressions() -> None:
    for z in (np.full((4, 5), np.nan), np.full((4, 5), 3.0), np.add.outer(np.arange(5.0), np.arange(7.0))):
        tree = depressions(z)
        assert tree.parent.size == 0 and (tree.inner == -1).all()
    assert depressions(np.zeros((1, 1))).parent.size == 0


@pytest.mark.parametrize("way", ALL)
@pytest.mark.parametrize("step", [0.0, 0.1, 0.5])
def test_free_of_the_way_the_grid_lies(step: float, way: int) -> None:
    z = rough(np.random.default_rng(6), (60, 75), step, 0.002)

    def figures(tree: Depressions) -> list[tuple[float, ...]]:
        above = np.where(tree.parent >= 0, tree.spill[tree.parent], np.inf)
        columns = (tree.pit_z, tree.spill, above, tree.outlet, tree.cells, tree.total.round(6))
        return sorted(zip(*(c.tolist() for c in columns), strict=True))

    tree, tree2 = depressions(z), depressions(turned(z, way))
    assert figures(tree2) == figures(tree)
    assert tree.parent.size > 100
    depth = np.append(tree.spill, np.nan)[tree.inner]
    np.testing.assert_array_equal(np.append(tree2.spill, np.nan)[tree2.inner], turned(depth, way))


def local_minima(z: np.ndarray) -> tuple[np.ndarray, int]:
    """Number the level patches with no lower cell beside them, by scipy's minimum filter, and none that drain."""
    high = np.where(np.isnan(z), np.inf, z)
    low = (ndimage.minimum_filter(high, 3) == high) & ~np.isnan(z)
    label, count = ndimage.label(low, EIGHT)
    # A patch that ties with a cell beside it that is not lowest itself runs on to lower ground.
    beside = ndimage.minimum_filter(np.where(low, np.inf, high), 3)
    bad = np.unique(label[low & ((beside == high) | draining(z))])
    keep = np.ones(count + 1, bool)
    keep[bad] = keep[0] = False
    return np.where(keep[label], label, 0), int(keep.sum())


@pytest.mark.parametrize("name", REAL)
def test_leaves_are_local_minima(ground: Callable, name: str) -> None:
    z = ground(name).z
    tree = depressions(z)
    leaf = tree.first == np.arange(tree.first.size)
    label, count = local_minima(z)
    assert count > 200
    of_leaf = label.ravel()[tree.pit[leaf]]
    assert (of_leaf > 0).all()
    assert np.unique(of_leaf).size == of_leaf.size == count


@pytest.mark.parametrize("step", [0.1, 0.5])
def test_leaves_on_ground_full_of_ties(step: float) -> None:
    z = rough(np.random.default_rng(3), (200, 210), step, 0.001)
    tree = depressions(z)
    leaf = tree.first == np.arange(tree.first.size)
    label, count = local_minima(z)
    of_leaf = label.ravel()[tree.pit[leaf]]
    assert count > 300 and (of_leaf > 0).all()
    assert np.unique(of_leaf).size == of_leaf.size == count


@pytest.mark.skipif(not HAS_WHEELS, reason="richdem2 has no wheels for Python 3.14 yet")
@pytest.mark.parametrize("name", REAL)
def test_depths_against_richdem(ground: Callable, name: str) -> None:
    # richdem (distribution richdem2, an independent C++ library) too lets edge cells and those beside voids drain.
    g = ground(name)
    tree = depressions(g.z)
    top = np.arange(tree.parent.size)
    for k in top[::-1]:
        if tree.parent[k] >= 0:
            top[k] = top[tree.parent[k]]
    level = np.append(tree.spill[top], -np.inf)[tree.inner]
    ours = np.maximum(level, g.z) - g.z
    dem = richdem.rdarray(np.where(np.isnan(g.z), -9999.0, g.z), no_data=-9999.0)
    dem.geotransform = (0.0, g.dx, 0.0, 0.0, 0.0, -g.dy)
    theirs = np.asarray(richdem.FillDepressions(dem, epsilon=False)) - g.z
    known = np.isfinite(g.z)
    assert known.sum() == {"village_scarp_1m": 10**6, "embankment_2m": 249_987}.get(name, g.z.size)
    np.testing.assert_allclose(ours[known], theirs[known], rtol=0.0, atol=1e-6)
    assert np.count_nonzero(theirs[known] > 0.0) == np.count_nonzero(tree.inner >= 0)
    # Volume: what the tree sums up of its roots against the sum of richdem's depths.
    roots = tree.parent < 0
    volume = float((tree.cells * tree.spill - tree.total)[roots].sum())
    assert volume == pytest.approx(float(theirs[known].sum()), rel=1e-6)
    assert volume > 1000.0
