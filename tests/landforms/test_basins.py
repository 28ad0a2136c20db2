"""Basins: closed forms, published pond geometry as made ground, and a dammed channel on real ground."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import ndimage
from turns import ALL, turned

from slopekit.grid import Grid
from slopekit.kernels.gradient import horn
from slopekit.landforms.basins import NO_PARENT, Basin, basin_mask, find_basins, floor_mask
from slopekit.landforms.settings import LandformSettings
from slopekit.runout.hollows import open_floors
from slopekit.runout.settings import RunoutSettings
from slopekit.terrain.settings import TerrainSettings

pytestmark = pytest.mark.reference

TOP = 20.0
FOOT = 0.3048  # m, international yard and pound agreement (1959)


def found(
    z: np.ndarray, water: np.ndarray | None = None, metres: float = 1.0, cell: float = 1.0, **settings: float
) -> list[Basin]:
    """Basins of ground with cells of `cell` m, on a grid in units of `metres`."""
    rows, cols = z.shape
    grid = Grid(rows, cols, 0.0, rows * cell / metres, cell / metres, cell / metres, "", metres)
    p, q = horn(z, grid.dx, grid.dy)
    none = np.zeros(z.shape, bool)
    return find_basins(z, p, q, grid, none if water is None else water, LandformSettings(**settings), RunoutSettings())  # type: ignore[arg-type]


def the_one(z: np.ndarray, **settings: float) -> Basin:
    (basin,) = found(z, **settings)
    return basin


def plan(
    size: int, turn_deg: float = 0.0, at: tuple[float, float] = (0.0, 0.0), cell: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Distances (m) to the right and down from the middle of a square of `size` cells, on axes that are turned."""
    a = math.radians(turn_deg)
    y, x = (np.mgrid[:size, :size] - (size - 1) / 2.0) * cell
    x, y = x - at[0], y - at[1]
    return x * math.cos(a) + y * math.sin(a), y * math.cos(a) - x * math.sin(a)


def around(size: int, cell: float = 1.0) -> np.ndarray:
    """Ground at TOP in the middle that rises by 1 % toward the right: water gets out on the left."""
    return TOP + 0.01 * plan(size, cell=cell)[0]


def off_rectangle(x: np.ndarray, y: np.ndarray, length: float, width: float) -> np.ndarray:
    """How far (m) a place lies outside a rectangle, along the axis on which it lies farther: sides meet in mitres."""
    return np.maximum(np.maximum(np.abs(x) - length / 2.0, np.abs(y) - width / 2.0), 0.0)


def pond(size: int, length: float, width: float, depth: float, hv: float, turn: float = 0.0) -> np.ndarray:
    """A basin of level bottom, `depth` (m) below the ground in the middle, and sides of `hv` to 1."""
    return np.minimum(around(size), TOP - depth + off_rectangle(*plan(size, turn), length, width) / hv)


def prismoid(length: float, width: float, depth: float, hv: float) -> float:
    """Volume by the prismoidal formula, exact for plane sides: depth / 6 (bottom + 4 middle + top)."""
    areas = [(length + 2.0 * hv * h) * (width + 2.0 * hv * h) for h in (0.0, depth / 2.0, depth)]
    return depth / 6.0 * (areas[0] + 4.0 * areas[1] + areas[2])


