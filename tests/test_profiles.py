"""The long profile of a way down: against the grid by hand, and against arithmetic on planes."""

import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from ground_maker import NORTH, SHORT_LOOK, WEST, box, elevation_of, fleet_of, write_ground
from scipy import ndimage

from slopekit import evidence
from slopekit.batch import screen
from slopekit.fields import fields_of
from slopekit.grid import Grid
from slopekit.kernels import descent
from slopekit.runout.outcomes import RunOut
from slopekit.runout.profile import long_profile
from slopekit.runout.way_down import way_down
from slopekit.sources.elevation import open_elevation
from slopekit.sources.parcels import Parcel

STANDARD_GRAVITY = 9.80665  # m/s2, 3rd CGPM 1901
FOOT = 0.3048  # m, international foot (1959), exact


def run_of(w: np.ndarray, gentle: np.ndarray, grid: Grid, friction: float, water_from: int) -> RunOut:
    """Ground with water in the rows from `water_from` on."""
    kind = np.zeros(w.shape, np.uint8)
    kind[[0, -1]] = kind[:, [0, -1]] = descent.CUT
    kind[water_from:-1, 1:-1] = descent.WATER
    state = descent.outcomes(w, kind, gentle.astype(np.uint8), np.array([0.9, friction]), grid.dx, grid.dy, 6.0, 1000.0)
    return RunOut.of(w, kind, gentle.astype(np.uint8), state, None)


def falling(grades: list[float], cols: int = 7, dy: float = 1.0) -> np.ndarray:
    """Ground that falls southward by one grade a row; the last row is at height 50."""
    z = 50.0 + dy * np.concatenate([np.cumsum(grades[::-1])[::-1], [0.0]])
    return np.repeat(z[:, None], cols, axis=1)


def kmh(head_m: float) -> float:
    # v^2 / (2 g) = head.
    return 3.6 * math.sqrt(2.0 * STANDARD_GRAVITY * max(0.0, head_m))


@pytest.mark.parametrize("slope", [0.02, 0.1, 0.19])
@pytest.mark.parametrize("dy", [1.0, 2.5])
def test_speed_to_arrive_on_a_plane(slope: float, dy: float) -> None:
    # The energy line (Heim 1932, from memory): a block that slides loses mu m g for each metre of the map, so over a
    # length L with a fall H it arrives if v^2 / (2 g) >= mu L - H.
    grid, mu = Grid(32, 7, 0.0, 0.0, 1.0, dy, "", 1.0), 0.2
    z = falling([slope] * 31, dy=dy)
    run = run_of(z, np.zeros(z.shape, bool), grid, mu, 28)
    found = long_profile(run, z, grid, [(row, 3) for row in range(3, 29)], mu)
    # What the run-out found by other ways must not help here: the line alone has to give the same.
    run.state[:, descent.REACH :] = np.inf
    profile = long_profile(run, z, grid, [(row, 3) for row in range(3, 29)], mu)
    assert found.reach_kmh == pytest.approx(profile.reach_kmh)
    lengths = dy * (28 - np.arange(3, 29))
    assert profile.distance_m == pytest.approx(lengths[0] - lengths)
    assert profile.reach_kmh == pytest.approx([kmh(mu * one - slope * one) for one in lengths])
    assert profile.reach_kmh[0] > 5.0 and profile.reach_kmh[-1] == 0.0


def test_steep_ground_arrives_from_rest_and_gentle_ground_above_it_does_not() -> None:
    # 10 m at 5 %, 8 m at 30 %, 4 m at 10 % down to water; friction 0.2. Arithmetic: at the foot of the bank
    # 4 m x (0.2 - 0.1) = 0.4 m of head are due; the bank gives 0.1 m a metre, so 4 m up it that is used up; the
    # shelf takes 0.15 m a metre.
    grid, mu = Grid(26, 7, 0.0, 0.0, 1.0, 1.0, "", 1.0), 0.2
    grades = [0.05] * 12 + [0.3] * 8 + [0.1] * 4 + [0.02]
    z = falling(grades)
    shelf = np.zeros(z.shape, bool)
    shelf[:12] = True
    shelf[24] = True  # water, however level, is no ground to stop on
    run = run_of(z, shelf & (np.arange(26) % 5 > 0)[:, None], grid, mu, 24)
    profile = long_profile(run, z, grid, [(row, 3) for row in range(2, 25)], mu)
    want = [0.15 * k for k in range(10, 0, -1)] + [0.0] * 5 + [0.1, 0.2, 0.3, 0.4, 0.3, 0.2, 0.1, 0.0]
    assert profile.reach_kmh == pytest.approx([kmh(head) for head in want], abs=1e-5)
    assert profile.landing.tolist() == [2 <= row < 12 and row % 5 > 0 for row in range(2, 25)]


