"""What a visit brings along, worked out by hand: the whole crew, trimmers only where there is an edge, and the machine
that is quickest as expected."""

import pytest
from labour_maker import CREW, RIDE_ON, WALK_BEHIND, fleet, season, zones

from slopekit.labour.hours import work_out

pytestmark = pytest.mark.reference


def test_the_whole_crew_sets_up_and_drives() -> None:
    """Three people: 10 min of set-up are 0.5 person-hours, 20 min of driving 1 person-hour. At 30 a paid hour and 8
    paid of 6 productive: 0.5 * 40 = 20; the drive is paid as it is, 1 * 30, and 5 km at 2 are 10 for one vehicle."""
    plan = season(
        day={"productive_hours": 6.0, "paid_hours": 8.0, "crew_size": 3},
        set_up_visit_min=10.0,
        travel={"to_parcel_min": 20.0, "to_parcel_km": 5.0, "cost_per_km": 2.0},
        person_rate_h=30.0,
    )
    lines = work_out(zones(("z1", 100.0, 3.0, "walk_behind")), fleet(walk_behind=WALK_BEHIND), plan).lines.set_index(
        "what"
    )
    assert lines.loc["set-up of the visit", ["hours", "person_hours", "cost"]].tolist() == pytest.approx(
        [1.0 / 6.0, 0.5, 20.0]
    )
    assert lines.loc["driving", ["hours", "person_hours", "cost"]].tolist() == pytest.approx([1.0 / 3.0, 1.0, 40.0])


def test_no_crew_comes_where_there_is_no_edge() -> None:
    """The crew's set-up of half an hour is worked only where it trims."""
    crew = CREW | {"edge_rate_m_h": 60.0, "set_up_min": 30.0}
    table = zones(("z1", 16_000.0, 3.0, "ride_on,crew"))
    lines = work_out(table, fleet(ride_on=RIDE_ON, crew=crew), season()).lines
    assert lines["what"].tolist() == ["mowing"]
    table["edge_m"] = 60.0
    lines = work_out(table, fleet(ride_on=RIDE_ON, crew=crew), season()).lines
    assert dict(zip(lines["what"], lines["hours"], strict=True)) == pytest.approx(
        {"mowing": 1.0, "edges": 1.0, "set-up": 0.5}
    )


def test_machines_are_chosen_by_expected_hours() -> None:
    """The first is expected to take 2 h, at best 0.5 h; the second 1 h whatever comes."""
    doubtful = RIDE_ON | {"speed_kmh": {"low": 5.0, "expected": 5.0, "high": 20.0}}
    bid = work_out(zones(("z1", 16_000.0, 3.0, "doubtful,steady")), fleet(doubtful=doubtful, steady=RIDE_ON), season())
    assert bid.lines["machine"].tolist() == ["steady"]