@pytest.mark.parametrize(("turn", "hv"), [(0.0, 3.0), (30.0, 3.0), (17.0, 4.0), (45.0, 2.0)])
def test_rectangular_basin(turn: float, hv: float) -> None:
    basin = the_one(pond(121, 50.0, 31.0, 2.0, hv, turn))
    depth = basin.depth_m
    assert depth == pytest.approx(TOP - 0.01 * (25.0 + hv * 2.0) - (TOP - 2.0), abs=0.1)  # the ground falls by 1 %
    length, width = 50.0 + 2.0 * hv * depth, 31.0 + 2.0 * hv * depth
    assert basin.volume_m3 == pytest.approx(prismoid(50.0, 31.0, depth, hv), rel=0.01)
    assert basin.area_m2 == pytest.approx(length * width, rel=0.02)
    assert basin.perimeter_m == pytest.approx(2.0 * (length + width), rel=0.01)
    assert basin.side.hv_median == pytest.approx(hv, abs=0.1)
    assert basin.side.hv_p90 == pytest.approx(hv, abs=0.1)
    assert basin.side.hv_steepest == pytest.approx(hv, abs=0.1)
    reach = hv * 0.5
    assert basin.floor.area_m2 == pytest.approx((50.0 + 2.0 * reach) * (31.0 + 2.0 * reach), rel=0.05)
    assert basin.floor.slope_deg == pytest.approx(0.0, abs=1e-6)
    assert basin.floor.soft_m2 == pytest.approx(50.0 * 31.0, rel=0.05)
    for level in basin.stages:
        assert level.volume_m3 == pytest.approx(prismoid(50.0, 31.0, level.stage_m, hv), rel=0.01, abs=0.5)
    assert len(basin.stages) == 11
    assert basin.stages[0] == (0.0, basin.low_m, 0.0, 0.0)
    assert basin.stages[-1].volume_m3 == pytest.approx(basin.volume_m3, rel=1e-9)
    assert basin.stages[-1][1:3] == (basin.spill_m, basin.area_m2)
    assert not basin.cut and not basin.beside_void and not basin.wet and basin.parent == NO_PARENT
    assert basin.shape.rectangularity == pytest.approx(1.0, abs=0.08)
    assert basin.shape.side_regularity > 0.9
    assert basin.shape.built_likeness > 0.85
    assert basin_mask(basin).sum() == basin.area_m2 and floor_mask(basin).sum() == basin.floor.area_m2


def test_spill_point() -> None:
    # The lowest ground round the basin is at the middle of its left side.
    basin = the_one(pond(121, 50.0, 30.0, 2.0, 3.0))
    row, col = basin.spill_cell
    assert abs(col - (60.0 - 25.0 - 3.0 * basin.depth_m)) <= 1.5
    assert basin.spill_xy == (col + 0.5, 121 - row - 0.5)


@pytest.mark.parametrize("hv", [4.0, 6.0])
def test_cone(hv: float) -> None:
    basin = the_one(np.minimum(around(161), TOP - 6.0 + np.hypot(*plan(161, at=(0.3, 0.1))) / hv))
    height = basin.spill_m - (TOP - 6.0)
    assert basin.volume_m3 == pytest.approx(math.pi * (hv * height) ** 2 * height / 3.0, rel=0.01)
    assert basin.area_m2 == pytest.approx(math.pi * (hv * height) ** 2, rel=0.01)
    assert basin.perimeter_m == pytest.approx(2.0 * math.pi * hv * height, rel=0.02)
    assert basin.side.hv_median == pytest.approx(hv, abs=0.1)
    assert basin.shape.rectangularity == pytest.approx(math.pi / 4.0, abs=0.03)


def test_paraboloid() -> None:
    z = np.minimum(around(161), TOP - 3.0 + 3.0 * (np.hypot(*plan(161, at=(0.3, 0.1))) / 50.0) ** 2)
    basin = the_one(z)
    height = basin.spill_m - (TOP - 3.0)
    area = math.pi * 50.0**2 * height / 3.0
    assert basin.area_m2 == pytest.approx(area, rel=0.01)
    assert basin.volume_m3 == pytest.approx(area * height / 2.0, rel=0.01)
    for level in basin.stages[2:]:  # volume grows with the square of the stage
        assert level.volume_m3 == pytest.approx(math.pi * 50.0**2 / 3.0 * level.stage_m**2 / 2.0, rel=0.02)
    # Grade 6 r / 2500: the steepest at the rim. The side begins where it is steeper than 5 degrees.
    rim = 50.0 * math.sqrt(height / 3.0)
    assert basin.side.hv_steepest == pytest.approx(2500.0 / 6.0 / rim, abs=0.3)
    gentle = math.tan(math.radians(5.0)) * 2500.0 / 6.0
    assert basin.side.area_m2 == pytest.approx(math.pi * (rim**2 - gentle**2), rel=0.03)
    middle = math.sqrt((rim**2 + gentle**2) / 2.0)
    assert basin.side.hv_median == pytest.approx(2500.0 / 6.0 / middle, abs=0.1)


