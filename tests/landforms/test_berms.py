"""Berms against made ground whose geometry is arithmetic, near misses that are none, and real banks.

The made berms are trapezoidal prisms: height, crest width and side slope are typed, everything else follows from them.
"""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage
from turns import ALL, sides, turned

from slopekit.grid import Grid
from slopekit.kernels.gradient import horn
from slopekit.landforms.berms import Berm, find_berms, reach_m
from slopekit.landforms.settings import LandformSettings

pytestmark = pytest.mark.reference

Array = np.ndarray
SETTINGS = LandformSettings()
SIZE = 240
HEIGHT, CREST, HV, LENGTH = 2.0, 4.0, 3.0, 180.0
HALF_FOOT = 0.5 * CREST + HV * HEIGHT
SECTION_M2 = HEIGHT * (CREST + HV * HEIGHT)


def grid_of(z: Array, dx: float = 1.0, dy: float = 1.0, metres_per_unit: float = 1.0) -> Grid:
    rows, cols = z.shape
    return Grid(rows, cols, 0.0, 0.0, dx / metres_per_unit, dy / metres_per_unit, "", metres_per_unit)


def berms_of(
    z: Array, dx: float = 1.0, dy: float = 1.0, settings: LandformSettings = SETTINGS, basins: Array | None = None
) -> list[Berm]:
    return find_berms(z, *horn(z, dx, dy), grid_of(z, dx, dy), settings, basins)


def plan(size: int = SIZE, cell: float = 1.0) -> tuple[Array, Array]:
    """Metres to the right and up from a point near the middle that lies on no cell's centre or edge."""
    row, col = np.mgrid[:size, :size]
    return (col - size / 2 + 0.3) * cell, (size / 2 - row + 0.2) * cell


def profile(away: Array, height: float = HEIGHT, crest: float = CREST, hv: float = HV) -> Array:
    """Height of the prism at a distance from its middle line."""
    return np.clip(height - (np.abs(away) - 0.5 * crest) / hv, 0.0, height)


def straight(degrees: float, length: float = LENGTH, **shape: float) -> Array:
    """A prism cut off square at both ends, on level ground."""
    x, y = plan()
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    along, across = x * c + y * s, y * c - x * s
    return np.where(np.abs(along) <= 0.5 * length, profile(across, **shape), 0.0)


def only(berms: list[Berm]) -> Berm:
    assert len(berms) == 1, [round(b.length_m, 1) for b in berms]
    return berms[0]


def assert_measures(berm: Berm, length: float = LENGTH, height: float = HEIGHT, crest: float = CREST) -> None:
    section = height * (crest + HV * height)
    assert berm.length_m == pytest.approx(length, abs=2.0)
    assert berm.height_m == pytest.approx(height, abs=0.05)
    assert berm.crest_width_m == pytest.approx(crest, abs=1.0)
    assert berm.width_m == pytest.approx(crest + 2.0 * HV * height, abs=1.5)
    assert berm.volume_m3 == pytest.approx(section * length, rel=0.01)


@pytest.mark.parametrize("degrees", [0.0, 27.0, 45.0, 90.0])
def test_prism_on_level_ground(degrees: float) -> None:
    berm = only(berms_of(straight(degrees)))
    assert_measures(berm)
    for side in (berm.left, berm.right):
        assert side.height_m == pytest.approx(HEIGHT, abs=0.05)
        assert side.greatest_m == pytest.approx(HEIGHT, abs=0.05)
        assert side.hv == pytest.approx(HV, abs=0.1)
        assert side.steepest_hv <= side.hv
        # Each face is HV * HEIGHT wide on the map, within a cell.
        assert side.cells.size == pytest.approx(HV * HEIGHT * LENGTH, abs=LENGTH)
    assert not berm.closed
    assert not berm.cut
    assert set(berm.left.cells) | set(berm.right.cells) < set(berm.cells)
    assert not set(berm.left.cells) & set(berm.right.cells)
    # Bearing of the line, and that it lies on the prism's middle line.
    x, y = (berm.crest[:, 1] - SIZE / 2 + 0.3), (SIZE / 2 - berm.crest[:, 0] + 0.2)
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    assert np.abs(y * c - x * s).max() < 0.6


