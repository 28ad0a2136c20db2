"""Possible water: rates of detection and false alarm on made ground, near misses, turns, windows, real ground.

No published rates or standards exist for this; ponds, their noise and their banks are made here, and what is found is
asked of the masks that made them. Run with -s to see the tables.
"""

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from pond_ground import SETTINGS, Array, found, noise, plan, read, share
from scipy import ndimage
from turns import ALL, sides, turned

from slopekit.hazards.ponds import join_voids, possible_water
from slopekit.hazards.settings import HazardSettings
from slopekit.kernels.flood import SEED, fill
from slopekit.kernels.order import ascending
from slopekit.kernels.ponds import MISSING, median

pytestmark = pytest.mark.reference

CELLS = (1.0, 2.0)
AREAS = (150.0, 400.0, 2000.0)
GRADES = (0.10, 1.0 / 3.0)
# Noise of a water surface in a survey and its scale (sigma of the Gaussian that correlates it, m; 0 is white). Common
# practice, no source.
NOISES = ((0.0, 0.0), *((sd, scale) for sd in (0.01, 0.02, 0.03) for scale in (0.0, 1.0, 2.0)))
SEEDS = 10
LAWN = 0.01  # drainage grade of a lawn or a car park: common practice, no source


def pond(rng: np.random.Generator, area: float, grade: float, cell: float) -> tuple[Array, Array]:
    """A round pond with a bank 0.8 m high, in ground that falls by 2 % some way. Returns elevation and the water."""
    radius = math.sqrt(area / math.pi)
    x, y = plan(2.0 * radius + 50.0, cell)
    x, y, way = x + rng.uniform(-1.0, 1.0), y + rng.uniform(-1.0, 1.0), rng.uniform(0.0, 2.0 * math.pi)
    out = np.hypot(x, y) - radius
    fall = 0.02 * (x * math.cos(way) + y * math.sin(way))
    return np.clip(grade * out, 0.0, 0.8 + fall), out <= 0.0


@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize("grade", GRADES)
def test_rates_of_detection_and_false_alarm(cell: float, grade: float) -> None:
    print(f"\ncell {cell} m, bank {grade:.0%}: found, wide (m beyond the shore), false (m2), in {SEEDS} seeds")
    total = []
    for area in AREAS:
        for sd, scale in NOISES:
            rates, wide, false = [], [], []
            for seed in range(SEEDS):
                rng = np.random.default_rng(seed)
                z, water = pond(rng, area, grade, cell)
                bodies, open_ = found(z + noise(rng, z.shape, cell, sd, scale), cell)
                near = ndimage.distance_transform_edt(~water) * cell
                rates.append(share(bodies, water) >= 0.85)
                wide.append(float(near[bodies & (near <= 5.0)].max(initial=0.0)))
                false.append(cell * cell * float((bodies & ~open_ & (near > 5.0)).sum()))
                assert not open_[near <= 5.0].any()
            print(f"{area:6.0f} m2 {sd:.2f} m {scale:.0f} m: {np.mean(rates):.2f} {max(wide):.1f} {max(false):.0f}")
            # Noise of 3 cm over 2 m fills a small pond with one or two bumps.
            least = 1.0 if sd < 0.03 and (area > 150.0 or scale < 2.0) else 0.6
            assert np.mean(rates) >= least, (area, sd, scale)
            # 60 mm up the bank, a cell of its edge, and peaks of the noise.
            assert max(wide) <= 0.06 / grade + 1.5 * cell + 0.7
            assert max(false) == 0.0
            total.append(np.mean(rates))
    print(f"all: {np.mean(total):.3f}")
    assert np.mean(total) >= 0.97


def lawn(x: Array, y: Array) -> Array:
    return LAWN * (0.8 * x + 0.6 * y)


def dished(x: Array, y: Array) -> Array:
    """Half a metre lower in the middle than 30 m from it."""
    return 0.5 * (x * x + y * y) / 900.0


def bowl(x: Array, y: Array) -> Array:
    """A lawn that falls by 3 % to the middle."""
    return 0.03 * np.hypot(x, y)


def valley(x: Array, y: Array) -> Array:
    return LAWN * np.abs(x) + 0.002 * np.abs(y)


def car_park(x: Array, y: Array) -> Array:
    """1 % down to a kerb of 0.15 m along its low side, and lawn that rises behind it."""
    return np.where(x < 20.0, LAWN * (20.0 - x), 0.15 + 0.05 * (x - 20.0))


def kerbed_on_three_sides(x: Array, y: Array) -> Array:
    return np.where((np.abs(y) > 10.0) | (x > 20.0), 0.45, LAWN * (20.0 - x))