def test_notch_in_the_rim() -> None:
    # A ditch with a level bed, 0.8 m below the ground, lets the water out: the basin is full at its bed.
    z = pond(121, 40.0, 30.0, 2.0, 3.0)
    x, y = plan(121)
    z[(np.abs(y) <= 1.0) & (x < 0)] = np.minimum(z, TOP - 0.8 + 0.001 * x)[(np.abs(y) <= 1.0) & (x < 0)]
    basin = the_one(z)
    assert basin.spill_m == pytest.approx(TOP - 0.8, abs=0.05)
    assert basin.volume_m3 == pytest.approx(prismoid(40.0, 30.0, basin.depth_m, 3.0), rel=0.01)
    assert abs(basin.spill_cell[0] - 60) <= 1


def nested(bank: float) -> np.ndarray:
    """A hollow of 80 x 60 m, 3 m deep, with a pond on its floor: 1.5 m deeper, behind a bank of `bank` (m)."""
    size = 181
    z = pond(size, 80.0, 60.0, 3.0, 4.0)
    off = off_rectangle(*plan(size, at=(-10.0, 0.0)), 16.0, 12.0)
    inside = TOP - 4.5 + off / 3.0
    outside = TOP - 3.0 + bank - (off - 3.0 * (1.5 + bank)) / 3.0
    return np.where(
        off <= 3.0 * (1.5 + bank), np.minimum(inside, np.maximum(z, TOP - 3.0 + bank)), np.maximum(z, outside)
    )


def test_pond_inside_a_hollow() -> None:
    outer, inner = found(nested(0.5))
    assert (outer.number, outer.parent, inner.number, inner.parent) == (1, NO_PARENT, 2, 1)
    assert inner.depth_m == pytest.approx(2.0, abs=0.05)
    assert inner.volume_m3 == pytest.approx(prismoid(16.0, 12.0, inner.depth_m, 3.0), rel=0.01)
    assert outer.low_m == inner.low_m
    bank = prismoid(28.0, 24.0, 0.5, 3.0) - prismoid(25.0, 21.0, 0.5, 3.0)
    below, above = prismoid(16.0, 12.0, 1.5, 3.0), prismoid(80.0, 60.0, outer.depth_m - 1.5, 4.0)
    assert outer.volume_m3 == pytest.approx(below + above - bank, rel=0.01)
    whole = np.zeros((181, 181), bool)
    whole[outer.window.slices] = basin_mask(outer)
    assert (basin_mask(inner) & ~whole[inner.window.slices]).sum() == 0


@pytest.mark.parametrize("way", ALL)
def test_two_ponds_behind_banks_on_one_floor(way: int) -> None:
    # The floor round them, which fills by itself at first and then with the one and the other, is no basin.
    z = np.full((60, 80), TOP) + 0.01 * np.arange(80)
    z[5:55, 5:75] = 10.0
    z[19:33, 19:33], z[20:32, 20:32] = 11.0, 8.0
    z[19:33, 44:58], z[20:32, 45:57] = 10.6, 9.5
    basins = found(turned(z, way))
    got = sorted((b.spill_m, basins[b.parent - 1].spill_m if b.parent else 0.0, b.area_m2) for b in basins)
    assert got == [(10.6, TOP + 0.04, 144.0), (11.0, TOP + 0.04, 144.0), (TOP + 0.04, 0.0, 3500.0)]


def test_small_pits_inside_a_basin_are_none() -> None:
    # A low bank (0.1 m) round the pond, and pits of one cell on floor and sides: one basin, down to the same depth.
    z = nested(0.1)
    z[40:140:7, 40:140:9] -= 0.2
    basin = the_one(z)
    assert basin.depth_m == pytest.approx(4.5, abs=0.8)


def test_joint_basins_hardly_higher_than_another_are_left_out() -> None:
    # Three pools in a row, sills at 1.5 and 1.6 m, all spill at 1.7 m: three pools and the whole, not a pair between.
    z = np.full((30, 70), TOP) + 0.01 * np.arange(70)
    z[5:25, 5:25], z[5:25, 26:45], z[5:25, 46:65] = 10.0, 10.1, 10.2
    z[5:25, 25], z[5:25, 45], z[10, 65:] = 11.5, 11.6, 11.7
    basins = found(z)
    assert [(b.parent, round(b.spill_m, 3)) for b in basins] == [(0, 11.7), (1, 11.5), (1, 11.5), (1, 11.6)]
    z[10, 65:] = 12.0  # 0.4 m above the pair: now it is a basin of its own
    assert sorted(round(b.spill_m, 3) for b in found(z)) == [11.5, 11.5, 11.6, 11.6, 12.0]


