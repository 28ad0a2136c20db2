"""Where the first pass of a zone begins: corners and bearings by hand, and the layers of a screening.

Starting at the foot, at the lower right as seen facing the slope for a discharge to the right, is common practice, no
source. Ground is invented.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from ground_maker import NORTH, SHORT_LOOK, WEST, Answer, answer, box, elevation_of, fleet_of

from slopekit.labour.passes import first_pass, passes_across
from slopekit.sources.elevation import Elevation

FACE = shapely.box(0.0, 0.0, 60.0, 20.0)


@pytest.mark.parametrize(
    ("downhill", "discharge", "start", "bearing"),
    [
        # It falls to the south, so one faces north: the right is east, and half of 2 m above the foot is y = 1.
        (180.0, "right", (60.0, 1.0), 270.0),
        (180.0, "left", (0.0, 1.0), 90.0),
        # It falls to the north: the foot is the north edge, the right is west.
        (0.0, "right", (0.0, 19.0), 90.0),
        # It falls to the east: one faces west, the right is north.
        (90.0, "right", (59.0, 20.0), 180.0),
        (270.0, "left", (1.0, 20.0), 180.0),
    ],
)
def test_first_pass_across_by_hand(downhill: float, discharge: Any, start: tuple[float, float], bearing: float) -> None:
    first = first_pass(FACE, downhill, 2.0, discharge=discharge)
    assert first is not None and first.corner == f"lower {discharge}"
    assert first.line.coords[0] == pytest.approx(start, abs=1e-9)
    assert first.bearing_deg == pytest.approx(bearing)
    assert first.line.length == pytest.approx(60.0 if downhill in (0.0, 180.0) else 20.0)
    whole = passes_across(FACE, downhill, 2.0, discharge=discharge)
    assert whole is not None and whole.start.coords[0] == pytest.approx(start, abs=1e-9)
    assert whole.bearing_deg == pytest.approx(bearing)


@pytest.mark.parametrize(
    ("downhill", "discharge", "start", "bearing"),
    [(180.0, "right", (59.0, 0.0), 0.0), (180.0, "left", (1.0, 0.0), 0.0), (90.0, "right", (60.0, 19.0), 270.0)],
)
def test_first_pass_straight_up_by_hand(
    downhill: float, discharge: Any, start: tuple[float, float], bearing: float
) -> None:
    first = first_pass(FACE, downhill, 2.0, up_and_down=True, discharge=discharge)
    assert first is not None
    assert first.line.coords[0] == pytest.approx(start, abs=1e-9)
    assert first.bearing_deg == pytest.approx(bearing, abs=1e-9)
    x, y = first.line.coords[-1]
    assert (x, y) == pytest.approx((0.0, 19.0) if downhill == 90.0 else (start[0], 20.0), abs=1e-9)


def test_the_direction_of_the_line_is_its_bearing_on_any_zone() -> None:
    rng = np.random.default_rng(2)
    for n in range(60):
        zone = shapely.convex_hull(shapely.MultiPoint(rng.uniform(0.0, 50.0, (8, 2))))
        downhill, width = rng.uniform(0.0, 360.0), rng.uniform(0.5, 3.0)
        first = first_pass(zone, downhill, width, up_and_down=n % 2 == 0, discharge="right" if n % 3 else "left")
        assert first is not None and shapely.covers(zone.buffer(1e-6), first.line)
        (x0, y0), (x1, y1) = first.line.coords
        assert np.degrees(np.arctan2(x1 - x0, y1 - y0)) % 360.0 == pytest.approx(first.bearing_deg, abs=1e-6)
        uphill = -np.sin(np.radians(downhill)), -np.cos(np.radians(downhill))
        rise = (x1 - x0) * uphill[0] + (y1 - y0) * uphill[1]
        # Never down; level across, all of its length straight up.
        assert rise == pytest.approx(first.line.length if n % 2 == 0 else 0.0, abs=1e-6)


def test_a_tip_at_the_foot_is_no_start() -> None:
    # A face 40 m long with a spike 1.5 m wide below it.
    spike = shapely.union_all([shapely.box(0, 10, 40, 30), shapely.box(20, 0, 21.5, 10)])
    first = first_pass(spike, 180.0, 2.0)
    assert first is not None and first.line.length == pytest.approx(40.0)
    assert first.line.coords[0][1] == pytest.approx(11.0)
    assert first_pass(shapely.Polygon(), 180.0, 2.0) is None


@pytest.fixture(scope="module")
def face(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    """A lawn of 2 %, below it from row 110 to 134 a face of 22 % (12.4 degrees) that falls to the south, and a lawn."""
    row, col = np.mgrid[:240, :240]
    z = 100.0 - 0.02 * row - 0.002 * col - 0.2 * np.clip(row - 110.0, 0.0, 24.0)
    return elevation_of(tmp_path_factory.mktemp("face") / "face.tif", z)


PARCEL = box(100.0, 90.0, 50.0, 60.0)


def screened(face: Elevation, **machines: Any) -> Answer:
    # Only the stand-on is let on the face, one way.
    stand_on = {"across_deg": 14.0, "up_down_deg": 8.0} | machines.pop("stand_on", {})
    return answer(face, PARCEL, fleet_of(settings=SHORT_LOOK, stand_on=stand_on, **machines))


def test_starts_of_a_screening(face: Elevation) -> None:
    a = screened(face)
    by_zone = a.zones.set_index("zone_id")
    steep = [id_ for id_, zone in by_zone.iterrows() if zone.machine_class == "stand-on"]
    starts, directions = a.records["starts"], a.records["directions"]
    assert [s["zone_id"] for s in starts] == steep == [d["zone_id"] for d in directions] and len(steep) == 1
    (start,), (direction,) = starts, directions
    zone = by_zone.loc[steep[0]]
    # It faces south, half a degree off for the fall of 0.2 % to the east: from the south-east corner to the west.
    assert (start["machine"], start["way"], start["corner"]) == ("stand_on", "across", "lower right")
    assert start["bearing_deg"] == zone.first_bearing_deg == pytest.approx(270.0, abs=1.0)
    west, south, east, _ = zone.geometry.bounds
    assert start["geometry"].x == pytest.approx(east, abs=0.1) and start["geometry"].y < south + 2.0
    assert start["geometry"].coords[0] == direction["geometry"].coords[0]
    assert direction["length_m"] == pytest.approx(east - west, abs=1.0)
    assert "Start at the foot, at the lower right as seen facing the slope, bearing 269 degrees" in zone.note
    assert "where the operator's manual allows work across, across the face and upward, turning uphill" in zone.note
    level = by_zone[by_zone.machine_class == "ride-on"]
    assert len(level) == 2 and level.first_bearing_deg.isna().all()
    assert not level.note.str.contains("Start at").any()


def test_a_discharge_to_the_left_and_a_machine_held_to_up_and_down(face: Elevation) -> None:
    (start,) = screened(face, stand_on={"discharge": "left"}).records["starts"]
    assert start["corner"] == "lower left" and start["bearing_deg"] == pytest.approx(90.0, abs=1.0)
    assert start["geometry"].x == pytest.approx(WEST + 100.0, abs=0.1)
    a = screened(face, stand_on={"across_deg": 8.0, "up_down_deg": 14.0})
    (start,), (direction,) = a.records["starts"], a.records["directions"]
    assert start["way"] == "up-and-down" and start["bearing_deg"] == pytest.approx(359.5, abs=0.2)
    assert start["geometry"].x == pytest.approx(WEST + 150.0 - 0.6, abs=0.6)
    assert start["geometry"].y < NORTH - 130.0 and direction["geometry"].coords[1][1] > NORTH - 115.0
    (note,) = a.zones.note[a.zones.zone_id == start["zone_id"]]
    assert "straight up and down the face, never across it" in note


def test_the_hand_crew_has_no_start(face: Elevation, tmp_path: Path) -> None:
    a = screened(face, stand_on={"across_deg": 8.0}, walk_behind={"across_deg": 8.0, "up_down_deg": 8.0})
    assert set(a.zones.machine_class) == {"ride-on", "hand crew"}
    assert a.records["starts"] == [] and a.records["directions"] == []