def fallen_floor(x: Array, y: Array) -> Array:
    """A basin with 1:3 banks whose floor of 20 m x 24 m falls by 1 % to one end."""
    out = np.maximum(np.abs(x) - 12.0, np.abs(y) - 10.0)
    return np.where(out <= 0.0, LAWN * x, LAWN * np.clip(x, -12.0, 12.0) + out / 3.0)


def open_shelf(x: Array, y: Array) -> Array:
    """Dead level, 40 m wide, with a bank behind and a fall in front: not closed."""
    return np.where(x < -20.0, 0.3 * (x + 20.0), np.where(x > 20.0, 0.3 * (x - 20.0), 0.0))


def level_above_a_hole(x: Array, y: Array) -> Array:
    """A level floor inside a bank with a pit of 1.5 m in it: not the lowest ground."""
    return np.where(np.hypot(x, y) < 4.0, -1.5, np.maximum(0.0, 0.3 * (np.hypot(x, y) - 14.0)))


def small(x: Array, y: Array) -> Array:
    """A pond of 80 m2."""
    return np.maximum(0.0, 0.5 * (np.hypot(x, y) - math.sqrt(80.0 / math.pi)))


NEAR_MISSES = (
    lawn,
    dished,
    bowl,
    valley,
    car_park,
    kerbed_on_three_sides,
    fallen_floor,
    open_shelf,
    level_above_a_hole,
    small,
)


@pytest.mark.parametrize("shape", NEAR_MISSES, ids=lambda f: f.__name__)
def test_what_is_no_pond_is_not_called_one(shape: Callable[[Array, Array], Array]) -> None:
    for cell in CELLS:
        x, y = plan(90.0, cell)
        for seed in range(8):
            rng = np.random.default_rng(seed)
            # The ground's own roughness: 1 cm, as of a paved car park.
            z = shape(x, y) + noise(rng, x.shape, cell, 0.01, (0.0, 1.0)[seed % 2])
            bodies, open_ = found(z, cell)
            assert not (bodies & ~open_).any()
            assert not bodies[6:-6, 6:-6].any()


def test_rough_ground_in_a_hollow_is_not_water() -> None:
    x, y = plan(70.0)
    for seed in range(8):
        rng = np.random.default_rng(seed)
        rough = noise(rng, x.shape, 1.0, 0.08, 0.0)
        assert not found(np.maximum(0.0, 0.3 * (np.hypot(x, y) - 14.0)) + rough)[0].any()
        smooth = rough / 4.0
        assert found(np.maximum(0.0, 0.3 * (np.hypot(x, y) - 14.0)) + smooth)[0].any()


def test_the_area_comes_from_the_settings() -> None:
    x, y = plan(60.0)
    z = small(x, y) + noise(np.random.default_rng(3), x.shape, 1.0, 0.01, 0.0)
    assert not found(z)[0].any()
    assert possible_water(z, 1.0, 1.0, HazardSettings(flat_area_m2=60.0))[0].any()