def test_limits() -> None:
    z = pond(81, 20.0, 10.0, 0.8, 3.0)
    basin = the_one(z)
    assert the_one(z, basin_depth_m=basin.depth_m) == basin == the_one(z, basin_area_m2=basin.area_m2)
    assert found(z, basin_depth_m=basin.depth_m + 1e-5) == []
    assert found(z, basin_area_m2=basin.area_m2 + 1e-3) == []
    assert len(the_one(z, stage_levels=25).stages) == 26


def test_cut_by_the_border() -> None:
    # The border runs through the right-hand side of the basin, 1.2 m above the bottom: full there, and cut.
    z = pond(121, 50.0, 30.0, 2.0, 3.0)
    edge = 60 + 25 + round(3.0 * 1.2)
    basin = the_one(z[:, : edge + 1])
    assert basin.cut
    assert basin.spill_cell[1] == edge
    height = 4.0 / 3.0  # the side at column `edge`, 4 m off the bottom
    assert basin.depth_m == pytest.approx(height, abs=1e-6)
    assert basin.volume_m3 == pytest.approx(prismoid(50.0, 30.0, height, 3.0), rel=0.01)
    # A void instead of the border.
    z[:, edge + 1 :] = np.nan
    other = the_one(z)
    assert other.beside_void and not other.cut
    assert other.volume_m3 == basin.volume_m3


def test_water_in_a_basin() -> None:
    z = pond(121, 50.0, 30.0, 2.0, 3.0)
    water = z <= TOP - 1.5
    (basin,) = found(z, water)
    assert basin.wet and basin.water_m2 == water.sum()
    assert basin.floor.soft_m2 == 0.0 and math.isnan(basin.shape.floor_flatness)
    assert basin.side.hv_median == pytest.approx(3.0, abs=0.1)
    assert found(z, z < the_one(z).spill_m) == []  # nothing but water


def test_steeper_shares() -> None:
    # Three sides of 5:1 and the right one of 2.5:1.
    size, depth = 161, 3.0
    x, y = plan(size)
    off = np.maximum(np.maximum(-x - 30.0, np.abs(y) - 20.0) / 5.0, (x - 30.0) / 2.5)
    basin = the_one(np.minimum(around(size), TOP - depth + np.maximum(off, 0.0)))
    d = basin.depth_m
    steep = sum(2.5 * h * k * (40.0 + 2.0 * 5.0 * h / 2.0) for h, k in ((d, 1.0), (0.5, -1.0)))
    left = sum(5.0 * h * k * (40.0 + 2.0 * 5.0 * h / 2.0) for h, k in ((d, 1.0), (0.5, -1.0)))
    long = sum(2.0 * 5.0 * h * k * (60.0 + 7.5 * h / 2.0) for h, k in ((d, 1.0), (0.5, -1.0)))
    share = steep / (steep + left + long)
    assert basin.side.over_4_1 == pytest.approx(share, abs=0.03)
    assert basin.side.over_3_1 == pytest.approx(share, abs=0.03)
    assert basin.side.over_2_1 == 0.0
    assert basin.side.hv_median == pytest.approx(5.0, abs=0.1)
    assert basin.side.hv_steepest == pytest.approx(2.5, abs=0.1)


def test_path_down() -> None:
    # Sides of 2.5:1 and, on the upper side, a ramp of 1:8 that is 9 m wide between walls.
    size = 161
    z = pond(size, 40.0, 30.0, 2.0, 2.5)
    x, y = plan(size)
    ramp = (np.abs(x) <= 4.5) & (y < 0)
    z[ramp] = np.minimum(around(size), TOP - 2.0 + np.maximum(-y - 15.0, 0.0) / 8.0)[ramp]
    lengths = [the_one(z, approach_percent=limit).approach_m for limit in (5.0, 12.0, 13.0, 25.0, 39.0, 41.0, 100.0)]
    assert lengths[:2] == [0.0, 0.0]
    assert lengths[2] == pytest.approx(9.0, abs=3.0)  # the walls tilt the cells beside them
    assert lengths == sorted(lengths)
    basin = the_one(z)
    assert lengths[3] == basin.approach_m < 12.0
    assert lengths[5] > 0.75 * basin.perimeter_m
    # A step across the ramp and there is no path down.
    z[(np.abs(x) <= 6.0) & (y < -22.0)] += 0.7
    assert the_one(z).approach_m == 0.0


