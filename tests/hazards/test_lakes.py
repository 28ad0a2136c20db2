"""Lakes and wide canals that the survey's edge or missing ground cuts, or that it shows rough; near misses.

No published rates or standards exist for this. Lakes are made here, and what is found is asked of the masks that made
them. How level and how rough real water is was counted on one open survey of a lake and a canal (0.9 points a square
metre, gridded at 1 m): noise of 55 and 75 mm, best planes of 0.02 % and 0.05 %, a shore on 14 % of the lake's outline.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from pond_ground import SETTINGS, Array, found, noise, plan, read, share
from turns import ALL, sides, turned

from slopekit.hazards.lakes import rim_cells
from slopekit.hazards.ponds import possible_water

pytestmark = pytest.mark.reference

NOISES = ((0.01, 0.0), (0.02, 1.0), (0.03, 0.0), (0.03, 2.0), (0.055, 0.0))
BEYOND = 30  # more cells of nothing than a window's border can change


def surveyed(z: Array) -> Array:
    """The same with ground all round that the survey does not have."""
    return np.pad(z, BEYOND, constant_values=np.nan)


def placed(mask: Array) -> Array:
    """A mask of the ground on the cells of `surveyed`."""
    return np.pad(mask, BEYOND)


def lake(x: Array, y: Array, radius: float = 40.0, grade: float = 0.15) -> tuple[Array, Array]:
    out = np.hypot(x, y) - radius
    return np.clip(grade * out, 0.0, 1.0 + 0.02 * np.maximum(out, 0.0)), out <= 0.0


def cut_for(part: float, radius: float = 40.0) -> float:
    """Where a straight edge cuts a round lake so that it is `part` of the outline, m east of its middle."""
    east = np.linspace(-0.9 * radius, radius, 2001)
    chord = 2.0 * np.sqrt(radius**2 - east**2)
    shore = 2.0 * radius * (np.pi - np.arccos(east / radius))
    return float(east[np.abs(chord / (chord + shore) - part).argmin()])


@pytest.mark.parametrize("part", [0.1, 0.25, 0.4])
@pytest.mark.parametrize(("sd", "scale"), NOISES)
def test_a_lake_at_the_edge_of_the_survey(part: float, sd: float, scale: float) -> None:
    x, y = plan(160.0)
    z, water = lake(x, y)
    kept = x[0] < cut_for(part)
    for seed in range(3):
        z_seen = (z + noise(np.random.default_rng(seed), z.shape, 1.0, sd, scale))[:, kept]
        bodies, open_ = found(surveyed(z_seen))
        assert share(bodies, placed(water[:, kept])) >= 0.95
        assert not open_.any()


@pytest.mark.parametrize("part", [0.1, 0.3, 0.6])
@pytest.mark.parametrize(("sd", "scale"), NOISES)
def test_a_lake_whose_shore_is_missing_in_part(part: float, sd: float, scale: float) -> None:
    """The shore lies in a void; the survey's edge cuts the lake too."""
    x, y = plan(160.0)
    z, water = lake(x, y)
    rng = np.random.default_rng(5)
    void = (np.abs(np.hypot(x, y) - 40.0) < 6.0) & (np.abs(np.arctan2(y, -x)) < np.pi * part)
    for kept in (x[0] < 80.0, x[0] < 36.0)[: 1 if part > 0.5 else 2]:
        z_seen = np.where(void, np.nan, z + noise(rng, z.shape, 1.0, sd, scale))[:, kept]
        bodies, open_ = found(surveyed(z_seen))
        seen = placed((water & ~void)[:, kept])
        assert share(bodies, seen) >= 0.9
        assert not open_.any()


@pytest.mark.parametrize("fall", [0.0, 0.0005, 0.001])
@pytest.mark.parametrize(("sd", "scale"), [(0.02, 1.0), (0.055, 0.0)])
def test_a_canal_that_crosses_the_survey(fall: float, sd: float, scale: float) -> None:
    x, y = plan(200.0)
    water = np.abs(x) < 12.0
    z = np.maximum(0.0, 0.3 * (np.abs(x) - 12.0)) + fall * y
    bodies, open_ = found(surveyed(z + noise(np.random.default_rng(1), z.shape, 1.0, sd, scale)))
    assert share(bodies, placed(water)) >= 0.95
    assert not open_.any() and not bodies[placed(np.abs(x) > 14.0)].any()


