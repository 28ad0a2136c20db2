"""Floors of deep hollows: by hand, against a slow definition, and between their bounds in a window of more ground.

The made grounds follow from the definitions (arithmetic); no outside source tells what a floor is.
"""

import numpy as np
import pytest
from hollows_by_hand import flood, floors_by_hand, level
from scipy import ndimage
from turns import ALL, turned

from slopekit.runout.floors import floors_of
from slopekit.runout.hollows import closed_floors, open_floors
from slopekit.runout.settings import RunoutSettings
from slopekit.terrain.settings import TerrainSettings

pytestmark = pytest.mark.reference

Array = np.ndarray
RUNOUT = RunoutSettings()
EIGHT = np.ones((3, 3))


def terrain(depth: float = 0.3, area: float = 25.0) -> TerrainSettings:
    return TerrainSettings(shallow_depth_m=depth, shallow_area_m2=area)


def opened(z: Array, settings: TerrainSettings | None = None) -> Array:
    return open_floors(z, 1.0, settings or terrain(), RUNOUT)


def closed(z: Array, beyond: float | Array, settings: TerrainSettings | None = None) -> Array:
    wide = np.empty((z.shape[0] + 2, z.shape[1] + 2))
    wide[:] = beyond
    wide[1:-1, 1:-1] = z
    return closed_floors(wide, 1.0, settings or terrain(), RUNOUT)


def rough(rng: np.random.Generator, shape: tuple[int, int], step: float) -> Array:
    """Hilly ground rounded to `step` (m), so that many cells tie; step 0 leaves it as it is."""
    width, height = rng.choice([0.8, 1.5, 3.0]), rng.choice([2.0, 5.0, 10.0])
    z = height * ndimage.gaussian_filter(rng.normal(size=shape), width)
    return np.round(z / step) * step + 0.0 if step else z


def basin(size: int = 23) -> Array:
    """Ground at 10 m with a basin of 15 x 15 cells, 1 m deep."""
    z = np.full((size, size), 10.0)
    z[4:19, 4:19] = 9.0
    return z


def test_one_hollow_and_its_limits() -> None:
    z = basin()
    z[8:14, 8:14], z[10, 10] = 8.6, 8.4
    # Within 0.5 m of 8.4 and so without the 9.0 round it.
    expected = np.zeros(z.shape, bool)
    expected[8:14, 8:14] = True
    np.testing.assert_array_equal(opened(z), expected)
    assert not opened(z, terrain(depth=1.6)).any()  # 1.6 m is not deeper than 1.6 m
    assert opened(z, terrain(depth=1.59)).any()
    assert not opened(z, terrain(area=225.0)).any()  # 225 cells are not more
    assert opened(z, terrain(area=224.0)).any()


def test_hollows_within_a_hollow_count_in_union() -> None:
    # On the basin's floor one pit of 36 cells at 8.4 and a deeper one of a single cell. The pit is deep by itself; the
    # single cell is too small by itself and the lowest of the basin, which is large.
    z = basin()
    z[6:12, 6:12] = 8.4
    z[15, 15] = 7.0
    expected = np.zeros(z.shape, bool)
    expected[6:12, 6:12] = True
    expected[15, 15] = True
    np.testing.assert_array_equal(opened(z), expected)
    # With the pit too small as well, only the basin is left.
    expected[6:12, 6:12] = False
    np.testing.assert_array_equal(opened(z, terrain(area=40.0)), expected)


def test_a_floor_reaches_over_low_sills_only() -> None:
    # Two pits of 36 cells, the sill between them 0.4 m above the one and 0.2 m above the other, or 0.6 and 0.4.
    for sill, joined in ((8.8, True), (9.0, False)):
        z = np.full((12, 20), 12.0)
        z[3:9, 2:8], z[3:9, 12:18], z[5, 8:12] = 8.4, 8.6, sill
        floor = opened(z)
        assert floor[3:9, 2:8].all() and floor[5, 8:12].any() == joined
        # The second is the floor of a hollow of its own only if its own sill is 0.3 m and more above it.
        assert floor[3:9, 12:18].all()
    z[3:9, 12:18] = 8.95
    assert not opened(z)[3:9, 12:18].any()


def test_a_floor_goes_on_behind_the_one_inside_it() -> None:
    # Pits at 8.4 and 8.45, a sill of 8.8: both are deep by themselves. Within 0.5 m of the lower one lie the sill, all
    # of the other pit, and a shelf of 8.85 that is reached over the other pit alone.
    z = np.full((12, 23), 12.0)
    z[3:9, 2:8], z[3:9, 12:18], z[5, 8:12], z[3:9, 18:21] = 8.4, 8.45, 8.8, 8.85
    for way in ALL:
        np.testing.assert_array_equal(opened(turned(z, way)), turned(z < 9.0, way))