@pytest.mark.parametrize("height", [0.6, 1.0, 4.0])
def test_low_and_high_prisms(height: float) -> None:
    """The highest has a foot 28 m wide."""
    berm = only(berms_of(straight(27.0, length=160.0, height=height)))
    assert_measures(berm, length=160.0, height=height)


@pytest.mark.parametrize("grade", [0.02, 0.08])
@pytest.mark.parametrize("degrees", [0.0, 27.0])
@pytest.mark.parametrize("downhill", [0.0, 45.0, 90.0])
def test_prism_on_tilted_ground(grade: float, degrees: float, downhill: float) -> None:
    """`downhill`: angle between the line and the way the ground falls. Across it the faces read HV^-1 -/+ the grade."""
    x, y = plan()
    fall = math.radians(degrees + downhill)
    ground = -grade * (x * math.cos(fall) + y * math.sin(fall))
    berm = only(berms_of(ground + straight(degrees)))
    assert_measures(berm)
    across = grade * math.sin(math.radians(downhill))
    lower, upper = 1.0 / (1.0 / HV + across), 1.0 / (1.0 / HV - across)
    assert sorted([berm.left.hv, berm.right.hv]) == pytest.approx([lower, upper], abs=0.1)
    heights = [HEIGHT - across * HALF_FOOT, HEIGHT + across * HALF_FOOT]
    assert sorted([berm.left.height_m, berm.right.height_m]) == pytest.approx(heights, abs=0.05)
    if downhill != 90.0:
        # An open line starts at its higher end, so that its left is the left as seen going down.
        assert berm.heights.shape == (len(berm.crest), 2)
        ahead = berm.crest[-1] - berm.crest[0]
        assert ahead[1] * math.cos(math.radians(degrees)) - ahead[0] * math.sin(math.radians(degrees)) > 0.0
    if downhill == 45.0:
        # Going down with the fall on the left of the line: the left toe is the lower one.
        assert berm.left.height_m > berm.right.height_m


def test_curved_prism() -> None:
    """An arc of 150 degrees, radius 60 m. Its volume is the section times the middle line (Pappus)."""
    x, y = plan()
    radius, half = 60.0, math.radians(75.0)
    z = np.where(np.abs(np.arctan2(x, y)) <= half, profile(np.hypot(x, y) - radius), 0.0)
    berm = only(berms_of(z))
    assert_measures(berm, length=2.0 * half * radius)
    assert berm.left.hv == pytest.approx(HV, abs=0.1)
    assert berm.right.hv == pytest.approx(HV, abs=0.1)


@pytest.mark.parametrize("grade", [0.0, 0.02])
def test_closed_ring_round_a_basin(grade: float) -> None:
    x, y = plan()
    radius = 40.0
    away = np.hypot(x, y)
    basins = np.where(away < radius - HALF_FOOT, 7, 0).astype(np.int32)
    basins[:20, :20] = 3
    berm = only(berms_of(profile(away - radius) - grade * x, basins=basins))
    assert berm.closed
    assert berm.basin == 7
    assert_measures(berm, length=2.0 * math.pi * radius)
    # The inside is on the left.
    assert np.median(away.ravel()[berm.left.cells]) < radius < np.median(away.ravel()[berm.right.cells])


def test_basin_of_another_berm_is_not_named() -> None:
    basins = np.zeros((SIZE, SIZE), np.int32)
    basins[:20, :20] = 3
    assert only(berms_of(straight(0.0), basins=basins)).basin == 0


@pytest.mark.parametrize("seed", range(3))
def test_prism_under_noise(seed: int) -> None:
    """Noise of 5 cm (common practice for lidar on grass, no source): the same berm, measured a little less well."""
    noise = np.random.default_rng(seed).normal(0.0, 0.05, (SIZE, SIZE))
    berm = only(berms_of(straight(27.0) + noise))
    assert berm.length_m == pytest.approx(LENGTH, abs=5.0)
    assert berm.height_m == pytest.approx(HEIGHT, abs=0.15)
    assert berm.left.hv == pytest.approx(HV, abs=0.4)
    assert berm.right.hv == pytest.approx(HV, abs=0.4)


def test_breach_makes_two() -> None:
    x, _ = plan()
    z = np.where(np.abs(x) < 10.0, 0.0, straight(0.0, length=180.0))
    one, two = berms_of(z)
    assert (one.length_m, two.length_m) == pytest.approx((80.0, 80.0), abs=2.0)


