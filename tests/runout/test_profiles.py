"""The energy line along a way: by hand on made profiles, and against the tables of a screening."""

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from ground_maker import WEST, box, elevation_of, fleet_of, write_ground

from slopekit.grid import Window
from slopekit.kernels.least_head import scale_of
from slopekit.runout.profile import profile_of
from slopekit.runout.run_out import DROP, WATER, RunOut, run_out
from slopekit.runout.way import Way, path_to, ride, way_words
from slopekit.schema.fields import fields_of
from slopekit.screening.batch import screen
from slopekit.sources.elevation import open_elevation
from slopekit.sources.parcels import Parcel

GRAVITY = 9.80665  # m/s2, 3rd CGPM 1901
STILL = 3.6 * math.sqrt(2.0 * GRAVITY * 0.05)
ROLLING = 0.0875


def kmh(head_m: float) -> float:
    # v^2 / (2 g) = head.
    return 3.6 * math.sqrt(2.0 * GRAVITY * head_m)


def column(heights: list[float]) -> np.ndarray:
    return np.repeat(np.array(heights)[:, None], 3, axis=1)


def straight(rows: int) -> np.ndarray:
    return np.array([(row, 1) for row in range(rows)])


def test_line_and_speed_by_hand() -> None:
    # Energy line (Heim 1932, Koerner 1976, from memory): a metre takes 0.1 m on the first four steps and 0.3 m after.
    z = column([10.0, 9.5, 9.0, 8.5, 8.0, 8.0, 8.0])
    loss = column([0.1, 0.1, 0.1, 0.1, 0.1, 0.3, 0.3])
    step = scale_of(1.0, 1.0)
    profile = profile_of(z, loss, straight(7), 18.0, 1.0, 1.0)
    assert profile.distance_m == pytest.approx(step * np.arange(7))
    start = 10.0 + (18.0 / 3.6) ** 2 / (2.0 * GRAVITY)
    # Between two cells the mean of both.
    lost = step * np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.6, 0.9])
    assert profile.line_m == pytest.approx(start - lost)
    assert profile.speed_kmh == pytest.approx([kmh(start - lost[n] - z[n, 0]) for n in range(7)])
    assert profile.stopped_m is None


def test_a_machine_stops_where_its_line_meets_the_ground() -> None:
    z, loss = column([10.0, 9.8, 9.8, 9.8, 9.8]), np.full((5, 3), 0.15)
    step = scale_of(1.0, 1.0)
    profile = profile_of(z, loss, straight(5), 0.0, 1.0, 1.0)
    # 0.2 m gained, 0.15 m lost for each metre.
    assert profile.stopped_m == pytest.approx(0.2 / 0.15)
    assert np.isnan(profile.speed_kmh).tolist() == [False, False, True, True, True]
    assert profile.speed_kmh[1] == pytest.approx(kmh(0.2 - 0.15 * step))
    # What rises at once stops at once; more speed gets over it.
    up = column([1.0, 2.0, 0.0])
    assert profile_of(up, loss[:3], straight(3), 0.0, 1.0, 1.0).stopped_m == pytest.approx(0.0)
    over = kmh(1.0 + 0.15 * step)
    assert profile_of(up, loss[:3], straight(3), over * 1.001, 1.0, 1.0).stopped_m is None
    assert profile_of(up, loss[:3], straight(3), over * 0.999, 1.0, 1.0).stopped_m is not None


def found(z: np.ndarray, at: tuple[int, int], hazard: tuple[int, int], kind: str = WATER, rise: float = 0.0) -> RunOut:
    source = np.full(z.shape, np.inf)
    source[hazard] = z[hazard] + rise
    start = np.zeros(z.shape, bool)
    start[at] = True
    return run_out(z, [np.full(z.shape, ROLLING)], {kind: source}, start, Window(*at, 1, 1), 20.0, 1.0, 1.0)


def way(run: RunOut, kind: str, at: tuple[int, int]) -> Way:
    return path_to(run, kind, at, 5.0, 1.0, 1.0)