@pytest.mark.parametrize("way", ALL)
def test_three_hollows_that_meet_at_one_level(way: int) -> None:
    # Nine cells each, behind walls of equal height. Each is too small, all three together are not; two of them are no
    # hollow of their own, since the third joins at the same level. So the floor is that of the lowest, any way round.
    z = np.full((9, 17), 10.0)
    for left, low in ((3, 5.0), (7, 8.0), (11, 5.5)):
        z[3:6, left : left + 3] = low + 0.01
        z[4, left + 1] = low
    z[4, 6] = z[4, 10] = 9.0
    expected = np.zeros(z.shape, bool)
    expected[3:6, 3:6] = True
    np.testing.assert_array_equal(opened(turned(z, way), terrain(area=12.0)), turned(expected, way))


def test_all_that_tie_for_the_lowest_have_floors() -> None:
    # Two pits of nine cells, equally low, with 1 m between: too small each, large together. Both floors count.
    z = np.full((9, 14), 10.0)
    z[3:6, 3:6] = z[3:6, 8:11] = 5.0
    z[4, 6:8] = 6.0
    floor = opened(z, terrain(area=15.0))
    np.testing.assert_array_equal(floor, z == 5.0)


def test_water_drains_over_missing_ground() -> None:
    z = basin()
    assert opened(z).any()
    z[10, 10] = np.nan
    assert not opened(z).any() and not closed(z, 20.0)[8:15, 8:15].any()


@pytest.mark.parametrize("step", [0.0, 0.25])
def test_against_the_definition(step: float) -> None:
    rng = np.random.default_rng(23)
    marked = 0
    for trial in range(90):
        z = rough(rng, (15, 17), step)
        if trial % 3 == 0:
            z[rng.random(z.shape) < 0.02] = np.nan
        for depth, area in ((0.3, 3.0), (1.0, 8.0)):
            expected = floors_by_hand(z, depth, area, RUNOUT.floor_depth_m)
            np.testing.assert_array_equal(opened(z, terrain(depth, area)), expected)
            marked += expected.sum()
    assert marked > 400


@pytest.mark.parametrize("way", ALL)
def test_free_of_the_way_the_grid_lies(way: int) -> None:
    rng = np.random.default_rng(4)
    for step in (0.5, 0.1, 0.0):
        for _ in range(30):
            z = rough(rng, (30, 34), step)
            np.testing.assert_array_equal(opened(turned(z, way)), turned(opened(z), way))
            np.testing.assert_array_equal(closed(turned(z, way), 1.0), turned(closed(z, 1.0), way))


def test_a_dry_border_closes_nothing() -> None:
    rng = np.random.default_rng(6)
    for _ in range(40):
        z = rough(rng, (30, 34), 0.25)
        np.testing.assert_array_equal(closed(z, -99.0), opened(z))
        np.testing.assert_array_equal(closed(z, np.nan), opened(z))


def test_between_the_bounds_in_a_window_of_more_ground() -> None:
    # The truth is what all of the ground tells. The bounds of a window hold it between them, with the true level of
    # water round the window and with none known, and a wider window holds it tighter.
    rng = np.random.default_rng(31)
    cells = dict.fromkeys(("open", "wider", "true", "wider closed", "closed", "unknown"), 0)
    for trial in range(240):
        z = rough(rng, (44, 47), (0.0, 0.25, 0.5)[trial % 3])
        if trial % 4 == 0:
            z[rng.random(z.shape) < 0.01] = np.nan
        settings = terrain(float(rng.choice([0.1, 0.3, 1.0])), float(rng.choice([2.0, 10.0])))
        drains = ndimage.binary_dilation(np.isnan(z), EIGHT)
        drains[[0, -1]] = drains[:, [0, -1]] = True
        water = flood(z, drains, level)
        row, col = rng.integers(6, 18, 2)
        height, width = rng.integers(8, 20, 2)

        def of(
            grow: int,
            top: int = row,
            left: int = col,
            high: int = height,
            wide: int = width,
            z: Array = z,
            water: Array = water,
            settings: TerrainSettings = settings,
        ) -> tuple[Array, Array, Array]:
            part = np.ascontiguousarray(z[top - grow : top + high + grow, left - grow : left + wide + grow])
            ring = water[top - grow - 1 : top + high + grow + 1, left - grow - 1 : left + wide + grow + 1]
            here = np.s_[grow : grow + high, grow : grow + wide]
            masks = opened(part, settings), closed(part, ring, settings), closed(part, np.inf, settings)
            return masks[0][here], masks[1][here], masks[2][here]

        least, most, unknown = of(0)
        wider_least, wider_most, _ = of(4)
        true = opened(z, settings)[row : row + height, col : col + width]
        chain = dict(zip(cells, (least, wider_least, true, wider_most, most, unknown), strict=True))
        for (inner, a), (outer, b) in zip(list(chain.items())[:-1], list(chain.items())[1:], strict=True):
            assert not (a & ~b).any(), (trial, inner, outer)
        for name, mask in chain.items():
            cells[name] += int(mask.sum())
    assert list(cells.values()) == sorted(set(cells.values()))  # each step of it is there
    assert cells["open"] > 500