@pytest.mark.parametrize(("sd", "scale"), NOISES)
def test_a_lake_with_an_outlet_a_low_place_and_an_island(sd: float, scale: float) -> None:
    x, y = plan(180.0)
    z, water = lake(x, y, 50.0)
    z = np.where((np.abs(y) < 1.5) & (x < -50.0), 0.01 * (x + 50.0), z)
    z = np.where(np.hypot(x, y + 30.0) < 4.0, -0.4, z)
    island = np.hypot(x - 10.0, y - 15.0) < 8.0
    z = np.where(island, 0.6, z) + noise(np.random.default_rng(2), z.shape, 1.0, sd, scale)
    bodies, _ = found(surveyed(z[:, x[0] < 30.0]))
    seen = [placed(mask[:, x[0] < 30.0]) for mask in (water & ~island, island)]
    assert share(bodies, seen[0]) >= 0.95 and not bodies[seen[1]].any()


def test_a_lake_that_shows_little_of_its_shore() -> None:
    """As the real one: less than a third of the outline rises, and no field is so level."""
    x, y = plan(220.0)
    z = 0.0002 * x + np.where(np.hypot(x + 110.0, y) < 40.0, 4.0, 0.0)
    water = np.hypot(x + 110.0, y) > 42.0
    bodies, open_ = found(surveyed(z + noise(np.random.default_rng(3), z.shape, 1.0, 0.055, 0.0)))
    assert share(bodies, placed(water)) >= 0.98
    assert not open_.any() and not bodies[placed(np.hypot(x + 110.0, y) < 38.0)].any()


# Grades of level ground that people mow and till: common practice, no source.
def field(x: Array, y: Array) -> Array:
    """Falls by 0.2 %, with swells of 5 cm, and runs off the survey all around."""
    return 0.002 * x + 0.05 * np.sin(x / 14.0) * np.sin(y / 17.0)


def smooth_field(x: Array, y: Array) -> Array:
    return 0.0015 * (0.6 * x + 0.8 * y)


def field_with_a_bank(x: Array, y: Array) -> Array:
    """Level along a bank on one side, and falling from it by 0.3 %."""
    return np.where(y < -60.0, 0.3 * (-60.0 - y), -0.003 * (y + 60.0))


def terrace(x: Array, y: Array) -> Array:
    """30 m wide and dead level, a bank above and a bank below."""
    return np.where(y < -15.0, 0.3 * (-15.0 - y), np.where(y > 15.0, 0.3 * (15.0 - y), 0.0))


def road(x: Array, y: Array) -> Array:
    """8 m wide, with a camber of 2.5 % and a fall of 0.5 % along, in a cutting."""
    return 0.005 * x + np.maximum(-0.025 * np.abs(y), 0.4 * (np.abs(y) - 4.0) - 0.1)


def pad(x: Array, y: Array) -> Array:
    """40 x 40 m, dead level, a wall behind it and a fall on the three other sides, in ground that falls by 1 %."""
    out = np.maximum(np.abs(x), np.abs(y)) - 20.0
    around = 0.01 * x - 0.3 * np.clip(out, 0.0, 10.0)
    return np.where((y < -20.0) & (np.abs(x) < 20.0), 3.0, np.where(out > 0.0, around, 0.0))


def lawn_to_the_edge(x: Array, y: Array) -> Array:
    return np.where(y < -60.0, 0.3 * (-60.0 - y), 0.01 * (x + 80.0))


MISSES = (field, smooth_field, field_with_a_bank, terrace, road, pad, lawn_to_the_edge)


