"""The inventory of basins and berms: one answer whatever the blocks, the turn of the grid and its unit."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from ground_maker import NORTH, WEST, answer, box, elevation_of
from ground_maker import fleet_of as machines

from slopekit.fleet.load import blank_fleet
from slopekit.fleet.model import Fleet
from slopekit.schema.layers import LANDFORM_LAYERS
from slopekit.screening.inventory import inventory
from slopekit.screening.landform_records import blocks_of
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.parcels import Parcel

Array = np.ndarray
Tables = dict[str, Any]

ROWS, COLS = 300, 340
SIDE_HV = 3.0
# Floor of the built basin: 60 x 40 m, 2 m below the ground round it, with a berm of 1 m above that ground about it.
FLOOR_M2, DEPTH, RIM = (60.0, 40.0), 2.0, 1.0


def fleet_of(max_margin_m: float = 2000.0) -> Fleet:
    fleet = blank_fleet()
    return fleet.model_copy(update={"terrain": replace(fleet.terrain, max_margin_m=max_margin_m)})


def off(x: Array, y: Array, length: float, width: float) -> Array:
    """Metres outside a rectangle about the origin, along the axis on which a place lies farther out."""
    return np.maximum(np.maximum(np.abs(x) - length / 2.0, np.abs(y) - width / 2.0), 0.0)


def plan(col: float, row: float) -> tuple[Array, Array]:
    """Metres east and south of a place."""
    y, x = np.mgrid[:ROWS, :COLS].astype(float)
    return x + 0.5 - col, y + 0.5 - row


def made() -> Array:
    """A plane of 1 % toward the west with three forms on it.

    In the west a rectangular basin with a berm all round; in the east a hollow with a pond that has a bank round it; in
    the south a straight berm by itself. A roughness of 4 mm lets no two places tie by the figures of this function.
    """
    z = 50.0 + 0.01 * plan(0.0, 0.0)[0] + np.random.default_rng(7).normal(0.0, 0.004, (ROWS, COLS))
    x, y = plan(100.0, 100.0)
    d = off(x, y, *FLOOR_M2)
    inner, crest = SIDE_HV * DEPTH, 3.0
    bowl = np.clip(d / SIDE_HV - DEPTH, -DEPTH, 0.0)
    bank = np.clip(np.minimum((d - inner) / SIDE_HV, RIM - (d - inner - SIDE_HV * RIM - crest) / SIDE_HV), 0.0, RIM)
    z += bowl + np.where(d > inner, bank, 0.0)
    x, y = plan(250.0, 110.0)
    d = off(x, y, 80.0, 80.0)
    z += np.clip(d / 5.0 - 3.0, -3.0, 0.0)
    r = np.hypot(x, y)
    z += np.clip(1.2 - np.abs(r - 14.0) / 3.0, 0.0, 1.2)
    x, y = plan(170.0, 240.0)
    return z + np.where(np.abs(x) <= 70.0, np.clip(1.5 - (np.abs(y) - 1.5) / 3.0, 0.0, 1.5), 0.0)


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    return elevation_of(tmp_path_factory.mktemp("made") / "made.tif", made())


@pytest.fixture(scope="module")
def whole(ground: Elevation) -> Tables:
    return inventory(ground, None, fleet_of(), workers=1)


def same_tables(a: Tables, b: Tables, but: tuple[str, ...] = ()) -> None:
    """Equal to the last digit, row by row."""
    for layer in LANDFORM_LAYERS:
        one, two = (pd.DataFrame(t[layer]).drop(columns=list(but), errors="ignore") for t in (a, b))
        pd.testing.assert_frame_equal(one, two, obj=layer, check_exact=True)


def basin_at(tables: Tables, col: float, row: float) -> pd.Series:
    """The least basin over a place of the made ground."""
    basins = tables["basins"]
    over = basins[basins.intersects(shapely.Point(WEST + col, NORTH - row))]
    return over.sort_values("area_m2").iloc[0]


def prism_m3(length: float, width: float, depth: float, hv: float) -> float:
    """Volume of a frustum with mitred corners: the prismoidal formula, exact for such sides (from memory)."""
    areas = [(length + 2.0 * hv * h) * (width + 2.0 * hv * h) for h in (0.0, 0.5 * depth, depth)]
    return depth * (areas[0] + 4.0 * areas[1] + areas[2]) / 6.0


def test_rectangular_basin_with_its_berm(whole: Tables) -> None:
    basin = basin_at(whole, 100.0, 100.0)
    assert basin.inside == "" and basin.parcels == "" and not basin.wet and not basin.beside_void
    # Floor and crest tilt by 1 % alike: its spill is the crest's western end, its lowest place the floor's.
    assert basin.depth_m == pytest.approx(DEPTH + RIM - 0.01 * SIDE_HV * (DEPTH + RIM), abs=0.05)
    # The tilt makes it less deep toward the east: its mean depth is that in the middle.
    half = 0.5 * FLOOR_M2[0] + SIDE_HV * (DEPTH + RIM)
    level = DEPTH + RIM - 0.01 * half
    assert basin.volume_m3 == pytest.approx(prism_m3(*FLOOR_M2, level, SIDE_HV), rel=0.02)
    assert basin.side_hv == pytest.approx(SIDE_HV, abs=0.1)
    assert basin.berm_beside > 0.9
    berms = whole["berms"]
    (berm,) = (row for row in berms.itertuples() if row.basin == basin.basin)
    assert berm.closed and not berm.open_end
    # A closed line goes round with its inside on the left: that face goes down to the floor, the other to the ground.
    assert berm.left_height_m == pytest.approx(DEPTH + RIM, abs=0.3)
    assert berm.right_height_m == pytest.approx(RIM, abs=0.05)
    sides = whole["berm_sides"]
    assert sorted(sides[sides.berm == berm.berm].side) == ["left", "right"]
    floors = whole["basin_floors"]
    assert floors[floors.basin == basin.basin].area_m2.tolist() == [basin.floor_m2]
    stages = whole["stage_storage"][whole["stage_storage"].basin == basin.basin]
    assert stages.level.tolist() == list(range(11))
    assert stages.volume_m3.iloc[-1] == pytest.approx(basin.volume_m3)
    assert stages.elevation_m.iloc[[0, -1]].tolist() == pytest.approx([basin.low_z_m, basin.spill_z_m])


def test_a_pond_in_a_hollow_is_one_of_each(whole: Tables) -> None:
    pond, around = basin_at(whole, 250.0, 110.0), basin_at(whole, 220.0, 110.0)
    assert len(whole["basins"]) == 3
    assert (pond.inside, around.inside) == (around.basin, "")
    assert shapely.covers(around.geometry, pond.geometry)
    # The crest of the bank is a circle of 14 m radius, 1.2 m high.
    assert pond.area_m2 == pytest.approx(np.pi * 14.0**2, rel=0.15)
    assert whole["berms"].basin.tolist().count(around.basin) == 1


def test_a_berm_by_itself_belongs_to_no_basin(whole: Tables) -> None:
    (berm,) = (row for row in whole["berms"].itertuples() if row.basin == "")
    assert not berm.closed
    assert berm.length_m == pytest.approx(140.0, abs=2.0)
    assert berm.height_m == pytest.approx(1.5, abs=0.05)


def lidded(freeboard: float, noise: float = 0.0) -> Array:
    """A round pond of 28 m on a plane of 1 %, with a berm of 1.2 m round it that stands so far above its water."""
    x, y = plan(160.0, 150.0)
    r = np.hypot(x, y)
    z = 50.0 + 0.01 * x + np.random.default_rng(9).normal(0.0, 0.004, x.shape)
    z += np.clip(1.2 - np.abs(r - 18.0) / 3.0, 0.0, 1.2)
    crest = z[np.abs(r - 18.0) < 0.8].min()
    water = (r < 18.0) & (z < crest - freeboard)
    z[water] = crest - freeboard + noise * np.random.default_rng(8).normal(size=int(water.sum()))
    return z


@pytest.mark.parametrize("noise_m", [0.0, 0.02])
def test_a_pond_with_little_freeboard_is_listed_and_its_berm_linked(tmp_path: Path, noise_m: float) -> None:
    """It is no basin, since it is not deep enough below its spill level; `screen` knows it, and so must the list."""
    z = lidded(0.15, noise_m)
    elevation = elevation_of(tmp_path / "pond.tif", z)
    found = inventory(elevation, None, fleet_of(), workers=1)
    (pond,) = found["water_bodies"].itertuples()
    assert pond.origin == ("possible water" if noise_m else "inferred from flat cells")
    assert found["basins"].empty and pond.basin == "" and not pond.open_end
    level = float(np.median(z[np.hypot(*plan(160.0, 150.0)) < 10.0]))
    assert pond.level_m == pytest.approx(level, abs=0.02)
    (berm,) = found["berms"].itertuples()
    assert berm.water == pond.body and berm.basin == ""
    here = box(140.0, 130.0, 40.0, 40.0)
    shown = answer(elevation, here, machines()).records["water"]
    assert [(one["body"], one["origin"]) for one in shown] == [(pond.body, pond.origin)]
    assert shown[0]["area_m2"] == pytest.approx(pond.area_m2)
    for block in (64, 200):
        same_tables(inventory(elevation, None, fleet_of(100.0), workers=1, block=block), found)


def test_all_water_is_listed_with_the_basin_that_it_lies_in(tmp_path: Path) -> None:
    """A pond deep in the made hollow, a lake at the survey's edge, and water that the user gave."""
    z = made()
    r = np.hypot(*plan(250.0, 110.0))
    z[r < 9.0] = z[r < 9.0].min()
    x, y = plan(0.0, 300.0)
    out = np.hypot(x, y) - 60.0
    z = np.where(out < 20.0, np.minimum(z, 49.0 + 0.15 * out), z)
    z = np.where(out < 0.0, 49.0 + 0.03 * np.random.default_rng(2).normal(size=z.shape), z)
    given = box(10.0, 10.0, 15.0, 15.0)
    layers = Layers(water=Layer.of("water", [given]))
    found = inventory(elevation_of(tmp_path / "z.tif", z), None, fleet_of(), layers, workers=1)
    water = found["water_bodies"].set_index("origin")
    assert sorted(water.index) == ["given", "inferred from flat cells", "possible water"]
    assert water.area_m2["given"] == pytest.approx(225.0) and np.isnan(water.level_m["given"])
    assert water.area_m2["possible water"] == pytest.approx(np.pi * 60.0**2 / 4.0, rel=0.05)
    flat = water.loc["inferred from flat cells"]
    assert flat.basin == basin_at(found, 250.0, 110.0).basin and flat.body.startswith("w-")


