"""Parcels that take several looks: squares of a fixed lattice, far-flung parts, and what they see together."""

import numpy as np
import pytest
import shapely
from golden_ground import golden_fleet
from ground_maker import NORTH, WEST, Array, box, elevation_of, fleet_of, tiling_faults
from scipy import ndimage

from slopekit.grid import Grid, Window
from slopekit.screening import looks
from slopekit.screening.batch import screen
from slopekit.screening.sight import Sight
from slopekit.sources.elevation import Elevation
from slopekit.sources.layers import Layers
from slopekit.sources.parcels import Parcel

pytestmark = pytest.mark.property

ROWS, COLS = 360, 420
PARCEL = shapely.affinity.skew(box(110.0, 105.0, 190.0, 140.0), 8.0)


def hills() -> Array:
    random = np.random.default_rng(5)
    z = 60.0 * ndimage.gaussian_filter(random.normal(size=(ROWS, COLS)), 12.0)
    z -= 0.06 * np.mgrid[:ROWS, :COLS][0]
    return z + 0.02 * random.normal(size=z.shape)


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    return elevation_of(tmp_path_factory.mktemp("hills") / "hills.tif", hills(), z_rmse_m=0.05)


@pytest.fixture
def small_squares(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(looks, "_ONE_LOOK_M2", 1_000.0)
    monkeypatch.setattr(looks, "_SQUARE_M", 64.0)


def sight(ground: Elevation, shape: shapely.Geometry = PARCEL) -> Sight:
    return Sight(ground, shape, Layers(), golden_fleet(), None)


def test_squares_part_the_parcel_and_lie_on_a_fixed_lattice(ground: Elevation, small_squares: None) -> None:
    working = ground.survey.working
    found = looks.looks_of(PARCEL, golden_fleet(), working)
    assert len(found) > 6
    count = np.zeros(working.shape, int)
    for look in found:
        count[look.own.slices] += 1
        west, south, east, north = working.part(look.own).bounds
        # Sides of 64 m counted from the origin of the CRS, but for those that the parcel's box cuts short.
        assert west % 64.0 == 0.0 or east % 64.0 == 0.0
        assert south % 64.0 == 0.0 or north % 64.0 == 0.0
    assert count.max() == 1
    moved = looks.looks_of(PARCEL, golden_fleet(), working.part(Window(7, 5, ROWS - 7, COLS - 5)))
    assert [(one.own.row - 7, one.own.col - 5) for one in found] == [(one.own.row, one.own.col) for one in moved]


def test_squares_permit_no_more_than_one_look(ground: Elevation, monkeypatch: pytest.MonkeyPatch) -> None:
    """A smaller look permits no more (method: a larger look only ever permits more); slope and drops are the same."""
    whole = sight(ground).scene()
    monkeypatch.setattr(looks, "_ONE_LOOK_M2", 1_000.0)
    monkeypatch.setattr(looks, "_SQUARE_M", 64.0)
    squares = sight(ground).scene()
    assert squares.grid == whole.grid
    asked = np.isfinite(squares.z)
    for name in ("limit_deg", "drop", "water", "stand_off"):
        np.testing.assert_array_equal(getattr(squares.ground, name)[asked], getattr(whole.ground, name)[asked])
    permitted, before = squares.verdict.reasons == 0, whole.verdict.reasons == 0
    asked &= (squares.verdict.reasons[0] != 0xFFFF) & np.isfinite(whole.z)
    assert permitted[:, asked].sum() > 0 and (before & ~permitted)[:, asked].any()
    # The squares' looks are wider than the parcel's where its box is cut short: nothing else may be won.
    assert (permitted & ~before)[:, asked].mean() < 0.01


def test_zones_of_many_looks_tile_the_parcel(ground: Elevation, small_squares: None) -> None:
    tables = screen(ground, [Parcel("p", PARCEL)], golden_fleet())
    assert tiling_faults(tables["zones"], PARCEL) == []
    paths, zones = tables["paths"], tables["zones"].set_index("zone_id").geometry
    assert len(paths) > 1
    for row in paths.itertuples():
        # Each way begins in its own zone, whichever look found it.
        start = shapely.Point(row.geometry.coords[0])
        assert zones[row.zone_id].distance(start) < 0.75
    named = tables["drops"][tables["drops"].body != ""]
    assert not named.duplicated(["body", "origin"]).any()


def test_realisations_of_many_looks(ground: Elevation, small_squares: None) -> None:
    from slopekit.screening.realisations import Draws

    tables = screen(ground, [Parcel("p", PARCEL)], golden_fleet(), draws=Draws(2))
    share = tables["zones"].realisations_share
    assert share.between(0.0, 1.0).all() and share.max() == 1.0 and share.min() == 0.0


def test_far_parts_have_the_answer_of_each_alone(ground: Elevation) -> None:
    fleet = golden_fleet(runout={"look_m": 40.0})
    parts = [box(100.0, 100.0, 30.0, 40.0), box(280.0, 215.0, 35.0, 30.0)]
    both = shapely.multipolygons(parts)
    assert len(looks.looks_of(both, fleet, ground.survey.working)) == 2
    near = shapely.multipolygons([parts[0], box(150.0, 100.0, 20.0, 20.0)])
    assert len(looks.looks_of(near, fleet, ground.survey.working)) == 1
    scene = Sight(ground, both, Layers(), fleet, None).scene()
    for part in parts:
        alone = Sight(ground, part, Layers(), fleet, None).scene()
        row, col = alone.grid.offset_on(scene.grid)
        at = slice(row, row + alone.grid.height), slice(col, col + alone.grid.width)
        np.testing.assert_array_equal(scene.verdict.reasons[:, *at], alone.verdict.reasons)
        np.testing.assert_array_equal(scene.measures.head[at], alone.measures.head)
    tables = screen(ground, [Parcel("p", both)], fleet)
    assert tiling_faults(tables["zones"], both) == []


@pytest.mark.parametrize("side_m, count", [(100.0, 1), (950.0, 1), (1050.0, 9)])
def test_parcels_up_to_100_ha_take_one_look(side_m: float, count: int) -> None:
    # Squares of 500 m counted from the origin of the CRS: a parcel of 1050 m, 100 m from there, meets three each way.
    grid = Grid(3000, 3000, west=WEST, north=NORTH, step_x=1.0, step_y=1.0, crs="")
    assert len(looks.looks_of(box(100.0, 100.0, side_m, side_m), fleet_of(), grid)) == count
