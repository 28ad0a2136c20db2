"""Realisations of the survey's error: reproducible, the plain answer without error, the whole pipeline's with it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from golden_ground import golden_fleet, golden_heights, golden_parcel
from ground_maker import NORTH, WEST, Array, Bool, answer, box, elevation_of, fleet_of, write_ground

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.kernels.noise import error_field
from slopekit.screening.ground import ReadGround, above_hazard, look_round, read_ground
from slopekit.screening.realisations import ZONE_SHARE, Draws, hazard_realisations, realisations_share
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.layers import Layer, Layers

pytestmark = pytest.mark.property


@dataclass(frozen=True)
class Case:
    elevation: Elevation
    parcel: shapely.Geometry
    fleet: Fleet
    layers: Layers

    def read(self, more_m: float = 0.0) -> ReadGround:
        return read_ground(self.elevation, [self.parcel.buffer(more_m)], self.fleet)

    def plain(self, more_m: float = 0.0) -> Bool:
        """Cells above a hazard in the survey as it is, where so much more of it was read."""
        shown = answer(self.elevation, self.parcel, self.fleet, self.layers, self.read(more_m))
        return above_hazard(shown.window.run, self.fleet.runout.still_head_m)

    def masks(self, count: int = 3, seed: int = 0) -> Array:
        return np.stack(list(self.drawn(Draws(count, seed))))

    def drawn(self, draws: Draws) -> Iterator[Bool]:
        read = self.read()
        window = look_round(read, self.parcel, self.layers, self.fleet, self.elevation)
        return hazard_realisations(self.elevation, read, window, self.parcel, self.fleet, draws)


def golden(path: Path, rmse: float | None, **settings: object) -> Case:
    elevation = elevation_of(path / "golden.tif", golden_heights(), z_rmse_m=rmse)
    road = Layer.of(
        "roads", [shapely.LineString([(WEST, NORTH - 160), (WEST + 262, NORTH - 175)]).buffer(2.0)], ["road"]
    )
    dry = Layer.of("dry", [shapely.Point(WEST + 165.5, NORTH - 150.5).buffer(15.0)])
    wall = Layer.of("walls", [shapely.LineString([(WEST + 90, NORTH - 90), (WEST + 99, NORTH - 110)])])
    return Case(elevation, golden_parcel(), golden_fleet(**settings), Layers(hazards=road, dry=dry, walls=wall))


def bank(path: Path, rmse: float, *, cell: float = 1.0, shift: int = 0) -> Case:
    """A bank of 20 degrees, 4 m wide, above a terrace that falls at 4 degrees for 14 m to a road: just long enough to
    stop on."""
    rows, cols = np.mgrid[: round(220 / cell), : round(220 / cell)] * cell
    down = rows + 0.5 * cell - 100.0
    fall = np.tan(np.radians(20.0)) * np.clip(down, 0.0, 4.0) + np.tan(np.radians(4.0)) * np.clip(down - 4.0, 0.0, 14.0)
    z = 60.0 - fall - 0.02 * np.minimum(down, 0.0) - 0.15 * np.maximum(down - 18.0, 0.0) + 0.001 * cols
    elevation = elevation_of(path / f"bank{cell}{shift}.tif", z[shift:, shift:], cell=cell, z_rmse_m=rmse)
    if shift:
        moved = write_ground(
            path / f"moved{shift}.tif",
            z[shift:, shift:],
            cell=cell,
            west=WEST + shift * cell,
            north=NORTH - shift * cell,
        )
        elevation = open_elevation([moved], z_rmse_m=rmse)
    road = Layer.of("roads", [box(0.0, 118.0, 220.0, 6.0)], ["road"])
    fleet = fleet_of(settings={"runout": {"look_m": 50.0}})
    return Case(elevation, box(85.0, 86.0, 50.0, 35.0), fleet, Layers(hazards=road))


def real(grid: Path, rmse: float, col: int, row: int, side_m: float = 40.0) -> Case:
    elevation = open_elevation([grid], z_rmse_m=rmse)
    working = elevation.survey.working
    x, y = working.centre(row, col)
    half = 0.5 * side_m / working.metres_per_unit
    return Case(elevation, shapely.box(x - half, y - half, x + half, y + half), fleet_of(), Layers())


def test_without_error_every_realisation_is_the_plain_answer(tmp_path: Path) -> None:
    case = golden(tmp_path, 0.0)
    plain = case.plain()
    assert 0.1 < plain.mean() < 0.9
    for mask in case.masks():
        np.testing.assert_array_equal(mask, plain)


def test_the_same_where_working_cells_are_blocks_of_finer_ones(tmp_path: Path) -> None:
    case = bank(tmp_path, 0.0, cell=0.5)
    assert case.elevation.survey.block == 2
    plain = case.plain()
    assert 0.1 < plain.mean() < 0.9
    for mask in case.masks(2):
        np.testing.assert_array_equal(mask, plain)
    noisy = bank(tmp_path, 0.1, cell=0.5).masks(2)
    assert (noisy[0] != noisy[1]).any()


@pytest.mark.parametrize(("name", "col", "row"), [("village_scarp_1m", 560, 300), ("embankment_2m", 230, 250)])
def test_the_same_on_real_ground(open_data: Callable[[str], Path], name: str, col: int, row: int) -> None:
    case = real(open_data(f"{name}.tif"), 0.0, col, row)
    plain = case.plain()
    assert plain.any()
    for mask in case.masks(2):
        np.testing.assert_array_equal(mask, plain)


def test_a_realisation_is_the_plain_answer_on_a_survey_with_that_error(tmp_path: Path) -> None:
    """The whole pipeline, from a file with the error in it. The road and the dry floor are the user's and stay."""
    case = golden(tmp_path, 0.12)
    # A wall line takes its side from the survey as it is, so this case has none.
    case = replace(case, layers=replace(case.layers, walls=None))
    window = look_round(case.read(), case.parcel, case.layers, case.fleet, case.elevation)
    # Ponds would lose their level cells: they are handed over as found.
    y, x = np.nonzero(window.hazards.flat | window.hazards.possible)
    assert y.size
    west, south = window.surface.grid.west + x, window.surface.grid.north - y - 1.0
    pond = Layer.of("pond", list(shapely.box(west + 0.1, south + 0.1, west + 0.9, south + 0.9)))
    z = golden_heights()
    for number, mask in enumerate(case.masks(2, seed=9)):
        length = case.fleet.terrain.error_correlation_m
        error = error_field(9, number, -round(NORTH), round(WEST), z.shape, 1.0, 1.0, length, 0.12)
        noisy = elevation_of(tmp_path / f"noisy{number}.tif", z + error)
        layers = replace(case.layers, water=pond)
        np.testing.assert_array_equal(mask, replace(case, elevation=noisy, layers=layers).plain())
        assert (mask != case.plain()).any()


