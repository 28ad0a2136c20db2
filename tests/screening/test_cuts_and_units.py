"""How ground is cut, tiled, shared or measured does not matter to the answer on a parcel."""

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from golden_ground import golden_fleet, golden_heights, golden_parcel
from ground_maker import NORTH, WEST, Answer, Array, answer, box, elevation_of, fleet_of, write_ground
from rasterio.transform import Affine

from slopekit.fleet.model import Fleet
from slopekit.schema.tables import table_of
from slopekit.screening.batch import screen
from slopekit.screening.ground import read_ground
from slopekit.screening.parcel import screen_parcel
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.parcels import Parcel
from slopekit.units import METRES_PER_UNIT

pytestmark = pytest.mark.property

LAYERS = ("zones", "parcels", "water", "drops", "paths", "profiles", "refusals", "routes", "starts", "directions")


def same_tables(a: dict[str, Any], b: dict[str, Any], but: tuple[str, ...] = ()) -> None:
    """Equal to the last digit, row by row."""
    for layer in LAYERS:
        one, two = (pd.DataFrame(t[layer]).drop(columns=list(but), errors="ignore").astype(object) for t in (a, b))
        pd.testing.assert_frame_equal(
            one.where(one.notna(), None), two.where(two.notna(), None), obj=layer, check_exact=True
        )