@pytest.mark.parametrize("degrees", [0.0, 27.0, 45.0])
@pytest.mark.parametrize("turn", [60.0, 70.0, 90.0])
def test_crossing_banks_go_straight_on(degrees: float, turn: float) -> None:
    z = np.maximum(straight(degrees, length=200.0), straight(degrees + turn, length=140.0))
    one, two = berms_of(z)
    assert one.length_m == pytest.approx(200.0, abs=2.0)
    assert two.length_m == pytest.approx(140.0, abs=2.0)
    for berm in (one, two):
        chord = np.hypot(*(berm.crest[-1] - berm.crest[0]))
        assert berm.length_m <= 1.01 * chord


def test_bank_along_the_top_of_a_scarp() -> None:
    """1.5 m above the field on one side; on the other 12 m of level ground, then a scarp of 10 m."""
    _, y = plan()
    ground = -10.0 * np.clip((-y - 12.0 - 6.5) / 15.0, 0.0, 1.0)
    berm = only(berms_of(ground + straight(0.0, height=1.5)))
    assert berm.length_m == pytest.approx(LENGTH, abs=2.0)
    assert berm.height_m == pytest.approx(1.5, abs=0.05)


def test_bank_that_leaves_the_window_is_cut() -> None:
    whole = straight(0.0)
    assert not only(berms_of(whole)).cut
    assert only(berms_of(whole[:, 100:])).cut
    hole = whole.copy()
    hole[:, :90] = np.nan
    assert only(berms_of(hole)).cut


def test_bank_with_one_side_unseen_is_none() -> None:
    """Its second toe lies beyond the window: nobody can say that the ground falls away there."""
    z = straight(0.0)
    assert berms_of(z[SIZE // 2 :]) == []


X, Y = plan()
STEEP = 1.0 / 3.0
NEAR_MISSES = {
    "level": np.zeros((SIZE, SIZE)),
    "plane": 0.3 * X + 0.1 * Y,
    "hillside's edge": -np.clip(Y, 0.0, None) * STEEP,
    "edge of a plateau": -np.clip(0.5 * X + 0.8 * Y, 0.0, 30.0) * STEEP,
    "terrace step": -2.0 * np.clip(0.5 * Y, 0.0, 1.0) - 0.02 * Y,
    "terraces": -1.5 * (np.floor(Y / 20.0) + np.clip((Y % 20.0) / 3.0, 0.0, 1.0)),
    "round mound": profile(np.hypot(X, Y), height=3.0),
    "two mounds": np.maximum(profile(np.hypot(X - 30, Y), height=3.0), profile(np.hypot(X + 30, Y), height=3.0)),
    "short bank": straight(27.0, length=2.0 * 2.0 * HALF_FOOT),
    "low bank": straight(27.0, height=0.4),
    "wall": np.where(Y > 0.35 * X, 2.0, 0.0),
    "valley side": 0.002 * Y**2,
    "valley": np.abs(X * 0.9 + Y * 0.4) * STEEP,
    "ditch": -profile(X * 0.9 + Y * 0.4),
    "dome": 15.0 - 0.002 * (X**2 + Y**2),
    "broad ridge": -0.1 * np.abs(X * 0.9 + Y * 0.4),
    "low broad swell": 2.0 * np.cos(X / 25.0),
}


@pytest.mark.parametrize("name", NEAR_MISSES)
@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_near_misses(name: str, noise: float) -> None:
    z = NEAR_MISSES[name] + np.random.default_rng(4).normal(0.0, 1.0, (SIZE, SIZE)) * noise
    assert [(round(b.length_m), round(b.height_m, 2)) for b in berms_of(z)] == []


@pytest.mark.parametrize("seed", range(5))
def test_noise_alone(seed: int) -> None:
    z = np.random.default_rng(seed).normal(0.0, 0.05, (SIZE, SIZE))
    assert berms_of(z) == []
    smooth = ndimage.gaussian_filter(z, 2.0)
    assert berms_of(smooth * (0.05 / smooth.std())) == []


def test_settings_are_obeyed() -> None:
    z = straight(27.0)
    assert berms_of(z, settings=replace(SETTINGS, berm_height_m=1.9))
    assert not berms_of(z, settings=replace(SETTINGS, berm_height_m=2.1))
    assert berms_of(z, settings=replace(SETTINGS, berm_elongation=10.5))
    assert not berms_of(z, settings=replace(SETTINGS, berm_elongation=12.0))
    assert berms_of(z, settings=replace(SETTINGS, berm_width_m=18.0))
    assert not berms_of(z, settings=replace(SETTINGS, berm_width_m=14.0))


def as_rows(berms: list[Berm]) -> list[tuple[float, ...]]:
    return [
        (b.length_m, b.height_m, b.width_m, b.crest_width_m, b.volume_m3, b.cells.size, b.closed)
        for b in sorted(berms, key=lambda b: (round(b.length_m, 3), b.volume_m3))
    ]


def test_turned_grids_give_the_same_berms(ground: Callable) -> None:
    z = ground("village_scarp_1m").z[250:650, 450:850]
    first = as_rows(berms_of(z, 1.0, 1.0))
    assert len(first) >= 3
    for way in ALL:
        again = as_rows(berms_of(turned(z, way), *sides(1.0, 1.0, way)))
        np.testing.assert_allclose(again, first, rtol=1e-6)


@pytest.mark.parametrize("way", ALL)
def test_turned_prism_on_oblong_cells(way: int) -> None:
    """Cells of 1 m by 1.25 m. Left and right turn with the ground, and change places in a mirror."""
    row, col = np.mgrid[:200, :240]
    x, y = (col - 120.2) * 1.0, (100.4 - row) * 1.25
    c, s = math.cos(math.radians(27.0)), math.sin(math.radians(27.0))
    along, across = x * c + y * s, y * c - x * s
    z = np.where(np.abs(along) <= 0.5 * LENGTH, profile(across), 0.0) - 0.03 * along + 0.05 * across
    berm = only(berms_of(turned(z, way), *sides(1.0, 1.25, way)))
    assert_measures(berm)
    hv = [1.0 / (1.0 / HV + 0.05), 1.0 / (1.0 / HV - 0.05)]
    # Going down the line, the ground rises to the left: that face is the shorter and flatter.
    left, right = (hv[1], hv[0]) if way < 4 else (hv[0], hv[1])
    assert (berm.left.hv, berm.right.hv) == pytest.approx((left, right), abs=0.1)


def rough_ground(seed: int) -> Array:
    """Ridges and hollows about 15 m wide and 1 m high, every which way."""
    rough = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=(300, 300)), 4.0)
    return rough / rough.std()