def test_a_shallow_hollow_stops_nothing() -> None:
    grid, mu = Grid(32, 7, 0.0, 0.0, 1.0, 1.0, "", 1.0), 0.2
    w = falling([0.1] * 31)
    z = w.copy()
    z[10:13, 2:5] -= 0.25
    run = run_of(w, np.zeros(z.shape, bool), grid, mu, 28)
    cells = [(row, 3) for row in range(3, 29)]
    there, without = long_profile(run, z, grid, cells, mu), long_profile(run, w, grid, cells, mu)
    assert there.reach_kmh.tolist() == without.reach_kmh.tolist()
    hollow = [10 <= row < 13 for row, _ in cells]
    assert (there.filled_m - there.height_m) == pytest.approx(np.where(hollow, 0.25, 0.0))
    assert there.filled_m.tolist() == [w[cell] for cell in cells]


def test_the_speed_is_never_more_than_the_run_out_found() -> None:
    rng = np.random.default_rng(7)
    grid, mu = Grid(60, 40, 0.0, 0.0, 1.0, 1.0, "", 1.0), 0.35
    z = (
        falling([0.15] * 59, cols=40)
        + np.cumsum(rng.uniform(0.0, 0.02, (60, 40)), axis=1)
        + rng.uniform(0.0, 0.12, (60, 40))
    )
    run = run_of(z, np.zeros(z.shape, bool), grid, mu, 55)
    found = run.column(descent.REACH + 1)
    lower = 0
    for start in ((3, 10), (5, 20), (8, 33), (12, 5)):
        cells = way_down(run, *start, 1.0, 1.0)
        speeds = long_profile(run, z, grid, cells, mu).reach_kmh
        most = np.array([kmh(found[cell]) for cell in cells])
        assert (speeds <= most + 1e-9).all()
        along = [mu * math.dist(a, b) - (z[a] - z[b]) for a, b in pairwise(cells)]
        lower += kmh(sum(along)) > speeds[0] + 1e-9
    assert lower, "on this ground an easier way than the line exists, or the test shows nothing"


def test_distances_in_feet_become_metres_and_diagonals_are_longer() -> None:
    grid = Grid(6, 6, 0.0, 0.0, 3.0, 4.0, "", FOOT)
    z = 10.0 - np.add.outer(np.arange(6.0), np.arange(6.0))
    run = run_of(z, np.zeros(z.shape, bool), grid, 0.2, 4)
    profile = long_profile(run, z, grid, [(1, 1), (2, 2), (2, 3), (3, 3), (4, 4)], 0.2)
    # 3-4-5 triangles, by hand.
    assert profile.distance_m == pytest.approx(np.array([0.0, 5.0, 8.0, 12.0, 17.0]) * FOOT)
    assert profile.height_m.tolist() == [8.0, 6.0, 5.0, 4.0, 2.0]


def bank_above_a_pond() -> np.ndarray:
    """A shelf of 2 %, a bank of 30 % with holes, a foot of 2 % 4 m long, then a pond as the survey flattened it."""
    rows = np.arange(200)
    grades = np.select([rows < 90, rows < 115, rows < 119], [0.02, 0.30, 0.02], 0.005)
    z = 80.0 - np.concatenate([[0.0], np.cumsum(grades)[:-1]])[:, None] - 0.001 * np.arange(180)
    z += ndimage.gaussian_filter(np.random.default_rng(3).normal(size=z.shape), 1.5) * 0.1
    z[108, ::2] -= 0.45  # holes of one cell, 0.15 m lower than the ground below them
    pond = z[119:150, 60:130]
    pond[:] = pond.min() - 0.05
    return z


def pond_tables(path: Path) -> dict[str, Any]:
    conditions = {"dry": {"friction": 0.35, "limit_factor": 1.0}, "wet": {"friction": 0.2, "limit_factor": 0.8}}
    fleet = fleet_of(settings=SHORT_LOOK, conditions=conditions)
    return screen(elevation_of(path, bank_above_a_pond()), [Parcel("bank", box(80.0, 84.0, 25.0, 33.0))], fleet)


