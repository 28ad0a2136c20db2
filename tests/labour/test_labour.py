"""Field capacity, crew hours and assignment, against handbooks, hand calculation and full enumeration.

Work factors, hand rates and edge rates are the company's own: none is published that travels. Those here are invented,
and what is checked is the arithmetic.
"""

import math

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from labour_maker import CREW, FLEET, RIDE_ON, WALK_BEHIND, fleet, season, season_cost, zones
from pydantic import ValidationError

from slopekit.errors import InputError
from slopekit.fleet.capacity import field_capacity, hectares_per_hour
from slopekit.fleet.figures import Range
from slopekit.labour.edges import edge_lengths
from slopekit.labour.hours import GOALS, NO_EDGE_RATE, NO_TRIMMER, SITE_VISIT, work_out
from slopekit.labour.season import Travel, load_season, one_visit
from slopekit.labour.totals import crew_table, season_lines

pytestmark = pytest.mark.reference

# 0.3048 m a foot, 5280 feet a mile and 43 560 square feet an acre, by definition (1959).
KMH_PER_MPH = 1.609344
SQUARE_METRES_PER_ACRE = 4046.8564224

# Width ft, speed mph, field efficiency %, acre/h as printed to 0.1.
# Iowa State University Extension, A3-24 Table 1 and PM-696.
CAPACITIES = [
    (40, 6, 70, 20.4), (50, 6, 70, 25.5), (60, 6, 68, 29.7), (60, 12, 68, 59.3), (80, 6, 68, 39.6), (80, 12, 68, 79.1),
    (10, 5, 63, 3.8), (15, 5, 63, 5.7), (15, 6, 63, 6.9), (20, 6, 63, 9.2), (30, 6, 60, 13.1), (36, 5, 60, 13.1),
    (45, 5, 60, 16.4),
]  # fmt: skip


@pytest.mark.parametrize(("feet", "mph", "percent", "printed"), CAPACITIES)
def test_field_capacity_of_the_handbook(feet: float, mph: float, percent: float, printed: float) -> None:
    hectares = hectares_per_hour(mph * KMH_PER_MPH, feet * 0.3048, percent / 100.0)
    assert hectares * 10_000.0 / SQUARE_METRES_PER_ACRE == pytest.approx(printed, abs=0.06)


def test_field_capacity_in_square_feet() -> None:
    """60 in at 8.5 mph and 80 %: 60 / 12 * 8.5 * 5280 * 0.8 = 179 520 ft2/h, over 43 560 4.12 acre/h (arithmetic)."""
    rate = field_capacity(Range.exactly(8.5 * KMH_PER_MPH), 60 * 0.0254, Range.exactly(0.8))
    assert rate.expected / SQUARE_METRES_PER_ACRE == pytest.approx(4.12, abs=0.005)
    assert rate.expected / 0.3048**2 == pytest.approx(179_520.0, rel=1e-12)


@given(st.floats(0.1, 40.0), st.floats(0.1, 20.0), st.floats(0.01, 1.0))
def test_acres_and_hectares_agree(mph: float, feet: float, part: float) -> None:
    # ASAE EP496 in acre/h: mph * ft * E / 8.25.
    hectares = hectares_per_hour(mph * KMH_PER_MPH, feet * 0.3048, part)
    assert mph * feet * part / 8.25 * SQUARE_METRES_PER_ACRE == pytest.approx(hectares * 10_000.0, rel=1e-12)


def test_crew_hours_of_the_1989_handbook() -> None:
    """TM 5-629 / NAVFAC MO-314 (1989), section 6-6: 800 h at 6 productive hours a day are 133.3 days, 1 066 h paid.

    Travel of 68 trips of 6 miles is 142.80 at 0.35 a mile, and 784.04 at an hour and 11.53 a trip; the supervisor's
    80 h at 16.87 are 1 349.60. The handbook keeps the days to 0.1 and rounds the hours down.
    """
    plan = season(
        day={"productive_hours": 6.0, "paid_hours": 8.0, "crew_size": 1},
        visits={"dry": 1},
        person_rate_h=11.53,
        supervisor={"hours": 80.0, "rate_h": 16.87},
    )
    bid = work_out(zones(("z1", 80_000.0, 0.0, "crew")), FLEET, plan)
    row = crew_table(bid, plan).iloc[0]
    assert round(row["days_per_season"], 1) == 133.3
    assert math.floor(row["paid_hours_per_visit"]) == 1066
    assert season_cost(bid, plan)[1] - 1349.60 == pytest.approx(12_290.98, rel=1e-3)
    travel = Travel(to_parcel_min=60.0, to_parcel_km=6 * 1.609344, cost_per_km=0.35 / 1.609344)
    trips = plan.model_copy(update={"visits": {"dry": 68}, "travel": travel})
    lines = season_lines(work_out(zones(("z1", 1.0, 0.0, "crew")), FLEET, trips).lines, trips)
    driving = lines[lines["what"] == "driving"]
    assert driving["person_hours"].sum() == 68.0
    assert driving["cost"].sum() == pytest.approx(142.80 + 784.04, abs=0.005)