def test_feet() -> None:
    """The same ground on a grid in feet: figures in metres do not change."""
    z = rough_ground(1)
    p, q = horn(z, 1.0, 1.0)
    metres = find_berms(z, p, q, grid_of(z), SETTINGS)
    feet = find_berms(z, p, q, grid_of(z, metres_per_unit=0.3048), SETTINGS)
    assert len(metres) >= 5
    np.testing.assert_allclose(as_rows(feet), as_rows(metres), rtol=1e-9)


def test_windows_do_not_matter(ground: Callable) -> None:
    """A berm that lies `reach_m` inside two windows is the same in both."""
    z = ground("village_scarp_1m").z
    settings = replace(SETTINGS, berm_width_m=25.0)
    reach = int(reach_m(settings))
    tops, lefts, size = (0, 150, 290), (0, 130, 300), 700
    found = {}
    compared = 0
    for top in tops:
        for left in lefts:
            for berm in berms_of(z[top : top + size, left : left + size], settings=settings):
                row, col = np.divmod(berm.cells, size)
                if min(row.min(), col.min()) < reach or max(row.max(), col.max()) >= size - reach:
                    continue
                name = tuple((row + top) * 1000 + col + left)
                figures = [berm.length_m, berm.height_m, berm.volume_m3, berm.left.hv, berm.right.hv]
                found.setdefault(min(name), []).append((name, figures))
    for same in found.values():
        for name, figures in same[1:]:
            compared += 1
            assert name == same[0][0]
            assert figures == pytest.approx(same[0][1], rel=1e-6)
    assert compared >= 10