@pytest.mark.parametrize("slope", [6.0, 12.0, 25.0])
def test_arrival_on_a_plane(slope: float) -> None:
    grade = math.tan(math.radians(slope))
    z = np.repeat(50.0 - grade * np.arange(40.0)[:, None], 9, axis=1)
    one = way(found(z, (2, 4), (32, 4)), WATER, (2, 4))
    assert one.start_kmh == 0.0 and not one.across
    assert one.fall_m == pytest.approx(30.0 * grade) and one.length_m == pytest.approx(30.0, rel=0.02)
    # sqrt(2 g (z + v2/2g - z_H - sum of mu d)), the length within the error of the moves.
    assert one.arrival_kmh == pytest.approx(kmh(30.0 * (grade - ROLLING)), rel=0.06)


@pytest.mark.parametrize(("aside", "across"), [(0, False), (15, False), (40, True), (52, True)])
def test_a_way_that_leaves_the_fall_line(aside: int, across: bool) -> None:
    # A plane of 20 degrees, a hazard 30 m down and so far aside: 27, 53 and 60 degrees from the fall line.
    z = np.repeat(90.0 - math.tan(math.radians(20.0)) * np.arange(60.0)[:, None], 120, axis=1)
    at = 10, 20
    one = way(found(z, at, (40, 20 + aside)), WATER, at)
    assert one.start_kmh == 0.0
    assert one.across is across
    # On level ground there is no face.
    level = np.repeat(50.0 - 0.01 * np.arange(60.0)[:, None], 120, axis=1)
    assert not way(found(level, at, (40, 20 + aside)), WATER, at).across


def test_the_end_is_as_high_as_the_hazard() -> None:
    # The unsmoothed crest stands 0.3 m over the smoothed ground, and a machine must get over it.
    z = np.repeat(20.0 - 0.0875 * np.arange(20.0)[:, None], 7, axis=1)
    run = found(z, (2, 3), (12, 3), DROP, rise=0.3)
    one = way(run, DROP, (2, 3))
    assert one.profile.height_m[-1] == pytest.approx(z[12, 3] + 0.3)
    # The length of the way is up to 2 % too short.
    assert one.start_kmh == pytest.approx(kmh(0.3), rel=0.04) and one.arrival_kmh == pytest.approx(0.0, abs=0.01)
    assert ride(run, DROP, one.cells, one.start_kmh * 0.99, 1.0, 1.0).stopped_m is not None
    assert ride(run, DROP, one.cells, one.start_kmh * 1.01, 1.0, 1.0).stopped_m is None


def test_words() -> None:
    rolls = way_words(WATER, 34.2, 0.0, 20.9, False, STILL)
    assert rolls == "a machine that rolls from here gets to the water 34 m on at 21 km/h"
    # What is over 3.57 km/h is no standstill. It is rounded down.
    faster = way_words(DROP, 4.06, 6.39, 0.2, True, STILL, named="given")
    assert (
        faster
        == "from 6.3 km/h on a machine gets to the drop (given) 4.1 m on, at under 1 km/h, by a path across the face"
    )


def bank_above_a_pond() -> np.ndarray:
    """A shelf of 2 %, a bank of 30 %, a foot of 2 % 4 m long, then a pond as the survey flattened it."""
    rows = np.arange(400)
    grades = np.select([rows < 190, rows < 215, rows < 219], [0.02, 0.30, 0.02], 0.012)
    z = 80.0 - np.concatenate([[0.0], np.cumsum(grades)[:-1]])[:, None] - 0.001 * np.arange(380)
    pond = z[219:250, 160:230]
    pond[:] = pond.min() - 0.05
    return z