def test_same_seed_same_answer_and_another_seed_another(tmp_path: Path) -> None:
    case = bank(tmp_path, 0.1)
    masks = case.masks(4, seed=7)
    np.testing.assert_array_equal(case.masks(4, seed=7), masks)
    np.testing.assert_array_equal(case.masks(2, seed=7), masks[:2])
    assert all((masks[n] != masks[m]).any() for n in range(4) for m in range(n))
    assert (case.masks(1, seed=8)[0] != masks[0]).any()


def test_more_or_fewer_files_change_nothing(tmp_path: Path) -> None:
    whole = bank(tmp_path, 0.1)
    less = bank(tmp_path, 0.1, shift=17)
    assert less.elevation.survey.working.shape != whole.elevation.survey.working.shape
    np.testing.assert_array_equal(less.masks(), whole.masks())
    # The same ground as four tiles that meet inside the parcel.
    with rasterio.open(tmp_path / "bank1.00.tif") as file:
        z = file.read(1)
    tiles = [
        write_ground(tmp_path / f"t{i}{j}.tif", z[i : i + 110, j : j + 110], west=WEST + j, north=NORTH - i)
        for i in (0, 110)
        for j in (0, 110)
    ]
    tiled = Case(open_elevation(tiles, z_rmse_m=0.1), whole.parcel, whole.fleet, whole.layers)
    np.testing.assert_array_equal(tiled.masks(), whole.masks())