def test_embankment(ground: Callable) -> None:
    """The bank 7 to 8 m high: asked of the ground by hand along the rails, then of the berms.

    The bank runs along columns near row 187. A column belongs to it where the highest of rows 178 to 196 stands over
    5 m above the lowest of the 20 rows above and of the 20 rows below it.
    """
    site = ground("embankment_2m")
    berms = berms_of(site.z, site.dx, site.dy)
    crest = site.z[178:197].max(axis=0)
    higher = np.maximum(site.z[158:178].min(axis=0), site.z[197:217].min(axis=0))
    bank = np.flatnonzero(crest - higher > 5.0)
    bank = bank[(bank > 100) & (bank < 380)]
    covered: set[int] = set()
    heights = []
    for berm in berms:
        inside = (berm.crest[:, 0] > 178) & (berm.crest[:, 0] < 197)
        covered |= set(np.rint(berm.crest[inside, 1]).astype(int))
        if berm.length_m > 300.0:
            on_bank = inside & np.isin(np.rint(berm.crest[:, 1]).astype(int), bank)
            heights.append(berm.heights[on_bank].mean(axis=1))
    assert len(covered & set(bank)) >= 0.9 * len(bank)
    assert 7.0 <= np.median(np.concatenate(heights)) <= 8.0
    print("bank", len(bank) * 2, "m;", [(round(b.length_m), round(b.height_m, 1)) for b in berms[:3]])


def test_village(ground: Callable) -> None:
    """Road and track embankments are found; the edge of the wooded scarp, 35 m high, is none.

    The scarp is asked of the ground by hand: cells from which it falls more than 15 m within 40 m to one side, and
    does not fall 0.25 m within 25 m to the other.
    """
    z = ground("village_scarp_1m").z
    berms = berms_of(z)
    assert 10 <= len(berms) <= 60
    print(len(berms), "berms,", round(sum(b.length_m for b in berms)), "m")
    edge = np.zeros(z.shape, bool)
    for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
        for way in (1, -1):
            unit = way / math.hypot(dr, dc)
            far = np.roll(z, (-round(40 * dr * unit), -round(40 * dc * unit)), (0, 1))
            back = np.min(
                [np.roll(z, (round(k * dr * unit), round(k * dc * unit)), (0, 1)) for k in range(1, 26)], axis=0
            )
            edge |= (z - far > 15.0) & (z - back < 0.25)
    edge[:45], edge[-45:], edge[:, :45], edge[:, -45:] = False, False, False, False
    assert edge.sum() > 1000
    row, col = np.rint(np.concatenate([b.crest for b in berms])).astype(int).T
    assert edge[row, col].mean() < 0.02


@pytest.mark.parametrize("degrees", [0.0, 27.0])
def test_earthwork_by_average_end_areas(degrees: float) -> None:
    """A berm whose crest rises from 1.0 to 3.0 m over 160 m, faces of 2:1 on its left and 4:1 on its right, top 3 m.

    By hand, as earthwork is measured (arithmetic). A section is h * (3 + h * (2 + 4) / 2) = 3 h + 3 h^2: 6 m2 at the
    low end, 18 in the middle, 36 at the high end. Average end areas over 160 m give (6 + 36) / 2 * 160 = 3 360 m3; the
    prismoidal rule, exact for this form, (6 + 4 * 18 + 36) / 6 * 160 = 3 040. Mean height 2 m; between the toes
    3 + 6 h = 15 m in the middle.
    """
    x, y = plan()
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    along, across = x * c + y * s, y * c - x * s
    height = 2.0 + along / 80.0
    faces = np.where(across > 0.0, (across - 1.5) / 2.0, (-across - 1.5) / 4.0)
    z = np.where(np.abs(along) <= 80.0, np.clip(height - np.maximum(faces, 0.0), 0.0, None), 0.0)
    berm = only(berms_of(z))
    by_hand, prismoid = (6.0 + 36.0) / 2.0 * 160.0, (6.0 + 4.0 * 18.0 + 36.0) / 6.0 * 160.0
    assert abs(berm.volume_m3 - prismoid) < 0.02 * prismoid
    assert berm.volume_m3 < by_hand
    assert abs(berm.length_m - 160.0) < 2.0
    assert abs(berm.height_m - 2.0) < 0.05
    assert abs(berm.width_m - 15.0) < 1.5
    assert abs(berm.crest_width_m - 3.0) < 1.0
    assert sorted([berm.left.hv, berm.right.hv]) == pytest.approx([2.0, 4.0], abs=0.15)