def test_the_whole_raster_needs_no_areas(ground: Elevation, whole: Tables) -> None:
    around = [Parcel("all", box(0.0, 0.0, COLS, ROWS))]
    same_tables(inventory(ground, around, fleet_of(), workers=1), whole, but=("parcels",))


def test_what_two_parcels_touch_is_there_once_with_both_ids(ground: Elevation, whole: Tables) -> None:
    parcels = [
        Parcel("west", box(80.0, 90.0, 20.0, 20.0)),
        Parcel("east", box(101.0, 80.0, 9.0, 30.0)),
        Parcel("far", box(10.0, 270.0, 20.0, 20.0)),
    ]
    found = inventory(ground, parcels, fleet_of(), workers=1)
    basin = basin_at(whole, 100.0, 100.0)
    assert found["basins"].basin.tolist() == [basin.basin]
    assert found["basins"].parcels.tolist() == ["west,east"]
    # The berm round it is on neither parcel.
    assert found["berms"].empty and found["berm_sides"].empty
    same = found["basins"].drop(columns="parcels"), whole["basins"].drop(columns="parcels")
    pd.testing.assert_frame_equal(same[0], same[1][same[1].basin == basin.basin].reset_index(drop=True))
    assert len(found["stage_storage"]) == 11


def test_a_district_may_reach_over_the_raster(ground: Elevation, whole: Tables) -> None:
    district = [Parcel("district", box(-5000.0, -5000.0, 10_000.0, 10_000.0))]
    found = inventory(ground, district, fleet_of(), workers=1)
    same_tables(found, whole, but=("parcels",))
    assert set(found["basins"].parcels) == {"district"}