@pytest.fixture(scope="module")
def pond(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    path = tmp_path_factory.mktemp("pond") / "pond.tif"
    return path, pond_tables(path)


def test_each_path_has_its_profile(pond: tuple[Path, dict[str, Any]]) -> None:
    path, tables = pond
    paths, profiles = tables["paths"], tables["profiles"]
    assert len(paths) > 0
    assert list(profiles.columns) == [f.name for f in fields_of("profiles")]
    assert list(profiles.zone_id.drop_duplicates()) == list(paths.zone_id)
    with rasterio.open(path) as file:
        for _, row in paths.iterrows():
            points = profiles[profiles.zone_id == row.zone_id]
            corners = shapely.get_coordinates(row.geometry)
            assert list(points.point) == list(range(1, len(corners) + 1))
            # Heights as another library reads them at the line's own corners.
            assert list(points.height_m) == [value[0] for value in file.sample(corners)]
            along = [row.geometry.line_locate_point(shapely.Point(xy)) for xy in corners]
            assert (points.filled_m - points.height_m).max() > 0.03, "a hole is on the way"
            assert list(points.distance_m) == pytest.approx(along, abs=1e-6)
            assert points.distance_m.iloc[-1] == pytest.approx(row.length_m)
            assert points.filled_m.iloc[0] - points.filled_m.iloc[-1] == pytest.approx(row.fall_m)
            assert list(points.mark) == ["start", *[""] * (len(corners) - 2), f"hazard: {row.hazard}"]
            assert (points.parcel_id == row.parcel_id).all()


def test_the_table_is_enough_to_check_the_speed(pond: tuple[Path, dict[str, Any]]) -> None:
    # By hand from the table's own heights, in the slipperiest condition: no more may be asked for.
    for _, points in pond[1]["profiles"].groupby("zone_id"):
        head, want = 0.0, [0.0]
        s, z = points.distance_m.to_numpy(), points.filled_m.to_numpy()
        for k in range(len(s) - 2, -1, -1):
            head = max(0.0, head + 0.2 * (s[k + 1] - s[k]) - (z[k] - z[k + 1]))
            want.insert(0, kmh(head))
        speeds = points.reach_kmh.to_numpy()
        assert (speeds <= np.array(want) + 1e-9).all()
        assert speeds.max() > 0.0


def test_the_slipperiest_condition_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[float] = []

    def keep(*given: Any) -> Any:
        asked.append(given[-1])
        return long_profile(*given)

    monkeypatch.setattr(evidence, "long_profile", keep)
    pond_tables(tmp_path / "pond.tif")
    assert asked and set(asked) == {0.2}


def test_landing_and_speed_on_the_bank(pond: tuple[Path, dict[str, Any]]) -> None:
    _, tables = pond
    (row,) = tables["paths"].sort_values("length_m").tail(1).index
    points = tables["profiles"][tables["profiles"].zone_id == tables["paths"].zone_id[row]]
    line = shapely.get_coordinates(tables["paths"].geometry[row])
    south = NORTH - line[:, 1]
    # Two rows from where the grade changes the smoothing no longer matters: 2 % is under 5 degrees, 30 % over it.
    shelf, bank = south < 88.0, (south > 93.0) & (south < 113.0)
    landing = points.landing.to_numpy(bool)
    assert shelf.sum() > 2 and bank.sum() > 10 and not landing[bank].any() and landing[shelf].all()
    assert points.mark.iloc[-1] == "hazard: water" and not landing[-1]
    # Arithmetic: at least 5 m up a bank of 30 % the slipperiest condition, friction 0.2, arrives from rest: it gains
    # 0.1 m of head a metre, and the foot of 4 m takes under 0.18 m a metre.
    high = (south > 92.0) & (south < 106.0)
    assert high.sum() > 5 and (points.reach_kmh.to_numpy(float)[high] == 0.0).all()


def test_ground_without_a_hazard_has_no_profile(tmp_path: Path) -> None:
    z = 80.0 - 0.02 * np.arange(200.0)[:, None] - 0.01 * np.arange(180.0)
    elevation = open_elevation([write_ground(tmp_path / "plane.tif", z, west=WEST)])
    tables = screen(elevation, [Parcel("p", box(80.0, 84.0, 25.0, 33.0))], fleet_of(settings=SHORT_LOOK))
    assert len(tables["paths"]) == len(tables["profiles"]) == 0
    assert list(tables["profiles"].columns) == [f.name for f in fields_of("profiles")]