@pytest.fixture(scope="module")
def golden(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    return elevation_of(tmp_path_factory.mktemp("golden") / "golden.tif", golden_heights())


def neighbours() -> list[Parcel]:
    """Parcels that share edges, three by three, and one apart; their margins reach past the golden ground's edge."""
    tiles = [box(70.0 + 37.0 * k, 68.0 + 34.0 * n, 37.0, 34.0) for n in range(3) for k in range(3)]
    odd = shapely.difference(tiles[4], shapely.Point(tiles[4].centroid).buffer(6.0))
    return [Parcel(f"n{k}", odd if k == 4 else tile) for k, tile in enumerate(tiles)] + [
        Parcel("far", box(5, 5, 20, 9))
    ]


def with_more_read(elevation: Elevation, parcels: list[Parcel], fleet: Fleet, more_m: float) -> dict[str, Any]:
    """The tables of each parcel by itself, where so much more ground was read round it."""
    found = []
    for parcel in parcels:
        ground = read_ground(elevation, [parcel.geometry.buffer(more_m)], fleet)
        found.append(screen_parcel(elevation, parcel, fleet, Layers(), ground).records)
    crs = elevation.survey.working.crs
    return {name: table_of(name, [r for records in found for r in records[name]], crs, fleet.conditions)
            for name in LAYERS}  # fmt: skip


@pytest.mark.parametrize("more", [0.5, 1.0, 17.3, 41.0])
def test_more_ground_changes_nothing_on_golden_ground(golden: Elevation, more: float) -> None:
    fleet, parcels = golden_fleet(), [Parcel("p", golden_parcel())]
    same_tables(with_more_read(golden, parcels, fleet, more), screen(golden, parcels, fleet))


REAL = [
    ("village_scarp_1m", [(330, 410), (560, 300), (700, 610), (180, 700)]),
    ("embankment_2m", [(230, 250), (120, 160)]),
    ("farmland_channel_1m", [(200, 180), (330, 240)]),
]


def real_parcels(elevation: Elevation, corners: list[tuple[int, int]]) -> list[Parcel]:
    """Parcels of about half a hectare with a slanted side, at cells (column, row) of the grid."""
    grid = elevation.survey.grid
    out = []
    for k, (col, row) in enumerate(corners):
        x, y = grid.west + col * grid.step_x + 0.3, grid.north - row * grid.step_y - 0.4
        out.append(
            Parcel(f"r{k}", shapely.Polygon([(x, y), (x + 81.0, y - 12.0), (x + 70.5, y - 77.0), (x + 8.0, y - 66.0)]))
        )
    return out


@pytest.mark.parametrize(("name", "corners"), REAL, ids=[name for name, _ in REAL])
def test_more_ground_changes_nothing_on_real_ground(open_data: Any, name: str, corners: list[tuple[int, int]]) -> None:
    elevation = open_elevation([open_data(f"{name}.tif")])
    parcels, fleet = real_parcels(elevation, corners), fleet_of()
    wanted = screen(elevation, parcels, fleet, workers=1)
    for more in (3.0, 60.0):
        same_tables(with_more_read(elevation, parcels, fleet, more), wanted)


def test_tiles_have_the_answer_of_one_raster(golden: Elevation, tmp_path: Path) -> None:
    z = golden_heights()
    z[100:103, 140:144] = np.nan
    whole = elevation_of(tmp_path / "whole.tif", z)
    rows, cols = [0, 91, 97, 160, z.shape[0]], [0, 80, 133, z.shape[1]]
    paths = []
    for n, (top, bottom) in enumerate(pairwise(rows)):
        for k, (left, right) in enumerate(pairwise(cols)):
            part = z[top:bottom, left:right].copy()
            # Each tile with a nodata value of its own.
            nodata = -9999.0 - 10.0 * n - k
            part[np.isnan(part)] = nodata
            path = tmp_path / f"tile_{n}_{k}.tif"
            transform = Affine(1.0, 0.0, WEST + left, 0.0, -1.0, NORTH - top)
            profile = {"driver": "GTiff", "dtype": "float64", "count": 1, "nodata": nodata, "crs": "EPSG:32617"}
            with rasterio.open(
                path, "w", height=bottom - top, width=right - left, transform=transform, **profile
            ) as out:
                out.write(part, 1)
                out.units = ("metre",)
            paths.append(path)
    parcels = [Parcel("p", golden_parcel())]
    one = screen(whole, parcels, golden_fleet())
    # Bodies are named after the survey's files.
    same_tables(screen(open_elevation(paths[::-1]), parcels, golden_fleet()), one, ("body",))
    assert "unknown_ground" in set(one["zones"].reason)


@pytest.fixture(scope="module")
def layers() -> Layers:
    """Some of everything, across the parcels' edges."""
    return Layers(
        water=Layer.of("water", [box(120, 150, 14, 6)]),
        walls=Layer.of("walls", [shapely.LineString([(WEST + 90, NORTH - 100), (WEST + 130, NORTH - 92)])]),
        hazards=Layer.of("hazards", [box(60, 128, 60, 4)], ["road"]),
        exclude=Layer.of("exclude", [box(100, 140, 12, 9)]),
        soft=Layer.of("soft", [box(150, 90, 25, 20)]),
        canopy=Layer.of("canopy", [shapely.Point(WEST + 160, NORTH - 120).buffer(9)]),
        # One at each parcel, since a file without any for a parcel alone is refused.
        entrances=Layer.of(
            "entrances",
            [
                *(shapely.Point(WEST + col, NORTH - row) for col, row in ((107, 102), (181, 80), (10, 5))),
                shapely.LineString([(WEST + 60, NORTH - 136), (WEST + 190, NORTH - 136)]),
            ],
            widths=[1.3, np.nan, np.nan, np.nan],
        ),
        drives=Layer.of("drives", [box(100, 144, 12, 3)]),
    )


def test_shared_window_has_the_answer_of_a_window_each(golden: Elevation, layers: Layers) -> None:
    parcels = neighbours()
    together = screen(golden, parcels, golden_fleet(), layers, workers=1)
    assert len(together["routes"]) > 5 and "no_route" in ",".join(together["zones"].reasons.dropna())
    for parcel in parcels:
        alone = screen(golden, [parcel], golden_fleet(), layers)
        own = {name: together[name][together[name].parcel_id == parcel.id].reset_index(drop=True) for name in LAYERS}
        same_tables(own, alone)


def test_two_processes_have_the_answer_of_one(golden: Elevation, layers: Layers) -> None:
    parcels = neighbours()
    one = screen(golden, parcels, golden_fleet(), layers, workers=1)
    same_tables(screen(golden, parcels, golden_fleet(), layers, workers=2), one)


def test_neighbours_on_real_ground_have_their_own_answers(open_data: Any) -> None:
    elevation = open_elevation([open_data("village_scarp_1m.tif")])
    grid = elevation.survey.grid
    x, y = grid.west + 400.0, grid.north - 600.0
    parcels = [Parcel(f"{n}{k}", shapely.box(x + 60 * k, y + 50 * n, x + 60 * k + 60, y + 50 * n + 50))
               for n in range(3) for k in range(3)]  # fmt: skip
    together = screen(elevation, parcels, fleet_of(), workers=2)
    for parcel in parcels[::2]:
        alone = screen(elevation, [parcel], fleet_of())
        own = {name: together[name][together[name].parcel_id == parcel.id].reset_index(drop=True) for name in LAYERS}
        same_tables(own, alone)


# Feet -----------------------------------------------------------------------------------------------------------------

# Transverse Mercator and Lambert zones of US states, from the EPSG register: 2225 counts US survey feet, 2222
# international feet.
# The corner lies inside the zone.
FOOT_GRIDS = [
    ("us-survey-foot", "EPSG:2225", 6_500_000.0, 2_000_000.0),
    ("foot", "EPSG:2222", 700_000.0, 1_000_000.0),
]


def compare(a: Answer, b: Answer, to_b: Callable[[Array], Array]) -> None:
    """Answers on one ground whose map units differ: `to_b` takes a's coordinates to b's."""
    assert (a.verdict.reasons == b.verdict.reasons).all() and (a.verdict.ways == b.verdict.ways).all()
    for column in b.zones.columns.drop("geometry"):
        one, two = a.zones[column], b.zones[column]
        if two.dtype == float:
            np.testing.assert_allclose(one, two, rtol=1e-6, atol=1e-5, err_msg=column)
        else:
            assert one.tolist() == two.tolist(), column
    moved = shapely.transform(np.array(a.zones.geometry), to_b)
    assert shapely.area(shapely.symmetric_difference(moved, np.array(b.zones.geometry))).max() < 1e-3


def rough() -> Array:
    # Without equally steep ways: rounding of the feet would part them at random.
    return golden_heights(ties=False)


def uneven_fleet() -> Fleet:
    # A look of a whole number of cells would hang on the last digit of the cell's size.
    return golden_fleet(runout={"look_m": 60.05})


@pytest.mark.parametrize("unit", ["us-survey-foot", "foot"])
@pytest.mark.parametrize("told", ["by the band", "by option"])
def test_heights_in_feet(tmp_path: Path, unit: str, told: str) -> None:
    metres = answer(elevation_of(tmp_path / "m.tif", rough()), golden_parcel(), uneven_fleet())
    path = write_ground(
        tmp_path / "ft.tif", rough() / METRES_PER_UNIT[unit], unit=unit if told == "by the band" else ""
    )
    elevation = open_elevation([path], z_unit=unit if told == "by option" else None)
    compare(answer(elevation, golden_parcel(), uneven_fleet()), metres, lambda xy: xy)


@pytest.mark.parametrize(("unit", "crs", "west", "north"), FOOT_GRIDS, ids=["us-survey-foot", "foot"])
def test_map_in_feet(tmp_path: Path, unit: str, crs: str, west: float, north: float) -> None:
    foot = METRES_PER_UNIT[unit]
    metres = answer(elevation_of(tmp_path / "m.tif", rough()), golden_parcel(), uneven_fleet())
    elevation = elevation_of(
        tmp_path / "ft.tif", rough() / foot, cell=1.0 / foot, crs=crs, west=west, north=north, unit=unit
    )
    grid = elevation.survey.grid
    assert grid.metres_per_unit == pytest.approx(foot, rel=1e-12) and not elevation.survey.warped
    corner, there = np.array([WEST, NORTH]), np.array([west, north])
    parcel = shapely.transform(golden_parcel(), lambda xy: (xy - corner) / foot + there)
    compare(answer(elevation, parcel, uneven_fleet()), metres, lambda xy: (xy - there) * foot + corner)


def test_the_two_feet_are_not_one() -> None:
    # NIST Handbook 44, App. C (from memory): 1200/3937 m and 0.3048 m.
    assert METRES_PER_UNIT["us-survey-foot"] == pytest.approx(1200.0 / 3937.0, rel=1e-12)
    assert METRES_PER_UNIT["foot"] == 0.3048