# Published pond geometry, made up as dry basins of 30 x 20 m bottom: what the sources lay down is the profile. Cells
# of 0.25 m, since Horn's window rounds the edges of a bench by a cell to either side.


def profile(runs: list[tuple[float, float]], **settings: float) -> Basin:
    """A basin whose side, from the bottom up, runs for (m, on the map) at a grade (rise over run) each."""
    size, cell = 400, 0.25
    off = off_rectangle(*plan(size, cell=cell), 30.0, 20.0)
    at = np.concatenate([[0.0], np.cumsum([run for run, _ in runs])])
    height = np.concatenate([[0.0], np.cumsum([run * grade for run, grade in runs])])
    z = np.minimum(around(size, cell), TOP - height[-1] + np.interp(off, at, height))
    return the_one(z, cell=cell, **settings)


def ring(inner: float, outer: float) -> float:
    """Area (m2) between the outlines `inner` and `outer` (m) off the bottom."""
    return (30.0 + 2.0 * outer) * (20.0 + 2.0 * outer) - (30.0 + 2.0 * inner) * (20.0 + 2.0 * inner)


def test_unfenced_basin_of_6_to_1() -> None:
    # Cass County ND subdivision rules (2022), p. 103: sides of unfenced basins at most 6:1.
    basin = profile([(18.0, 1.0 / 6.0)])
    assert basin.side.hv_median == pytest.approx(6.0, abs=0.1)
    assert basin.side.hv_steepest == pytest.approx(6.0, abs=0.1)
    assert basin.side.over_4_1 == 0.0
    assert basin.approach_m == pytest.approx(basin.perimeter_m, rel=1e-9)  # 16.7 % all round


def test_sides_of_3_to_1_and_a_ledge() -> None:
    # Tolono IL Ord. 97-7, 5.19(E): pond sides 3:1 down to 4 ft of water, then a 10 ft level ledge. Made up: the bottom
    # 2 m below the ledge, 3:1 too, and a rim at the level of the water.
    deep, ledge = 4.0 * FOOT, 10.0 * FOOT
    basin = profile([(6.0, 1.0 / 3.0), (ledge, 0.0), (3.0 * deep, 1.0 / 3.0)])
    assert basin.side.hv_median == pytest.approx(3.0, abs=0.1)
    assert basin.side.hv_steepest == pytest.approx(3.0, abs=0.1)
    assert basin.approach_m == 0.0  # 33 % all round
    rim = 6.0 + ledge + 3.0 * (basin.depth_m - 2.0)
    assert basin.side.area_m2 == pytest.approx(ring(1.5, 6.0) + ring(6.0 + ledge, rim), rel=0.05)


def test_benches_of_15_feet_at_10_percent() -> None:
    # Philadelphia Water Dept Stormwater Manual F.13.2, 11: two benches, 15 ft together, each at most 10 %, one above
    # and one below the water. Made up: the sides of 3:1 beyond them.
    bench = 15.0 * FOOT
    basin = profile([(6.0, 1.0 / 3.0), (bench, 0.10), (6.0, 1.0 / 3.0)])
    rim = 6.0 + bench + 3.0 * (basin.depth_m - 2.0 - 0.1 * bench)
    steep, flat = ring(1.5, 6.0) + ring(6.0 + bench, rim), ring(6.0, 6.0 + bench)
    # At 10 % = 5.7 degrees a bench is side, not gentle ground; the rest of the side is steeper than 4:1.
    assert basin.side.area_m2 == pytest.approx(steep + flat, rel=0.02)
    assert basin.side.over_4_1 == pytest.approx(steep / (steep + flat), abs=0.03)
    assert basin.approach_m == 0.0
    # A limit of 10 % lets a machine on the bench, but not down from it; with 10 % all the way it does.
    assert profile([(6.0, 1.0 / 3.0), (bench, 0.10), (6.0, 0.10)], approach_percent=10.0).approach_m == 0.0
    gentle = profile([(6.0, 0.10), (bench, 0.10), (6.0, 0.10)], approach_percent=10.0)
    assert gentle.approach_m == pytest.approx(gentle.perimeter_m, rel=1e-9)