@pytest.fixture(scope="module")
def pond(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    path = tmp_path_factory.mktemp("pond") / "pond.tif"
    conditions = {"dry": {"friction": 0.35, "limit_factor": 1.0}, "wet": {"friction": 0.2, "limit_factor": 0.8}}
    elevation = elevation_of(path, bank_above_a_pond())
    return path, screen(elevation, [Parcel("bank", box(180.0, 182.0, 25.0, 35.0))], fleet_of(conditions=conditions))


def test_each_path_has_its_profile(pond: tuple[Path, dict[str, Any]]) -> None:
    path, tables = pond
    paths, profiles = tables["paths"], tables["profiles"]
    assert len(paths) > 1
    assert list(profiles.columns) == [f.name for f in fields_of("profiles")]
    assert list(profiles.zone_id.drop_duplicates()) == list(paths.zone_id)
    with rasterio.open(path) as file:
        for _, row in paths.iterrows():
            points = profiles[profiles.zone_id == row.zone_id]
            corners = shapely.get_coordinates(row.geometry)
            assert list(points.point) == list(range(1, len(corners) + 1))
            # Heights as another library reads them at the line's own corners; smoothed where the ground bends.
            assert list(points.height_m) == pytest.approx([v[0] for v in file.sample(corners)], abs=0.15)
            along = [row.geometry.line_locate_point(shapely.Point(xy)) for xy in corners]
            assert list(points.distance_m) == pytest.approx(along, rel=0.02)
            assert points.distance_m.iloc[-1] == pytest.approx(row.length_m)
            assert points.height_m.iloc[0] - points.height_m.iloc[-1] == pytest.approx(row.fall_m)
            assert (points.speed_kmh.iloc[0], points.speed_kmh.iloc[-1]) == (row.start_kmh, row.arrival_kmh)
            assert list(points.mark) == ["start", *[""] * (len(corners) - 2), f"hazard: {row.hazard}"]
            assert (points.parcel_id == row.parcel_id).all()


def test_the_table_is_enough_to_check_the_speed(pond: tuple[Path, dict[str, Any]]) -> None:
    # By hand from the table's own heights, in the slipperiest condition: no metre takes more than its friction or less
    # than rolling, and the speed is what the line has over the ground.
    for _, points in pond[1]["profiles"].groupby("zone_id"):
        s, z, line = (points[name].to_numpy(float) for name in ("distance_m", "height_m", "line_m"))
        taken = -np.diff(line) / np.diff(s)
        assert (taken >= ROLLING - 1e-9).all() and (taken <= 0.2 + 1e-9).all()
        assert points.speed_kmh.to_numpy(float) == pytest.approx([kmh(max(0.0, head)) for head in line - z], abs=1e-3)


def test_note_and_zone_say_what_the_profile_says(pond: tuple[Path, dict[str, Any]]) -> None:
    zones, paths = pond[1]["zones"], pond[1]["paths"].set_index("zone_id")
    told = 0
    for zone in zones.itertuples():
        if zone.zone_id not in paths.index or zone.reason not in ("above_water", "reach"):
            continue
        row = paths.loc[zone.zone_id]
        assert zone.fall_m == row.fall_m and zone.hazard == row.hazard == "water"
        assert zone.hazard_m <= row.length_m + 1e-9
        arrival = f"{row.length_m:.0f} m on at {row.arrival_kmh:.0f} km/h"
        rolls = f"A machine that rolls from its highest such place gets to the water {arrival}"
        goes = f"on a machine gets from its highest such place to the water {arrival.replace(' at', ', at')}"
        assert (rolls if row.start_kmh <= STILL else goes) in zone.note
        told += 1
    assert told > 1


def test_ground_without_a_hazard_has_no_profile(tmp_path: Path) -> None:
    z = 80.0 - 0.02 * np.arange(400.0)[:, None] - 0.01 * np.arange(380.0)
    elevation = open_elevation([write_ground(tmp_path / "plane.tif", z, west=WEST)])
    tables = screen(elevation, [Parcel("p", box(180.0, 184.0, 25.0, 33.0))], fleet_of())
    assert len(tables["paths"]) == len(tables["profiles"]) == 0
    assert list(tables["profiles"].columns) == [f.name for f in fields_of("profiles")]
