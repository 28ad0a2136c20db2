"""Hollows that the border of the look cuts: the answer is the one that all ground within 2 km gives.

The made grounds follow from the definitions (arithmetic): what is read in the end holds all of them.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.transform import Affine
from scipy import ndimage

from slopekit.fleet.model import Fleet
from slopekit.grid import Bounds, Grid, grown
from slopekit.permits.judge import working_head_m
from slopekit.runout import around
from slopekit.runout.around import Around
from slopekit.runout.floors import floors_of
from slopekit.runout.hollows import open_floors
from slopekit.runout.run_out import BASIN
from slopekit.runout.settled import same_refusals
from slopekit.screening.ground import WindowGround, look_round, read_ground, start_cells, wider_of
from slopekit.sources import highest
from slopekit.sources.elevation import Elevation, Patch, open_elevation
from slopekit.sources.layers import Layers

pytestmark = pytest.mark.property

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

WEST, NORTH = 500_000.0, 4_100_000.0


def elevation_of(path: Path, z: Array, cell: float = 1.0, **options: Any) -> Elevation:
    transform = Affine(cell, 0.0, WEST, 0.0, -cell, NORTH)
    profile = {"driver": "GTiff", "dtype": "float64", "count": 1, "nodata": np.nan, "crs": "EPSG:32617"}
    with rasterio.open(path, "w", height=z.shape[0], width=z.shape[1], transform=transform, **profile) as out:
        out.write(z, 1)
        out.units = ("metre",)
    return open_elevation([path], **options)


def box(col: float, row: float, width: float, height: float) -> shapely.Polygon:
    return shapely.box(WEST + col, NORTH - row - height, WEST + col + width, NORTH - row)


def fleet_of(look_m: float = 40.0, max_margin_m: float = 2000.0, speed_kmh: float = 8.0) -> Fleet:
    ride_on = {"class": "ride-on", "width_m": 1.5, "speed_kmh": speed_kmh, "across_deg": 20.0, "up_down_deg": 20.0}
    return Fleet.model_validate(
        {
            "schema": 1,
            "runout": {"look_m": look_m},
            "terrain": {"max_margin_m": max_margin_m},
            "conditions": {"dry": {"friction": 0.35}, "wet": {"friction": 0.2}},
            "machines": {"ride_on": {**ride_on, "roll_bar": "fixed", "ground_pressure_kpa": 80.0}},
        }
    )


@dataclass
class Reads:
    """How far from `region` (CRS units) ground was read, m."""

    region: Bounds
    farthest: float = 0.0


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> Callable[[shapely.Geometry], Reads]:
    def watch(region: shapely.Geometry) -> Reads:
        seen = Reads(region.bounds)
        read = Elevation.read

        def counted(self: Elevation, bounds: Bounds, pad: int = 0) -> Patch:
            ways = [abs(a - b) for a, b in zip(bounds, seen.region, strict=True)]
            seen.farthest = max(seen.farthest, *ways)
            return read(self, bounds, pad)

        monkeypatch.setattr(Elevation, "read", counted)
        return seen

    return watch


def looked(elevation: Elevation, region: shapely.Geometry, fleet: Fleet, *others: shapely.Geometry) -> WindowGround:
    """The look round a region, in ground that was read for others too."""
    return look_round(read_ground(elevation, [region, *others], fleet), region, Layers(), fleet, elevation)


def basin_refused(window: WindowGround, region: shapely.Geometry, fleet: Fleet) -> Bool:
    """Cells asked about that the floor of a hollow refuses to the ride-on, under any condition."""
    head = window.run.head(BASIN).min(axis=0)
    asked = start_cells(region, window.surface.grid, fleet)[window.run.view.slices]
    return asked & (head <= working_head_m(fleet.machines["ride_on"]))


def in_all_ground(elevation: Elevation, grid: Grid) -> Bool:
    """Floors on the cells of a window, from a flood of the whole survey."""
    pad = max(grid.shape)
    row, col = grid.offset_on(elevation.survey.working)
    wide = np.pad(whole(elevation), pad)
    return wide[row + pad : row + pad + grid.height, col + pad : col + pad + grid.width]


@cache
def whole(elevation: Elevation) -> Bool:
    survey = elevation.survey
    patch = elevation.read(survey.grid.bounds)
    rows, cols = survey.working.shape
    z = np.full((rows * survey.block, cols * survey.block), np.nan)
    z[: patch.z.shape[0], : patch.z.shape[1]] = patch.z
    z = z.reshape(rows, survey.block, cols, survey.block).mean(axis=(1, 3))
    fleet = fleet_of()
    return open_floors(z, survey.working.cell_m2, fleet.terrain, fleet.runout)


def same_as_in_all_ground(elevation: Elevation, window: WindowGround, region: shapely.Geometry, fleet: Fleet) -> bool:
    top, grid = window.surface, window.surface.grid
    none = np.zeros(grid.shape, bool)
    floor = in_all_ground(elevation, grid)
    true = floors_of(floor, top.limit_grade, window.hazards.water, none)
    heads = [working_head_m(m) for m in fleet.machines.values() if m.rides]
    start = start_cells(region, grid, fleet)

    def alike(a: Any, b: Any) -> bool:
        return same_refusals(a, b, top.smooth, window.run.losses, start, window.run.view, heads, grid.dx, grid.dy)

    both = replace(true, wet=true.wet | window.floors.wet, soft=true.soft | window.floors.soft)
    return alike(true, both) and alike(window.floors, both)


LENGTH, WIDTH = 440, 250
MIDDLE = WIDTH // 2


def valley(dam_m: float) -> Array:
    """A valley that falls 0.2 % to the west, its floor 1 % to its line, banks of 25 %; a dam near its west end."""
    x, y = np.meshgrid(np.arange(LENGTH, dtype=float), np.arange(WIDTH, dtype=float) - MIDDLE)
    off = np.abs(y)
    z = 50.0 + 0.002 * x + 0.01 * np.minimum(off, 12.0) + 0.25 * np.clip(off - 12.0, 0.0, 20.0)
    z += 0.01 * np.maximum(off - 32.0, 0.0)
    crest = 50.0 + dam_m - 0.3 * np.maximum(np.abs(x - 20.0) - 2.0, 0.0)
    z = np.maximum(z, np.where(off < 40.0, crest, -np.inf))
    # West of the dam the ground goes on falling.
    return np.where(x < 10.0, z - 0.05 * (10.0 - x), z)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_dam_beyond_the_look_makes_the_floor_a_basin(tmp_path: Path, turns: int) -> None:
    fleet = fleet_of()
    west = 150  # 120 m and more from the dam, three times the look; the floor there lies 0.2 m above its foot
    place = {
        0: box(west, MIDDLE - 4, 30, 8),
        1: box(MIDDLE - 4, LENGTH - west - 30, 8, 30),
        2: box(LENGTH - west - 30, WIDTH - MIDDLE - 4, 30, 8),
        3: box(WIDTH - MIDDLE - 4, west, 8, 30),
    }[turns]
    dammed = elevation_of(tmp_path / "dammed.tif", np.ascontiguousarray(np.rot90(valley(2.0), turns)))
    free = elevation_of(tmp_path / "free.tif", np.ascontiguousarray(np.rot90(valley(-9.0), turns)))
    # The look alone cannot tell the two apart.
    window = looked(dammed, place, fleet)
    same = looked(free, place, fleet)
    np.testing.assert_array_equal(window.surface.z, same.surface.z)
    assert not open_floors(window.surface.z, 1.0, fleet.terrain, fleet.runout).any()
    assert basin_refused(window, place, fleet).sum() >= 240
    assert same_as_in_all_ground(dammed, window, place, fleet)
    assert not basin_refused(same, place, fleet).any() and not same.floors.soft.any()


def test_a_ditch_through_the_dam_is_seen(tmp_path: Path) -> None:
    # 2 m wide, so that coarse cells do not show it and finer ground decides.
    z = valley(2.0)
    z[MIDDLE - 1 : MIDDLE + 1, :60] = 49.9 - 0.001 * (60 - np.arange(60.0))
    elevation, fleet, place = elevation_of(tmp_path / "ditch.tif", z), fleet_of(), box(150, MIDDLE - 4, 30, 8)
    window = looked(elevation, place, fleet)
    assert not basin_refused(window, place, fleet).any()
    assert same_as_in_all_ground(elevation, window, place, fleet)


def test_what_stays_open_counts_as_a_floor(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    elevation = elevation_of(tmp_path / "dammed.tif", valley(2.0))
    place = box(200, MIDDLE - 4, 30, 8)
    # The dam lies 178 m off. Where no more than 60 m count, the ground ends there and water drains.
    assert not basin_refused(looked(elevation, place, fleet_of(max_margin_m=60.0)), place, fleet_of()).any()
    # Where it counts and may not be read, it may well hold water.
    monkeypatch.setattr(around, "MOST_CELLS", 0)
    window = looked(elevation, place, fleet_of())
    assert basin_refused(window, place, fleet_of()).sum() >= 240


def read_for_a_plain(folder: Path, reads: Callable[[shapely.Geometry], Reads], fall: float) -> float:
    """How far ground was read, m, for a parcel on a plane that has no hollow, with a look of 60 m."""
    z = 80.0 + fall * np.meshgrid(np.arange(600.0), np.arange(600.0))[0]
    elevation, place, fleet = elevation_of(folder / "plain.tif", z), box(250, 250, 60, 60), fleet_of(60.0, 2000.0, 3.0)
    seen = reads(place)
    window = looked(elevation, place, fleet)
    assert not basin_refused(window, place, fleet).any() and not window.floors.soft.any()
    return seen.farthest


@pytest.mark.parametrize(("fall", "more"), [(0.01, False), (0.005, True)])
def test_more_is_read_only_where_it_matters(
    tmp_path: Path, reads: Callable[[shapely.Geometry], Reads], fall: float, more: bool
) -> None:
    # A plain that falls 1 % drops 0.5 m in 50 m, so a floor that its low border might cut ends short of a parcel 60 m
    # from it. One that falls half as much does not.
    farthest = read_for_a_plain(tmp_path, reads, fall)
    assert farthest > 60.0
    assert (farthest >= 120.0) == more  # twice the look


def test_coarse_ground_tells_that_a_plain_drains(
    tmp_path: Path, reads: Callable[[shapely.Geometry], Reads], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Within a coarse cell the plain rises 0.1 m, so no water stands higher at the border, and none near the parcel.
    monkeypatch.setattr(around, "MOST_CELLS", 0)
    assert read_for_a_plain(tmp_path, reads, 0.005) > 200.0


@pytest.mark.parametrize("block", [1, 2])
def test_steps_close_in_on_what_all_ground_tells(tmp_path: Path, block: int) -> None:
    # Hilly ground with hollows of 10 to 60 m, gaps in the survey, and windows that lie over its edge.
    rng = np.random.default_rng(block)
    lost = np.zeros(5, int)
    compared = 0
    for number in range(4):
        size = 420 * block
        z = np.zeros((size, size))
        # Hollows of some 10 m, of 50 m, and long ones.
        for height, wide, long in ((1.0, 3.0, 3.0), (4.0, 14.0, 14.0), (8.0, 8.0, 120.0)):
            rough = ndimage.gaussian_filter(rng.normal(size=z.shape), (wide * block, long * block))
            z += height * block * np.sqrt(wide * long) * rough
        z += 0.005 * np.arange(size) / block
        if number % 2:
            z[ndimage.gaussian_filter(rng.normal(size=z.shape), 2.0) > 0.19] = np.nan
        elevation = elevation_of(tmp_path / f"{block}_{number}.tif", z, 1.0 / block)
        working = elevation.survey.working
        for col, row in rng.integers(-20, 400, (8, 2)):
            region = box(float(col), float(row), 20.0, 20.0)
            window = working.covering(grown(region.bounds, 40.0, 1.0))
            grid = working.part(window)
            ground = read_ground(elevation, [region], fleet_of())
            here = ground.surface.grid.covering(grown(region.bounds, 40.0, 1.0))
            settings = fleet_of(max_margin_m=400.0)
            top = np.ascontiguousarray(ground.surface.z[here.slices])
            true = in_all_ground(elevation, grid)
            steps = list(
                Around(wider_of(elevation), region.bounds, top, grid, settings.terrain, settings.runout).floors
            )
            assert len(steps) == 6
            for (least, most), (less, more) in pairwise([(np.zeros_like(true), np.ones_like(true)), *steps]):
                assert not (least & ~less).any() and not (less & ~true).any()
                assert not (true & ~more).any() and not (more & ~most).any()
            np.testing.assert_array_equal(steps[-1][0], true)
            np.testing.assert_array_equal(steps[-1][1], true)
            lost += [int((most & ~least).sum()) for least, most in steps[:5]]
            compared += int(true.sum())
    assert compared > 4000
    # More ground leaves less open.
    assert lost[0] > lost[1] >= lost[2] >= lost[3] >= lost[4]


REAL = [
    ("farmland_channel_1m", 60.0, (77, 18, 10)),
    ("embankment_2m", 80.0, (144, 93, 101)),
    ("village_scarp_1m", 200.0, (25, 11, 9)),
]


@pytest.mark.parametrize(("name", "step", "counts"), REAL)
def test_on_real_ground(open_data: Callable[[str], Path], name: str, step: float, counts: tuple[int, int, int]) -> None:
    # Parcels of 60 m with a look of 40 m, against a flood of the whole survey. How many there are, in how many looks
    # the border cuts a hollow, and how many the floor of a hollow refuses in part.
    elevation, fleet = open_elevation([open_data(f"{name}.tif")]), fleet_of()
    west, south, east, north = elevation.survey.grid.bounds
    parcels, refused, cut = 0, 0, 0
    for x in np.arange(west, east - 60.0, step):
        for y in np.arange(south, north - 60.0, step):
            region = shapely.box(x, y, x + 60.0, y + 60.0)
            window = looked(elevation, region, fleet)
            assert same_as_in_all_ground(elevation, window, region, fleet), (x, y)
            refused += bool(basin_refused(window, region, fleet).any())
            own = open_floors(window.surface.z, window.surface.grid.cell_m2, fleet.terrain, fleet.runout)
            cut += bool((in_all_ground(elevation, window.surface.grid) & ~own).any())
            parcels += 1
    assert (parcels, cut, refused) == counts


def test_what_else_was_read_does_not_matter(tmp_path: Path) -> None:
    elevation, fleet = elevation_of(tmp_path / "dammed.tif", valley(2.0)), fleet_of()
    place, far = box(150, MIDDLE - 4, 30, 8), box(10, 10, 20, 20)
    alone, beside = looked(elevation, place, fleet), looked(elevation, place, fleet, far)
    for kind in ("wet", "soft", "pond", "dry"):
        np.testing.assert_array_equal(getattr(alone.floors, kind), getattr(beside.floors, kind))
    np.testing.assert_array_equal(alone.run.head(BASIN), beside.run.head(BASIN))


def test_coarse_ground_is_the_highest_of_its_cells(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(9)
    z = rng.normal(size=(203, 171))
    z[60:100, 40:80] = np.nan
    z[rng.random(z.shape) < 0.001] = np.nan
    elevation = elevation_of(tmp_path / "rough.tif", z)
    monkeypatch.setattr(highest, "_CELLS", 64 * 64)
    coarse = highest.coarse_grid(elevation, grown((WEST + 50.0, NORTH - 90.0, WEST + 60.0, NORTH - 80.0), 100.0, 1.0))
    assert (coarse.dx, coarse.dy) == (16.0, 16.0)
    row, col = (at // 16 for at in coarse.offset_on(elevation.survey.grid))
    whole = np.pad(z, ((160, 160), (160, 160)), constant_values=np.nan)
    for _ in range(2):
        top = highest.highest(elevation, coarse)
        for i, j in np.ndindex(coarse.shape):
            cells = whole[160 + 16 * (row + i) :, 160 + 16 * (col + j) :][:16, :16]
            known = cells[~np.isnan(cells)]
            assert top[i, j] == known.max() if known.size else np.isnan(top[i, j])
    assert 0 < np.isnan(top).sum() < top.size