def test_a_valley_that_the_border_cuts() -> None:
    # Its floor falls 0.2 % to the west, and goes on there; banks of 25 %. With a dam to 1.5 m above the floor somewhere
    # beyond, the lowest 0.5 m that are seen may be a floor: 250 m of valley, which come in from the border.
    x, y = np.meshgrid(np.arange(400.0), np.arange(-30.0, 31.0))
    z = 50.0 + 0.002 * x + 0.01 * np.minimum(np.abs(y), 12.0) + 0.25 * np.clip(np.abs(y) - 12.0, 0.0, None)
    assert not opened(z).any()
    assert not closed(z, 40.0).any()  # all drains to the west
    floor = closed(z, 51.5)
    np.testing.assert_array_equal(floor, z <= 50.5)
    assert floor[30].sum() == 251
    # Where water cannot stand higher than 0.1 m over the lowest there, neither does the floor reach.
    np.testing.assert_array_equal(closed(z, 50.1), z < 50.1)


def mask(*boxes: tuple[int, int, int, int]) -> Array:
    out = np.zeros((10, 20), bool)
    for top, bottom, left, right in boxes:
        out[top:bottom, left:right] = True
    return out


LEFT, RIGHT, STRIP = (2, 6, 2, 6), (2, 6, 12, 16), (3, 4, 2, 16)


def test_what_is_said_of_a_floor_holds_for_all_of_it() -> None:
    gentle, none = np.full((10, 20), 0.02), mask()
    two = mask(LEFT, RIGHT)
    floors = floors_of(two, gentle, none, none)
    np.testing.assert_array_equal(floors.wet, two)
    np.testing.assert_array_equal(floors.soft, two)
    # Stated to be dry: the left one and a part of the right one.
    floors = floors_of(two, gentle, none, mask((0, 10, 0, 14)))
    np.testing.assert_array_equal(floors.refusing, mask(RIGHT))
    np.testing.assert_array_equal(floors.dry, mask(LEFT))
    # Water in the left one: a pond, and no statement lifts it.
    floors = floors_of(two, gentle, mask((2, 3, 2, 3)), np.ones((10, 20), bool))
    np.testing.assert_array_equal(floors.pond, mask(LEFT))
    np.testing.assert_array_equal(floors.refusing, mask(LEFT))
    np.testing.assert_array_equal(floors.dry, mask(RIGHT))
    steep = np.where(mask(LEFT), 0.1, 0.02)  # 5.7 degrees
    np.testing.assert_array_equal(floors_of(two, steep, none, none).soft, mask(RIGHT))
    # Joined to the left one, the right one is not dry as a whole.
    floors = floors_of(mask(LEFT, RIGHT, STRIP), gentle, none, mask((0, 10, 9, 20)))
    np.testing.assert_array_equal(floors.wet, mask(LEFT, RIGHT, STRIP))


@pytest.mark.parametrize("seed", range(6))
def test_a_wider_floor_refuses_no_less(seed: int) -> None:
    # It may have water in it, or not be dry as a whole, where a part of it is not.
    rng = np.random.default_rng(seed)
    noise = ndimage.gaussian_filter(rng.normal(size=(60, 70)), 2.0)
    water = ndimage.gaussian_filter(rng.normal(size=noise.shape), 1.0) > 0.55
    dry = ndimage.gaussian_filter(rng.normal(size=noise.shape), 6.0) > -0.02
    grade = rng.uniform(0.0, 0.1, noise.shape)
    narrow, wide = (floors_of(noise > cut * noise.std(), grade, water, dry) for cut in (1.2, 0.6))
    assert not (narrow.refusing & ~wide.refusing).any() and not (narrow.soft & ~wide.soft).any()
    assert (narrow.dry & wide.refusing).any() and (narrow.wet & wide.pond).any() and wide.dry.any()