def test_three_zones_by_hand() -> None:
    """Three zones, worked out on paper.

    Ride-on 10 km/h * 2 m * 0.8 = 16 000 m2/h, walk-behind 4 * 1 * 0.75 = 3 000 m2/h. Slope over 10 degrees leaves 0.8.
    z1 8 000 m2 at 3 degrees: ride-on 0.5 h. z2 1 200 m2 at 15: walk-behind 1 200 / 2 400 = 0.5 h. z3 300 m2 at 30, by
    hand at 0.5 * 200 = 100 m2/h: 3 h. z1 has 90 m of edge at 180 m/h: 0.5 h. Set-up: ride-on 15 min, walk-behind 6 min.
    In all 0.5 + 0.5 + 3 + 0.5 + 0.25 + 0.1 = 4.85 h; wages 4.85 * 8/6 * 30 = 194; ride-on 0.75 h * 20 = 15,
    walk-behind 0.6 h * 10 = 6: 215 a visit, 2 150 in ten visits. One day of two people has 12 productive hours.
    """
    rate = {"low": 100.0, "expected": 200.0, "high": 300.0}
    machines = fleet(
        slope_factors=[{"to_deg": 10.0}, {"to_deg": 90.0, "machine": 0.8, "hand": 0.5}],
        ride_on=RIDE_ON | {"set_up_min": 15.0},
        walk_behind=WALK_BEHIND | {"set_up_min": 6.0},
        crew=CREW | {"hand_rate_m2_h": rate, "edge_rate_m_h": 180.0},
    )
    plan = season(person_rate_h=30.0, machine_rates_h={"ride_on": 20.0, "walk_behind": 10.0})
    table = zones(
        ("z1", 8000.0, 3.0, "ride_on,walk_behind,crew"),
        ("z2", 1200.0, 15.0, "walk_behind"),
        ("z3", 300.0, 30.0, "crew"),
    )
    table.loc[0, "edge_m"] = 90.0
    bid = work_out(table, machines, plan)
    hours = bid.lines.set_index(["zone_id", "machine", "what"])["hours"].to_dict()
    assert hours == pytest.approx(
        {
            ("p-z1", "ride_on", "mowing"): 0.5, ("p-z1", "crew", "edges"): 0.5, ("p-z2", "walk_behind", "mowing"): 0.5,
            ("p-z3", "crew", "hand work"): 3.0, ("", "ride_on", "set-up"): 0.25, ("", "walk_behind", "set-up"): 0.1,
        }
    )  # fmt: skip
    assert season_cost(bid, plan)[1] == pytest.approx(2150.0)
    assert crew_table(bid, plan)["days_per_visit"][0] == pytest.approx(4.85 / 12.0)
    by_hand = bid.lines[bid.lines["what"] == "hand work"].iloc[0]
    assert (by_hand["hours_low"], by_hand["hours_high"]) == pytest.approx((2.0, 6.0))


def test_nobody_permitted_is_not_priced() -> None:
    bid = work_out(zones(("z1", 100.0, 3.0, ""), ("z2", 100.0, 3.0, "ride_on")), FLEET, season())
    assert list(bid.not_priced["zone_id"]) == ["p-z1"] and list(bid.not_priced["why"]) == [SITE_VISIT]
    assert list(bid.lines["zone_id"]) == ["p-z2"]
    assert bid.lines["cost"].isna().all()