def test_blocks_cover_a_region_once(ground: Elevation) -> None:
    region = shapely.Point(WEST + 150.3, NORTH - 149.8).buffer(120.0)
    for side in (64, 200, 1024):
        parts = list(blocks_of(region, ground.survey.working, side))
        assert sum(part.area for part in parts) == pytest.approx(region.area)
        assert all(max(np.ptp(np.array(p.exterior.coords), axis=0)) <= side + 1e-6 for p in parts)
    assert len(parts) == 1


@pytest.mark.parametrize("block", [64, 200])
@pytest.mark.parametrize("margin_m", [100.0, 2000.0])
def test_blocks_change_nothing_on_made_ground(ground: Elevation, block: int, margin_m: float) -> None:
    fleet = fleet_of(margin_m)
    wanted = inventory(ground, None, fleet, workers=1, block=1024)
    assert len(wanted["basins"]) == 3 and len(wanted["berms"]) == 3
    same_tables(inventory(ground, None, fleet, workers=1, block=block), wanted)


@pytest.mark.parametrize("block", [64, 200])
def test_blocks_change_nothing_on_real_ground(open_data: Callable[[str], Path], block: int) -> None:
    # Windows of 64 cells with 100 m and a berm's reach round them show a fraction of the 720 x 480 m, and each another.
    elevation = open_elevation([open_data("farmland_channel_1m.tif")])
    fleet = fleet_of(100.0)
    wanted = inventory(elevation, None, fleet, workers=1, block=1024)
    assert len(wanted["basins"]) and len(wanted["berms"])
    grid = elevation.survey.working
    corner = Parcel("corner", shapely.box(grid.west + 250, grid.north - 400, grid.west + 450, grid.north - 200))
    wanted = inventory(elevation, [corner], fleet, workers=1, block=1024)
    same_tables(inventory(elevation, [corner], fleet, workers=1, block=block), wanted)