@pytest.mark.parametrize("shape", MISSES, ids=lambda f: f.__name__)
def test_level_ground_that_is_no_water(shape: Callable[[Array, Array], Array]) -> None:
    x, y = plan(160.0)
    # On a road less noise.
    for sd, scale in ((0.01, 1.0), (0.02, 1.0), (0.03, 0.0), (0.03, 2.0))[: 2 if shape is road else 4]:
        z = shape(x, y) + noise(np.random.default_rng(4), x.shape, 1.0, sd, scale)
        for part in (z, z[20:110, 40:], np.where(np.hypot(x + 30.0, y - 40.0) < 25.0, np.nan, z)):
            bodies, open_ = found(surveyed(part))
            assert not bodies.any() and not open_.any()


def test_a_pond_needs_a_third_of_its_outline() -> None:
    """A level field of 400 m2 between voids, with a bank on its one short side."""
    x, y = plan(100.0)
    for half, seen in ((30.0, False), (4.0, True)):
        z = np.where(y < -5.0, 0.3 * (-5.0 - y), 0.0) + noise(np.random.default_rng(6), x.shape, 1.0, 0.01, 0.0)
        kept = (np.abs(x) < 15.0) & (y > -15.0) & (y < half)
        assert found(surveyed(np.where(kept, z, np.nan)))[0].any() == seen


def test_farmland_is_none_wherever_it_is_cut(open_data: Callable[[str], Path]) -> None:
    z, _ = read(open_data("farmland_channel_1m.tif"))
    assert not found(surveyed(z))[0].any()
    rng = np.random.default_rng(7)
    met = 0
    for _ in range(40):
        top, left = rng.integers(0, 560), rng.integers(0, 320)
        height, width = rng.integers(60, 160, 2)
        bodies, open_ = found(surveyed(z[top : top + height, left : left + width]))
        assert not open_.any()
        # A pond of `ponds` may lie in a hollow that the cut closes; a field may not.
        met += bodies.sum() > 0.1 * height * width
    assert met == 0


def some_lakes(seed: int) -> Array:
    """A lake at the border, one within, rough ground round them."""
    rng = np.random.default_rng(seed)
    x, y = plan(220.0)
    z = 1.0 + noise(rng, x.shape, 1.0, 0.8, 12.0)
    for east, south, radius in ((-90.0, 20.0, 50.0), (50.0, -30.0, 32.0)):
        out = np.hypot(x - east, 1.2 * (y - south)) - radius
        z = np.where(out < 12.0, np.minimum(np.maximum(z, 0.1 * out), 0.1 * out + 3.0 * (out > 6.0)), z)
        z = np.where(out < 0.0, 0.0, z)
    return z + noise(rng, x.shape, 1.0, 0.05, 0.0)


@pytest.mark.parametrize("seed", range(3))
def test_how_the_grid_is_turned_does_not_matter(seed: int) -> None:
    z = surveyed(some_lakes(seed)[:, 7:])
    for dx, dy in ((1.0, 1.0), (1.0, 1.3)):
        bodies, open_ = possible_water(z, dx, dy, SETTINGS)
        assert bodies.sum() > 4000
        for way in ALL:
            theirs, theirs_open = possible_water(turned(z, way), *sides(dx, dy, way), SETTINGS)
            np.testing.assert_array_equal(theirs, turned(bodies, way))
            np.testing.assert_array_equal(theirs_open, turned(open_, way))


@pytest.mark.parametrize("seed", range(3))
def test_the_window_does_not_matter(seed: int) -> None:
    """A lake that a window holds clear of its border is the same there; one that it cuts is open."""
    z = surveyed(some_lakes(seed))
    wide, wide_open = found(z)
    assert wide.any() and not wide_open.any()
    rng = np.random.default_rng(seed)
    rim = rim_cells(1.0, 1.0)
    for _ in range(25):
        top, left = rng.integers(0, 150, 2)
        at = np.s_[top : top + int(rng.integers(70, 130)), left : left + int(rng.integers(70, 130))]
        bodies, open_ = found(z[at])
        np.testing.assert_array_equal((bodies & ~open_)[rim:-rim, rim:-rim] & ~wide[at][rim:-rim, rim:-rim], False)
        if wide[at].sum() > 1000:
            assert share(bodies, wide[at]) >= 0.85