@pytest.mark.parametrize("seed", range(5))
def test_a_pond_in_a_larger_hollow(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = plan(140.0)
    r = np.hypot(x, y)
    z = np.where(r <= 10.0, 0.0, np.where(r <= 15.0, 0.1 * (r - 10.0), 0.5 + 0.02 * (r - 15.0)))
    bodies, open_ = found(z + noise(rng, z.shape, 1.0, 0.02, 1.0))
    assert share(bodies, r <= 10.0) == 1.0
    assert not bodies[r > 13.0].any()
    assert not open_.any()


@pytest.mark.parametrize("seed", range(5))
def test_an_island_stays_dry_and_peaks_of_noise_do_not(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = plan(100.0)
    shore = np.minimum(20.0 - np.hypot(x, y), np.hypot(x - 5.0, y) - 5.0)
    z = np.where(shore >= 0.0, 0.0, -0.3 * shore) + noise(rng, x.shape, 1.0, 0.03, 2.0)
    bodies, _ = found(z)
    assert share(bodies, shore >= 1.0) >= 0.97
    assert not bodies[np.hypot(x - 5.0, y) < 3.5].any()
    _, count = ndimage.label(~bodies)
    # The outside and the island are the only ground left.
    assert count == 2


def voided(rng: np.random.Generator, radius: float, void: Array, x: Array, y: Array) -> Array:
    z = np.maximum(0.0, 0.3 * (np.hypot(x, y) - radius))
    z += noise(rng, x.shape, 1.0, 0.02, 1.0)
    z[void] = np.nan
    return z


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("flat", [False, True], ids=["noisy", "flat"])
def test_a_void_does_not_hide_the_pond_and_joins_it(seed: int, flat: bool) -> None:
    """Without the void the water seen is under 100 m2."""
    rng = np.random.default_rng(seed)
    x, y = plan(60.0)
    void = np.hypot(x - 0.5, y + 0.5) < 4.5
    z = voided(rng, 7.0, void, x, y)
    if flat:
        z[(np.hypot(x, y) < 7.0) & ~void] = 0.0
    assert ((np.hypot(x, y) < 7.0) & ~void).sum() < 100
    bodies, open_ = found(z)
    assert bodies[void].all()
    assert share(bodies, np.hypot(x, y) < 6.0) == 1.0
    assert not bodies[np.hypot(x, y) > 10.0].any()
    assert not open_.any()


def test_a_void_on_the_shore_does_not_join_and_does_not_hide_the_pond() -> None:
    x, y = plan(60.0)
    void = np.hypot(x - 11.0, y) < 4.0
    bodies, _ = found(voided(np.random.default_rng(1), 10.0, void, x, y))
    assert share(bodies, (np.hypot(x, y) < 9.0) & ~void) >= 0.97
    assert not bodies[void].any()


def test_voids_join_only_what_surrounds_them() -> None:
    z = np.zeros((12, 14))
    bodies = np.zeros(z.shape, bool)
    bodies[1:11, 2:14] = True
    inside, corner, shore, border = (slice(3, 5), slice(4, 6)), (7, 7), (6, 2), (4, 13)
    for hole in (inside, corner, shore, border):
        z[hole], bodies[hole] = np.nan, False
    z[8, 8], bodies[8, 8] = np.nan, False  # meets `corner` at a corner only: two holes
    bodies[9, 8] = False  # ground beside it
    before = bodies.copy()
    joined = join_voids(bodies, z)
    want = before.copy()
    want[inside] = want[corner] = True
    np.testing.assert_array_equal(joined, want)
    np.testing.assert_array_equal(bodies, before)
    np.testing.assert_array_equal(join_voids(np.zeros_like(bodies), z), np.zeros_like(bodies))


def some_ponds(seed: int, size: float = 160.0) -> Array:
    """Four ponds, one with a void, in rolling rough ground."""
    rng = np.random.default_rng(seed)
    x, y = plan(size)
    z = noise(rng, x.shape, 1.0, 0.8, 12.0) + noise(rng, x.shape, 1.0, 0.02, 0.0)
    for east, south in ((-40, -30), (30, -45), (-20, 40), (45, 35)):
        r = np.hypot(1.3 * (x - east), y - south)
        reach = rng.uniform(9.0, 16.0)
        level = float(np.quantile(z[r < reach], 0.05))
        surface = level + noise(rng, x.shape, 1.0, rng.uniform(0.0, 0.03), rng.choice([0.0, 1.0, 2.0]))
        bank = np.maximum(z, level + 0.12 * (r - reach))
        z = np.where(r < reach, surface, np.where(r < reach + 8.0, bank, z))
        if east == 45:
            z[r < 4.0] = np.nan
    return z


@pytest.mark.parametrize("seed", range(4))
def test_how_the_grid_is_turned_does_not_matter(seed: int) -> None:
    z = some_ponds(seed)[:, 8:]
    for dx, dy in ((1.0, 1.0), (1.0, 1.2)):
        bodies, open_ = possible_water(z, dx, dy, SETTINGS)
        assert bodies.sum() > 500
        for way in ALL:
            theirs, theirs_open = possible_water(turned(z, way), *sides(dx, dy, way), SETTINGS)
            np.testing.assert_array_equal(theirs, turned(bodies, way))
            np.testing.assert_array_equal(theirs_open, turned(open_, way))


def test_cells_that_are_not_square() -> None:
    """A shore along the longer sides of the cells is as long as it is: the bank of a canal is not taken for gentler."""
    y, x = np.mgrid[:60, :60] * np.array([2.0, 1.0]).reshape(2, 1, 1)
    out = np.maximum(np.abs(x - 30.0) - 4.0, np.abs(y - 60.0) - 30.0)
    z = np.maximum(0.0, 0.08 * out) + noise(np.random.default_rng(2), out.shape, 1.0, 0.01, 0.0)
    for way in ALL:
        bodies, _ = possible_water(turned(z, way), *sides(1.0, 2.0, way), SETTINGS)
        assert share(bodies, turned(out <= 0.0, way)) >= 0.95


def test_how_high_the_ground_lies_does_not_matter() -> None:
    z = np.round(some_ponds(1), 3)
    for height in (-431.0, 2000.0):
        for ours, theirs in zip(found(z), found(z + height), strict=True):
            np.testing.assert_array_equal(ours, theirs)


def test_the_window_does_not_matter_to_a_whole_body() -> None:
    """Whole and clear of the border, a body has the same cells in every window, or is open; nothing else is one.

    What a window cuts counts as open there: nearly always, since a piece need not look like the whole.
    """
    kept, cut = 0, []
    for seed in range(8):
        z = some_ponds(seed)
        wide, wide_open = found(z)
        label, _ = ndimage.label(wide & ~wide_open)
        size = np.bincount(label.ravel())
        rng = np.random.default_rng(seed)
        for _ in range(15):
            top, left = rng.integers(0, 80, 2)
            window = (slice(top, top + int(rng.integers(50, 90))), slice(left, left + int(rng.integers(50, 90))))
            bodies, open_ = found(z[window])
            here = label[window]
            ids, cells = np.unique(here[here > 0], return_counts=True)
            for i, n in zip(ids, cells, strict=True):
                inside = here == i
                clear = inside[3:-3, 3:-3].sum() == n  # of the border, and of what the median sees there
                if n == size[i] and clear:
                    assert bodies[inside].all()
                    kept += not open_[inside].any()
                elif n < size[i] and n > 50:
                    cut.append(share(open_, inside))
            settled = bodies & ~open_
            np.testing.assert_array_equal(settled & (here == 0) & ~wide_open[window], np.zeros(z[window].shape, bool))
    print(f"\n{kept} whole, {len(cut)} cut: more than half of it open {np.mean(np.array(cut) > 0.5):.3f}")
    assert kept >= 25
    assert len(cut) >= 80
    assert np.mean(np.array(cut) > 0.5) >= 0.95


def test_a_body_whose_bank_leaves_the_window_is_open() -> None:
    """The bank, 3 % on the one side and 1:3 elsewhere, must be seen to rise all around."""
    x, y = plan(60.0)
    out = np.hypot(x, y) - 10.0
    z = np.maximum(0.0, out * np.where((x > 0.0) & (np.abs(y) < x), 0.03, 1.0 / 3.0))
    wide, wide_open = found(z)
    assert wide.any()
    assert not wide_open.any()
    last = int(np.nonzero(wide.any(axis=0))[0][-1])
    for beyond, is_open in ((2, True), (3, True), (8, False)):
        bodies, open_ = found(z[:, : last + 1 + beyond])
        assert bodies.any()
        np.testing.assert_array_equal(open_, bodies if is_open else np.zeros_like(bodies))
        if not is_open:
            np.testing.assert_array_equal(bodies, wide[:, : last + 1 + beyond])


@pytest.mark.parametrize("scale", [0.0, 1.0, 2.0])
def test_noisy_ground_without_a_bank_is_hardly_open(scale: float) -> None:
    """Lawns that fall to the border."""
    x, y = plan(100.0)
    for seed in range(8):
        n = noise(np.random.default_rng(seed), x.shape, 1.0, 0.02, scale)
        for z in (lawn(x, y), 2.0 * lawn(x, y)):
            bodies, open_ = found(z + n)
            np.testing.assert_array_equal(bodies, open_)
            assert open_.sum() <= 150  # of 10 000


def test_half_a_level_window_is_open_and_its_slope_is_not() -> None:
    """Dead level to the border, over more ground than any built place, and rising by 2 % farther in."""
    x, y = plan(100.0)
    for seed in range(8):
        z = np.maximum(0.0, 2.0 * lawn(x, y)) + noise(np.random.default_rng(seed), x.shape, 1.0, 0.02, 1.0)
        bodies, open_ = found(z)
        np.testing.assert_array_equal(bodies, open_)
        assert share(open_, lawn(x, y) < -0.05) >= 0.95 and not open_[lawn(x, y) > 0.1].any()


def test_a_window_within_a_pond_is_open() -> None:
    z = noise(np.random.default_rng(4), (40, 40), 1.0, 0.02, 1.0)
    bodies, open_ = found(z)
    assert share(open_, np.ones(z.shape, bool)) >= 0.95
    np.testing.assert_array_equal(bodies, open_)


@pytest.mark.parametrize("shape", [(1, 1), (1, 30), (2, 3), (5, 5)])
def test_tiny_windows_and_void_ones(shape: tuple[int, int]) -> None:
    for z in (np.zeros(shape), np.full(shape, np.nan)):
        bodies, open_ = found(z)
        assert bodies.shape == open_.shape == shape
        np.testing.assert_array_equal(bodies, open_)


def test_median_against_scipy() -> None:
    """scipy.ndimage.median_filter is the reference; where cells are missing, numpy.quantile of those that are not."""
    rng = np.random.default_rng(5)
    z = rng.integers(-5000, 5000, (40, 50)).astype(np.int32)
    padded = np.pad(z, 1, constant_values=MISSING)
    np.testing.assert_array_equal(median(padded)[2:-2, 2:-2], ndimage.median_filter(z, 3)[1:-1, 1:-1])
    holes = padded.copy()
    holes[1:-1, 1:-1][rng.random(z.shape) < 0.2] = MISSING
    ours = median(holes)
    for i in range(1, 41):
        for j in range(1, 51):
            near = holes[i - 1 : i + 2, j - 1 : j + 2]
            want = MISSING
            if holes[i, j] != MISSING:
                want = np.quantile(near[near != MISSING], 0.5, method="lower")
            assert ours[i, j] == want


# None of these grids has a flattened pond (their own description). Most whole bodies to be found, and what they are.
REAL = {
    "kettle_ground.tif": 0,
    "village_scarp_1m.tif": 0,
    "farmland_channel_1m.tif": 0,
    # Two closed hollows, 308 m2 among the houses 1 to 2 m below them and 128 m2 in open ground 0.2 to 0.8 m below it.
    # Whether they hold water the grid does not tell. Neither is the ponding behind the bank that its producer names.
    "embankment_2m.tif": 2,
}


def check_real(path: Path, most: int) -> None:
    z, cell = read(path)
    bodies, open_ = found(z, cell)
    areas = [np.bincount(ndimage.label(m)[0].ravel())[1:] * cell * cell for m in (bodies & ~open_, open_)]
    print(f"\n{path.name}: whole {areas[0]} m2, cut by the border {areas[1]} m2, {bodies.mean():.2%} of the grid")
    assert len(areas[0]) <= most
    # Level strips at the border, which may be the edge of water beyond.
    assert len(areas[1]) <= 5
    assert bodies.mean() < 0.002


@pytest.mark.parametrize("name", REAL)
def test_real_ground_is_not_littered(name: str, open_data: Callable[[str], Path]) -> None:
    check_real(open_data(name), REAL[name])


def flooded(z: Array, cell: float, below_spill: float, rng: np.random.Generator) -> tuple[Array, list[Array]]:
    """Real ground with its own hollows filled with noisy water (2 cm over 2 m) to `below_spill` under their spill."""
    seed = np.zeros(z.shape, np.uint8)
    seed[ndimage.binary_dilation(np.pad(np.isnan(z), 1, constant_values=True), np.ones((3, 3)))[1:-1, 1:-1]] = SEED
    filled = fill(z, seed, ascending(z))[0]
    hollow, _ = ndimage.label(filled - z > 1e-4)
    out, ponds = z.copy(), []
    surface = noise(rng, z.shape, cell, 0.02, 2.0)
    for k, part in enumerate(ndimage.find_objects(hollow), 1):
        inside = hollow[part] == k
        if inside.sum() * cell**2 < 150.0:
            continue
        level = float(filled[part][inside].max()) - below_spill
        wet, pieces = ndimage.label(inside & (z[part] < level))
        for piece in range(1, pieces + 1):
            # A strip of one or two cells is a ditch: it has no cell whose neighbours are all wet.
            pond = wet == piece
            core = ndimage.binary_erosion(pond, np.ones((3, 3)))
            if pond.sum() * cell**2 >= 150.0 and 3 * core.sum() > pond.sum():
                out[part][pond] = (level + surface[part])[pond]
                ponds.append(np.zeros(z.shape, bool))
                ponds[-1][part] = pond
    return out, ponds


# Kettle ground has a single hollow of that size.
@pytest.mark.parametrize("name", [name for name in REAL if name != "kettle_ground.tif"])
def test_real_hollows_with_water_are_found(name: str, open_data: Callable[[str], Path]) -> None:
    z, cell = read(open_data(name))
    z, ponds = flooded(z, cell, 0.3, np.random.default_rng(6))
    bodies, _ = found(z, cell)
    rate = np.mean([share(bodies, p) >= 0.8 for p in ponds])
    print(f"\n{name}: {rate:.2f} of {len(ponds)} ponds in hollows")
    assert len(ponds) >= 2
    # 0.81 on the worst grid when written; the bound was set from that.
    assert rate >= 0.75