@pytest.mark.parametrize("workers", [2])
def test_processes_change_nothing(ground: Elevation, whole: Tables, workers: int) -> None:
    calls: list[tuple[int, int]] = []
    found = inventory(
        ground, None, fleet_of(), workers=workers, block=200, progress=lambda done, of: calls.append((done, of))
    )
    same_tables(found, whole)
    assert calls == [(1, 4), (2, 4), (3, 4), (4, 4)]


# Names, and what is a place on the map.
NOT_FIGURES = ("basin", "inside", "berm", "parcels", "spill_x", "spill_y", "geometry")


def assert_same_figures(a: Tables, b: Tables, tolerance: float, share: float = 0.0) -> None:
    for layer, keys in (
        ("basins", ["area_m2"]),
        ("basin_floors", ["area_m2"]),
        ("berms", ["length_m"]),
        ("berm_sides", ["side", "area_m2"]),
        ("stage_storage", ["volume_m3", "elevation_m"]),
    ):
        one, two = (
            pd.DataFrame(t[layer].drop(columns=list(NOT_FIGURES), errors="ignore")).round({k: 4 for k in keys})
            for t in (a, b)
        )
        one, two = (t.sort_values(keys).reset_index(drop=True) for t in (one, two))
        pd.testing.assert_frame_equal(one, two, rtol=share, atol=tolerance, obj=layer)


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_turned_ground_has_the_same_figures(tmp_path: Path, whole: Tables, quarters: int) -> None:
    turned = elevation_of(tmp_path / "turned.tif", np.ascontiguousarray(np.rot90(made(), quarters)))
    # On the mitres of the berm a cell may lie as near to one stretch of the crest as to the next.
    assert_same_figures(inventory(turned, None, fleet_of(), workers=1), whole, 1e-6, share=1e-5)