def test_wet_ground_and_the_travel_to_a_zone_by_hand() -> None:
    """3 000 m2/h times 0.5 when wet: 1 500 m2 take 1 h, and 3 minutes to get there are 0.05 h. By hand 200 m2/h
    times 0.5."""
    plan = season(visits={"wet": 4}, travel={"to_zone_min": 3.0})
    machines = fleet(wet_factor=0.5, walk_behind=WALK_BEHIND, crew=CREW | {"hand_rate_m2_h": 200.0})
    bid = work_out(zones(("z1", 1500.0, 3.0, "walk_behind"), ("z2", 100.0, 3.0, "crew")), machines, plan)
    assert list(bid.lines["hours"]) == pytest.approx([1.05, 1.05])
    assert season_lines(bid.lines, plan)["hours"].sum() == pytest.approx(8.4)


def test_the_goals_differ_as_they_should() -> None:
    """20 m2 beside nothing: by hand 0.2 h, with a ride-on that takes half an hour to bring. A machine goes first.

    Walk-behind and ride-on: 30 000 m2 for both and 3 000 m2 for the walk-behind only. Fewest: the walk-behind alone,
    11 h. Least hours: 30 000 / 16 000 = 1.875 h with the ride-on, 1 h with the walk-behind, and two set-ups of 0.5 h.
    """
    slow = {"set_up_min": 30.0}
    machines = fleet(ride_on=RIDE_ON | slow, walk_behind=WALK_BEHIND | slow, crew=CREW)
    plan = season(person_rate_h=30.0, machine_rates_h={"ride_on": 0.0, "walk_behind": 0.0})
    spot = zones(("z1", 20.0, 3.0, "ride_on,crew"))
    assert [work_out(spot, machines, plan, goal).lines["machine"][0] for goal in GOALS] == [
        "ride_on",
        "crew",
        "ride_on",
    ]
    table = zones(("z1", 30_000.0, 3.0, "ride_on,walk_behind"), ("z2", 3000.0, 3.0, "walk_behind"))
    hours = [work_out(table, machines, plan, goal).lines["hours"].sum() for goal in GOALS]
    assert hours == pytest.approx([3.875, 3.875, 11.5])


def test_one_machine_cannot_be_worked_by_two_people_at_once() -> None:
    """96 000 m2 at 16 000 m2/h are 6 h, one day of 6 productive hours, though the crew of two has 12 in a day."""
    bid = work_out(zones(("z1", 96_000.0, 3.0, "ride_on")), FLEET, season())
    assert crew_table(bid, season())["days_per_visit"][0] == pytest.approx(1.0)


def test_factors_that_grow_with_slope_are_refused() -> None:
    for bands, words in (
        ([{"to_deg": 10.0, "machine": 0.5}, {"to_deg": 90.0}], "must not grow with slope"),
        ([{"to_deg": 10.0}], "add a band with to_deg = 90.0"),
        ([{"to_deg": 20.0}, {"to_deg": 10.0}, {"to_deg": 90.0}], "must rise"),
    ):
        with pytest.raises(ValidationError, match=words):
            fleet(slope_factors=bands, ride_on=RIDE_ON)


def test_a_missing_hand_rate_is_refused_where_it_is_needed() -> None:
    silent = fleet(ride_on=RIDE_ON, crew={"class": "hand crew"})
    work_out(zones(("z1", 100.0, 3.0, "ride_on,crew")), silent, season())
    with pytest.raises(InputError, match=r"^machines\.crew\.hand_rate_m2_h is missing .* p-z2\) .*type your own\.$"):
        work_out(zones(("z1", 100.0, 3.0, "ride_on"), ("z2", 40.0, 3.0, "crew")), silent, season())


def test_other_bad_input() -> None:
    table = zones(("z1", 100.0, 3.0, "ride_on"))
    with pytest.raises(InputError, match="permitted_dry is missing"):
        work_out(table.drop(columns="permitted_dry"), FLEET, season())
    with pytest.raises(InputError, match="machine 'ride_on' of permitted_dry is not in the fleet file"):
        work_out(table, fleet(walk_behind=WALK_BEHIND), season())
    with pytest.raises(InputError, match="no hours can be worked out for ride_on"):
        work_out(table, fleet(ride_on={"class": "ride-on", "width_m": 2.0}), season())
    with pytest.raises(InputError, match="person_rate_h is missing"):
        work_out(table, FLEET, season(), "cost")
    with pytest.raises(ValidationError, match="width_m"):
        fleet(ride_on={**RIDE_ON, "width_m": 0.0})