@pytest.mark.parametrize("more", [1.0, 17.3, 41.0])
def test_the_plain_answer_of_a_wider_window_is_the_one_that_realisations_vary(tmp_path: Path, more: float) -> None:
    case = golden(tmp_path, 0.0)
    np.testing.assert_array_equal(case.masks(1)[0], case.plain(more))


def test_error_moves_what_is_near_the_rule_and_leaves_the_rest(tmp_path: Path) -> None:
    """The terrace stops a machine as surveyed. Error of 10 cm tilts parts of it past 3 degrees in some realisations."""
    exact, sure, rough = (bank(tmp_path, rmse) for rmse in (0.0, 0.001, 0.1))
    assert not exact.plain()[:26].any()
    np.testing.assert_array_equal(sure.masks(2)[:, :20], np.stack([exact.plain()[:20]] * 2))
    share = rough.masks(12).mean(axis=0)
    foot = slice(12, 20)
    assert 0.0 < share[foot].mean() < 1.0
    # A slope of 15 percent that runs straight onto a road, with nothing between: above it, whatever the error.
    steep = bank(tmp_path, 0.1)
    below = Case(
        steep.elevation,
        box(100.0, 129.5, 20.0, 20.0),
        steep.fleet,
        Layers(hazards=Layer.of("r", [box(0, 152, 220, 6)])),
    )
    assert below.masks(6)[:, 4:20, 4:20].mean() > 0.95
    # Level ground far from any hazard never is.
    away = Case(steep.elevation, box(100.0, 60.0, 20.0, 15.0), steep.fleet, Layers())
    assert not away.masks(6).any()


def test_water_stays_where_the_survey_found_it(tmp_path: Path) -> None:
    case = golden(tmp_path, 0.3)
    shown = answer(case.elevation, case.parcel, case.fleet, case.layers)
    masks = case.masks(4)
    for hazard in (shown.ground.water & shown.inside, shown.ground.other & shown.inside):
        assert hazard.any()
        assert masks[:, hazard].all()


def test_share_of_zones_by_hand() -> None:
    row = np.array([[0, 0, 0, 1], [0, 0, 2, 1], [-1, -1, 2, 3]], np.int32).repeat(5, axis=1)  # 5 cells each
    inside = row >= 0
    inside[1, 10:15] = inside[2, 10:15] = False  # no centre of row 2 lies in the parcel: all its cells count
    masks = np.zeros((4, *row.shape), bool)
    masks[0, 0, 0] = True  # 1 of 25 cells, 4 %: not over 5 %
    masks[1, 0, :2] = True  # 8 %
    masks[2, :, 15:] = True  # all of rows 1 and 3
    masks[3, 1, 10] = True  # one of ten cells of row 2
    masks[3, 2, 0] = True  # outside
    assert ZONE_SHARE == 0.05
    np.testing.assert_array_equal(realisations_share(row, inside, masks), [0.25, 0.25, 0.25, 0.25])
    np.testing.assert_array_equal(realisations_share(row, inside, iter(masks[:2])), [0.5, 0.0, 0.0, 0.0])
    # Cells of a row outside the parcel do not count where it has others inside.
    inside[0, :2] = False
    np.testing.assert_array_equal(realisations_share(row, inside, masks)[0], 0.0)


def test_exactly_five_percent_is_not_over_it() -> None:
    row = np.zeros((1, 20), np.int32)
    masks = np.zeros((2, 1, 20), bool)
    masks[0, 0, 0] = masks[1, 0, 0] = masks[1, 0, 1] = True
    np.testing.assert_array_equal(realisations_share(row, row == 0, masks), [0.5])


def test_what_cannot_be_realised_is_said(tmp_path: Path) -> None:
    case = golden(tmp_path, None)
    with pytest.raises(InputError, match="--z-rmse"):
        case.drawn(Draws(5))
    case = golden(tmp_path, 0.1)
    with pytest.raises(InputError, match=r"^0 realisations"):
        case.drawn(Draws(0))