def figures(basins: list[Basin]) -> np.ndarray:
    """One row a basin, free of numbers and places."""
    rows = []
    for b in basins:
        parent = basins[b.parent - 1].spill_m if b.parent else -1.0
        side, floor, shape = b.side, b.floor, b.shape
        row = [b.low_m, b.spill_m, parent, b.area_m2, b.volume_m3, b.perimeter_m, b.approach_m, b.water_m2, b.cut]
        row += [side.area_m2, side.hv_median, side.hv_p90, side.hv_steepest, side.over_4_1, side.over_2_1]
        row += [floor.area_m2, floor.slope_deg, floor.soft_m2, shape.rectangularity, shape.built_likeness]
        row += [v for level in b.stages for v in level]
        rows.append(tuple(np.nan_to_num(row, nan=-1.0).round(5).tolist()))
    return np.array(sorted(rows))


def hills(size: int) -> np.ndarray:
    return 25.0 * ndimage.gaussian_filter(np.random.default_rng(12).normal(size=(size, size + 30)), 7.0)


@pytest.mark.parametrize("way", ALL)
def test_free_of_the_way_the_grid_lies(way: int) -> None:
    z = hills(300)
    water = ndimage.gaussian_filter(np.random.default_rng(2).normal(size=z.shape), 9.0) > 0.04
    basins = found(z, water)
    assert len(basins) > 30 and any(b.parent for b in basins) and any(b.cut for b in basins)
    np.testing.assert_allclose(figures(found(turned(z, way), turned(water, way))), figures(basins), atol=2e-5)
    assert [b.low_cell for b in basins] == sorted(b.low_cell for b in basins)


def test_a_grid_in_feet() -> None:
    z = hills(150)
    np.testing.assert_allclose(figures(found(z, metres=FOOT)), figures(found(z)), atol=2e-5)


def test_nothing_to_find() -> None:
    assert found(np.add.outer(np.arange(20.0), np.arange(30.0))) == []
    assert found(np.full((5, 6), np.nan)) == []


def test_dammed_channel(ground: Callable) -> None:
    # The ground's own description: flat farmland with a 1.6 ha channel, 1.6 m deep, dammed by a bank.
    g = ground("farmland_channel_1m")
    p, q = horn(g.z, g.dx, g.dy)
    grid = Grid(*g.z.shape, 0.0, 0.0, g.dx, g.dy, "")
    basins = find_basins(g.z, p, q, grid, np.zeros(g.z.shape, bool), LandformSettings(), RunoutSettings())
    channel = max(basins, key=lambda b: b.area_m2)
    assert channel.area_m2 == pytest.approx(16_000.0, rel=0.05)
    assert channel.depth_m == pytest.approx(1.6, abs=0.05)
    assert not channel.cut and channel.parent == NO_PARENT
    assert channel.shape.rectangularity < 0.5


@pytest.mark.parametrize(("name", "least"), [("village_scarp_1m", 50), ("embankment_2m", 150)])
def test_on_real_ground(ground: Callable, name: str, least: int) -> None:
    # Against scipy: with the hollow filled to the spill level, the cells that are connected to the lowest one. And
    # floors against those that refuse machines.
    g = ground(name)
    p, q = horn(g.z, g.dx, g.dy)
    grid = Grid(*g.z.shape, 0.0, 0.0, g.dx, g.dy, "")
    basins = find_basins(g.z, p, q, grid, np.zeros(g.z.shape, bool), LandformSettings(), RunoutSettings())
    assert len(basins) > least
    floors = open_floors(g.z, grid.cell_m2, TerrainSettings(), RunoutSettings())
    for b in basins:
        row, col = b.window.row, b.window.col
        view = np.s_[row - 1 : row + b.window.height + 1, col - 1 : col + b.window.width + 1]
        label, _ = ndimage.label(g.z[view] < b.spill_m, np.ones((3, 3)))
        pool = (label == label[b.low_cell[0] - row + 1, b.low_cell[1] - col + 1])[1:-1, 1:-1]
        np.testing.assert_array_equal(basin_mask(b), pool)
        z = g.z[b.window.slices][pool]
        assert b.depth_m == pytest.approx(b.spill_m - z.min(), abs=1e-9)
        assert b.volume_m3 == pytest.approx(float((b.spill_m - z).sum()) * grid.cell_m2, rel=1e-9)
        assert b.depth_m >= 0.3 - 1e-6 and b.area_m2 >= 50.0
        floor = floor_mask(b)
        assert floor[b.low_cell[0] - row, b.low_cell[1] - col] and not (floor & ~pool).any()
        assert not (floor & ~floors[b.window.slices]).any()
