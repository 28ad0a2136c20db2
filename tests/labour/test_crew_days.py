"""Days, paid hours and idle hours of the crew against a schedule that was drawn up by hand."""

from itertools import pairwise

import pandas as pd
import pytest
from labour_maker import CREW, RIDE_ON, WALK_BEHIND, fleet, season, zones

from slopekit.labour.hours import work_out
from slopekit.labour.totals import crew_sums, crew_table

MACHINES = fleet(
    ride_on=RIDE_ON | {"set_up_min": 15.0},
    walk_behind=WALK_BEHIND | {"set_up_min": 6.0},
    crew=CREW | {"edge_rate_m_h": 60.0},
)
PLAN = season(
    day={"productive_hours": 6.0, "paid_hours": 8.0, "crew_size": 3},
    visits={"dry": 10},
    set_up_visit_min=30.0,
    travel={"to_parcel_min": 24.0},
    person_rate_h=30.0,
    machine_rates_h={"ride_on": 0.0, "walk_behind": 0.0},
)
# Who does what from when to when, in hours from the arrival; all three set up for the first half hour. The ride-on
# takes 15 minutes to set up and 6 h for 96 000 m2, the walk-behind 6 minutes and 2 h for 6 000 m2; by hand 150 m2 take
# 1.5 h, and 120 m of edge 2 h.
FIRST = [
    ("A", "ride_on", 0.5, 6.75),
    ("B", "walk_behind", 0.5, 2.6), ("B", "by hand", 2.6, 4.1), ("B", "edges", 4.1, 6.1),
]  # fmt: skip
# The walk-behind takes 6 minutes and 1 h for 3 000 m2; 590 m2 by hand, 5.9 h, are shared so that all end together: 7 h
# of three people end 2 h 20 min after the set-up.
END = 0.5 + 7.0 / 3.0
SECOND = [
    ("A", "walk_behind", 0.5, 1.6), ("A", "by hand", 1.6, END), ("B", "by hand", 0.5, END), ("C", "by hand", 0.5, END),
]  # fmt: skip


def bid():
    first = zones(
        ("z1", 96_000.0, 3.0, "ride_on,crew"),
        ("z2", 6000.0, 3.0, "walk_behind"),
        ("z3", 150.0, 3.0, "crew"),
        parcel="a",
    )
    first.loc[0, "edge_m"] = 120.0
    second = zones(("z1", 3000.0, 3.0, "walk_behind"), ("z2", 590.0, 3.0, "crew"), parcel="b")
    return work_out(pd.concat([first, second], ignore_index=True), MACHINES, PLAN)


def rounds_of(crew: pd.DataFrame) -> pd.DataFrame:
    sums = crew_sums()
    sums.add(crew)
    return sums.table()


def hours_of(schedule: list[tuple[str, str, float, float]]) -> dict[str, float]:
    """Person-hours by what is done, after a check that nobody does two things at once and that no machine does."""
    for column in (0, 1):
        for name in {row[column] for row in schedule} - {"by hand", "edges"}:
            own = sorted(row[2:] for row in schedule if row[column] == name)
            assert all(end <= start + 1e-12 for (_, end), (start, _) in pairwise(own))
    table = pd.DataFrame(schedule, columns=["who", "what", "start", "end"])
    return (table["end"] - table["start"]).groupby(table["what"]).sum().to_dict()