def test_feet_give_the_same_figures(tmp_path: Path, whole: Tables) -> None:
    # EPSG 2264 counts in US survey feet of 1200 / 3937 m.
    foot = 1200.0 / 3937.0
    feet = elevation_of(
        tmp_path / "feet.tif", made() / foot, cell=1.0 / foot, crs="EPSG:2264", west=1_500_000.0, north=600_000.0,
        unit="US survey foot",
    )  # fmt: skip
    assert feet.survey.grid.metres_per_unit == pytest.approx(foot, rel=1e-12)
    found = inventory(feet, None, fleet_of(), workers=1)
    assert_same_figures(found, whole, 1e-6)
    areas = found["basins"].geometry.area * foot**2
    assert areas.tolist() == pytest.approx(found["basins"].area_m2.tolist(), rel=1e-9)


def test_a_basin_wider_than_the_margin_is_left_out_and_said_so(ground: Elevation, whole: Tables) -> None:
    # The built basin is about 78 m long, the hollow 110 m and its floor over 80 m, the pond in it 28 m.
    found = inventory(ground, None, fleet_of(80.0), workers=1)
    assert len(found["basins"]) == 2
    pond = basin_at(found, 250.0, 110.0)
    # What it lies in is left out, so it lies in none, and the rest of it is as it was.
    assert pond.inside == ""
    was = basin_at(whole, 250.0, 110.0)
    assert pond.drop("inside").to_dict() == was.drop("inside").to_dict()
    # The bank round the pond now belongs to the pond, the least that it lies beside.
    assert sorted(found["berms"].basin) == sorted(["", pond.basin, basin_at(whole, 100.0, 100.0).basin])
    notes = found["run_notes"]
    assert notes[notes.name == "left out"].value.tolist() == ["hollows that are longer or wider than 80 m"]
    assert inventory(ground, None, fleet_of(20.0), workers=1)["basins"].empty


def test_a_long_berm_is_followed_from_its_end(tmp_path: Path) -> None:
    # 1400 m of it on cells of 2 m, a parcel on its first 60 m.
    y, x = (2.0 * (np.mgrid[:120, :800] + 0.5)).astype(float)
    rough = np.random.default_rng(3).normal(0.0, 0.004, x.shape)
    z = (
        0.005 * x
        + rough
        + np.where(np.abs(x - 800.3) <= 700.0, np.clip(2.0 - (np.abs(y - 121.4) - 2.0) / 3.0, 0.0, 2.0), 0.0)
    )
    elevation = elevation_of(tmp_path / "long.tif", z, cell=2.0)
    parcel = [Parcel("end", box(100.0, 80.0, 60.0, 80.0))]
    (berm,) = inventory(elevation, parcel, fleet_of(), workers=1)["berms"].itertuples()
    assert berm.length_m == pytest.approx(1400.0, abs=4.0) and not berm.open_end
    (piece,) = inventory(elevation, parcel, fleet_of(300.0), workers=1)["berms"].itertuples()
    assert 300.0 < piece.length_m < 700.0 and piece.open_end


def test_ground_without_landforms_gives_empty_layers(tmp_path: Path) -> None:
    plane = elevation_of(tmp_path / "plane.tif", 0.05 * np.add.outer(np.arange(80.0), np.arange(90.0)))
    found = inventory(plane, None, fleet_of(), workers=1)
    assert all(found[layer].empty for layer in LANDFORM_LAYERS)
    assert not found["run_notes"].empty
