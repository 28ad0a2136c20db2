"""Passes laid out for the zones of a bid, and hours by their length: by hand on plain faces."""

import geopandas as gpd
import pytest
import shapely
from labour_maker import CREW, RIDE_ON, WALK_BEHIND, fleet, season, zones

from slopekit.labour.hours import work_out
from slopekit.labour.layout import lay_out

BANDS = [{"to_deg": 10.0}, {"to_deg": 90.0, "machine": 0.5}]


def face(width: float, height: float, slope: float = 8.0, ids: str = "ride_on", east: float = 0.0) -> gpd.GeoDataFrame:
    """A rectangle that falls south, with the columns that passes rest on."""
    table = zones(("z1", width * height, slope, ids))
    table["plan_m2"] = width * height
    table["aspect_deg"], table["machine_slope_max_deg"] = 180.0, slope
    shape = shapely.multipolygons([shapely.box(east, 0.0, east + width, height)])
    return gpd.GeoDataFrame(table, geometry=[shape], crs="EPSG:25832")


def machines(**more: float):
    limits = {"across_deg": 12.0, "up_down_deg": 12.0}
    return fleet(
        wet_factor=0.8,
        slope_factors=BANDS,
        ride_on=RIDE_ON | limits | {"turn_s": 9.0} | more,
        walk_behind=WALK_BEHIND | {"across_deg": 20.0, "up_down_deg": 20.0},
        crew=CREW,
    )


def laid(table: gpd.GeoDataFrame, plan=None, **more: float):
    of, plan = machines(**more), plan or season()
    lines = work_out(table, of, plan).lines
    return lines, *lay_out(table, lines, of, plan, 1.0)


def test_a_rectangle_by_hand() -> None:
    """80 m wide and 20 m up the map, working width 2 m: 10 passes of 80 m, 9 turns of 2 m, 818 m.

    At 10 km/h that is 0.0818 h, and 9 turns of 9 s are 0.0225 h. Wet leaves 0.8 of the speed: 0.10225 + 0.0225 h.
    """
    plan = season(visits={"dry": 1, "wet": 1})
    _, (record,), hours = laid(face(80.0, 20.0), plan)
    assert (record["passes"], record["turns"]) == (10, 9)
    assert record["length_m"] == pytest.approx(818.0)
    assert record["covered_share"] == pytest.approx(1.0)
    assert record["bearing_deg"] == pytest.approx(270.0)
    assert list(hours) == pytest.approx([0.1043, 0.12475])
    assert record["hours"] == pytest.approx(0.1043)
    # By area: 1600 m2 at 10 km/h * 2 m * 0.8.
    assert record["area_hours"] == pytest.approx(0.1)
    first = record["geometry"].geoms[0].coords
    assert first[0] == pytest.approx((80.0, 1.0)) and first[1] == pytest.approx((0.0, 1.0))


def test_overlap_and_discharge_come_from_the_fleet_file() -> None:
    """With 0.4 m of overlap 18 m between the first and the last pass need 12 passes, from the lower left."""
    _, (record,), _ = laid(face(80.0, 20.0), overlap_m=0.4, discharge="left")
    assert record["passes"] == 13 and record["spacing_m"] == pytest.approx(1.5)
    assert record["geometry"].geoms[0].coords[0] == pytest.approx((0.0, 1.0))
    assert record["bearing_deg"] == pytest.approx(90.0)


def test_none_where_the_machine_may_not_work_across() -> None:
    lines, records, hours = laid(face(80.0, 20.0, slope=12.5))
    assert list(lines["what"]) == ["mowing"] and records == [] and hours.isna().all()
    # Another machine may, where the slope leaves it half its speed.
    _, (record,), hours = laid(face(80.0, 20.0, slope=12.5, ids="walk_behind"))
    assert record["machine"] == "walk_behind" and record["passes"] == 20
    assert hours[0] == pytest.approx((20 * 80.0 + 19 * 1.0) / (4000.0 * 0.5))


def test_spots_hand_work_and_level_ground_have_none() -> None:
    spot = face(80.0, 20.0)
    spot["zone_id"] = "p-s1"
    level = face(80.0, 20.0)
    level["aspect_deg"] = float("nan")
    for table in (spot, level, face(80.0, 20.0, ids="crew")):
        _, records, hours = laid(table)
        assert records == [] and hours.isna().all()


def test_the_pieces_of_a_zone_are_summed() -> None:
    table = face(80.0, 20.0)
    far = shapely.box(200.0, 0.0, 240.0, 10.0)
    table.geometry = [shapely.multipolygons([shapely.box(0, 0, 80, 20), far])]
    table["plan_m2"] = 2000.0
    _, (record,), _ = laid(table)
    assert (record["passes"], record["turns"]) == (15, 13)
    assert record["length_m"] == pytest.approx(818.0 + 5 * 40.0 + 4 * 2.0)
    assert record["covered_share"] == pytest.approx(1.0)