def test_a_schedule_by_hand() -> None:
    """Two parcels, two machines, three people. On the first all wait for the ride-on: 6.75 h on the ground, in which C
    has nothing to do for 6.25 h and B for 0.65 h. On the second nobody waits. Each drive takes 0.4 h.

    Days: 6.75 / 6 + 0.4 / 8 and 2.8333 / 6 + 0.4 / 8. Paid hours: these days times 3 people times 8 h. They are 4/3 of
    the person-hours of work and of waiting, and the drives as they are.
    """
    lines = bid().lines
    for parcel, schedule in (("a", FIRST), ("b", SECOND)):
        own = lines[(lines["parcel_id"] == parcel) & ~lines["what"].isin(["driving", "set-up of the visit"])]
        what = own["what"].map({"hand work": "by hand", "edges": "edges"}).fillna(own["machine"])
        assert own["person_hours"].groupby(what).sum().to_dict() == pytest.approx(hours_of(schedule)), parcel
    crew = crew_table(bid(), PLAN).set_index("parcel_id")
    assert crew["days_per_visit"].to_dict() == pytest.approx({"a": 6.75 / 6.0 + 0.05, "b": END / 6.0 + 0.05})
    assert crew["idle_hours_per_visit"].to_dict() == pytest.approx({"a": (6.25 + 0.65) * 4.0 / 3.0, "b": 0.0})
    assert crew["idle_cost_per_visit"]["a"] == pytest.approx(6.9 * 40.0)
    (whole,) = rounds_of(crew.reset_index()).to_dict("records")
    assert (whole["parcel_id"], whole["condition"], whole["visits"]) == ("", "dry", 10)
    assert whole["days_per_season"] == pytest.approx(10.0 * whole["days_per_visit"])
    assert whole["days_per_visit"] == pytest.approx(1.175 + END / 6.0 + 0.05)
    assert whole["paid_hours_per_visit"] == pytest.approx(whole["days_per_visit"] * 3.0 * 8.0)


def test_paid_hours_are_those_of_work_waiting_and_driving() -> None:
    made = bid()
    driving = made.lines["what"] == "driving"
    for end in ("_low", "", "_high"):
        person = made.lines[f"person_hours{end}"]
        (whole,) = rounds_of(crew_table(made, PLAN)).to_dict("records")
        told = person[~driving].sum() * 8.0 / 6.0 + whole[f"idle_hours_per_visit{end}"] + person[driving].sum()
        assert whole[f"paid_hours_per_visit{end}"] == pytest.approx(told)
    # What is paid for work and drives is in the cost of the work; idle hours stand beside it.
    assert made.lines["cost"].sum() + whole["idle_cost_per_visit"] == pytest.approx(
        whole["paid_hours_per_visit"] * 30.0
    )


def test_a_round_is_the_sum_of_its_parcels() -> None:
    """Ten parcels like the first take ten times as long: one machine is in one place at a time."""
    one = zones(("z1", 96_000.0, 3.0, "ride_on"), parcel="p")
    ten = pd.concat([one.assign(parcel_id=f"p{n}", zone_id=f"p{n}-z1") for n in range(10)], ignore_index=True)
    days = [
        rounds_of(crew_table(work_out(table, MACHINES, PLAN), PLAN))["days_per_visit"].sum() for table in (one, ten)
    ]
    assert days == pytest.approx([6.75 / 6.0 + 0.05, 10.0 * (6.75 / 6.0 + 0.05)])


def test_the_travel_to_every_spot_of_a_row_counts() -> None:
    """Five spots of 20 m2 by hand at 100 m2/h: 1 h, and 3 minutes to get to each."""
    table = zones(("s1", 100.0, 3.0, "crew"), ("z1", 3000.0, 3.0, "walk_behind"))
    table.loc[0, "parts"] = 5
    plan = season(travel={"to_zone_min": 3.0})
    assert list(work_out(table, MACHINES, plan).lines["hours"])[:2] == pytest.approx([1.25, 1.05])


def test_edges_take_one_person_and_hand_work_the_whole_hand_crew() -> None:
    """A hand crew of two at 100 m2/h a person: 400 m2 take them 2 h together, and one of them trims 60 m in 1 h."""
    pair = fleet(walk_behind=WALK_BEHIND, crew=CREW | {"edge_rate_m_h": 60.0, "people": 2})
    table = zones(("z1", 400.0, 3.0, "crew"), ("z2", 3000.0, 3.0, "walk_behind,crew"))
    table.loc[1, "edge_m"] = 60.0
    lines = work_out(table, pair, season()).lines.set_index("what")
    assert lines.loc["hand work", ["hours", "person_hours"]].tolist() == pytest.approx([2.0, 4.0])
    assert lines.loc["edges", ["hours", "person_hours"]].tolist() == pytest.approx([1.0, 1.0])
    assert any("Hours of edges are those of one person" in note for note in bid().notes)