WHOLE_DAY = "visits = { dry = 3 }\nday = { productive_hours = 6.0, paid_hours = 8.0, crew_size = 2 }\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("visits = { dry = 3, wt = 1 }", "visits.wt is not in the fleet file: the nearest known one is 'wet'"),
        ("visits = { dry = 3 }\nmachine_rates_h = { walk = 3.0 }", "machine_rates_h.walk is not in the fleet file"),
        ("visits = { dry = 3.5 }", "visits.dry = 3.5"),
        ("visits = { dry = 3 }\nset_up_visit_min = { low = 3, expected = 2, high = 4 }", "type them in rising order"),
        ("visits = { dry = 3 }\nset_up_visit_min = { low = 3 }", "all of { low = , expected = , high = }"),
        ("visits = { dry = 3 }\nset_up_visit_min = -1", "set_up_visit_min = -1 must be at least 0"),
        ('visits = { dry = 3 }\nset_up_visit_min = "5"', 'set_up_visit_min = "5" is not a plain number'),
        ("visits = { dry = 3 }\nperson_rate = 3", "person_rate = 3 is not a key of the season file"),
        ("visits = { dry = 3 }\nday = { crew_size = 2 }", "day.productive_hours is missing"),
        (WHOLE_DAY.replace("6.0", "9.0"), "day.productive_hours = 9.0 must be at most paid_hours = 8"),
        ("visits = { dry = 3 }\nperson_rate_h = 3.0", "person_rate_h needs the table [day]"),
        ("visits = { dry = 3", "is not TOML"),
        ("", "visits is missing"),
    ],
)
def test_a_bad_season_file_is_one_sentence(tmp_path, text: str, words: str) -> None:
    path = tmp_path / "season.toml"
    path.write_text("schema = 1\n" + text)
    with pytest.raises(InputError) as error:
        load_season(path, FLEET)
    message = str(error.value)
    assert message.startswith(f"{path}: ") and words in message and message.endswith(".") and "\n" not in message


def test_edges_of_two_squares() -> None:
    """Two squares of 10 m side by side, and an exclusion on the right: 30 m of parcel line, and 20 + 10 m."""
    geometry = [shapely.box(x, 0, x + 10, 10) for x in (0, 10, 20)]
    table = pd.DataFrame({"parcel_id": "p", "machine_class": ["ride-on", "hand crew", "excluded"]})
    table["geometry"] = geometry
    worked = np.array([True, True, False])
    assert edge_lengths(table, worked, 1.0) == pytest.approx([30.0, 30.0, 0.0])
    # A pond of 2 by 2 m inside the first, drawn by hand, and a wall along its parcel line that counts there already.
    pond, wall = shapely.box(4.2, 4.2, 6.2, 6.2), shapely.LineString([(0, 0), (0, 10)])

    def drawn(*shapes: shapely.Geometry) -> pd.DataFrame:
        lines = pd.DataFrame({"parcel_id": ["p"] * len(shapes), "origin": "given"})
        lines["geometry"] = shapes
        return lines

    assert edge_lengths(table, worked, 1.0, drawn(pond, wall)) == pytest.approx([38.0, 30.0, 0.0])
    # Where nobody may work beside the pond, its shore is nobody's; the parcel line is listed all the same.
    assert edge_lengths(table, np.array([False, True, False]), 1.0, drawn(pond)) == pytest.approx([30.0, 30.0, 0.0])
    # In feet the same figures are shorter; a wall 5 ft outside is nobody's edge, one 5 m inside is.
    off = shapely.LineString([(-50, 0), (-50, 10)])
    assert edge_lengths(table, worked, 0.3048, drawn(pond, off)) == pytest.approx(np.array([38.0, 30.0, 0.0]) * 0.3048)


def test_an_edge_that_nobody_may_trim_is_listed() -> None:
    table = zones(("z1", 100.0, 3.0, "ride_on"), ("z2", 100.0, 3.0, "ride_on,crew"))
    table["edge_m"] = [7.0, 8.0]
    left = work_out(table, FLEET, season()).not_priced
    assert list(zip(left["zone_id"], left["edge_m"], left["why"], strict=True)) == [
        ("p-z1", 7.0, NO_TRIMMER),
        ("p-z2", 8.0, NO_EDGE_RATE),
    ]


def test_without_a_season_there_is_one_visit_and_no_money() -> None:
    bid = work_out(zones(("z1", 16_000.0, 3.0, "ride_on")), FLEET, one_visit(FLEET))
    assert list(bid.lines["condition"]) == ["dry", "wet"]
    assert list(bid.lines["hours"]) == pytest.approx([1.0, 1.0])
    assert bid.lines["cost"].isna().all() and crew_table(bid, one_visit(FLEET)).empty
