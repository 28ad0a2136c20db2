"""What must hold of hours and costs whatever the zones."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from labour_maker import CREW, RIDE_ON, WALK_BEHIND, fleet, season, season_cost, zones

from slopekit.labour.hours import GOALS, work_out
from slopekit.labour.totals import season_lines, totals

pytestmark = pytest.mark.property

IDS = ("ride_on", "walk_behind", "crew")
PERMITS = st.sets(st.sampled_from(IDS)).map(lambda s: ",".join(i for i in IDS if i in s))
ROWS = st.lists(st.tuples(st.floats(10.0, 1e4), st.floats(0.0, 40.0), PERMITS), min_size=1, max_size=6)
PRICED = season(person_rate_h=30.0, machine_rates_h={"ride_on": 20.0, "walk_behind": 5.0})
FLEET = fleet(ride_on=RIDE_ON | {"set_up_min": 20.0}, walk_behind=WALK_BEHIND | {"set_up_min": 30.0}, crew=CREW)


def named(rows: list[tuple[float, float, str]], parcel: str = "p") -> pd.DataFrame:
    return zones(*[(f"z{n}", *row) for n, row in enumerate(rows)], parcel=parcel)


def without(rows: list[tuple[float, float, str]], which: int, machine: str) -> list[tuple[float, float, str]]:
    """The same zones where a limit refuses a machine on those zones whose bit is set."""
    return [
        (area, slope, ",".join(i for i in ids.split(",") if i != machine) if which >> n & 1 else ids)
        for n, (area, slope, ids) in enumerate(rows)
    ]


@given(ROWS, st.integers(0, 63), st.sampled_from(["ride_on", "walk_behind"]), st.sampled_from(["hours", "machines"]))
def test_more_limits_never_fewer_hand_hours(rows: list, which: int, machine: str, goal: str) -> None:
    """Wherever somebody may still work; ground that nobody may work leaves the hours and is listed."""
    rows = [(area, slope, f"{ids},crew" if "crew" not in ids else ids) for area, slope, ids in rows]
    before, after = (
        work_out(named(r), FLEET, PRICED, goal).lines.query("what == 'hand work'")["hours"].sum()
        for r in (rows, without(rows, which, machine))
    )
    assert after >= before - 1e-9


@given(ROWS, st.sampled_from(["ride_on", "walk_behind"]))
def test_a_second_machine_never_raises_the_least_cost(rows: list, machine: str) -> None:
    fewer = without(rows, 63, machine)
    # Ground that only the second machine may work is not priced without it.
    both = [row for row, other in zip(rows, fewer, strict=True) if other[2]]
    fewer = [row for row in fewer if row[2]]
    one, two = (season_cost(work_out(named(r), FLEET, PRICED, "cost"), PRICED)[1] if r else 0.0 for r in (fewer, both))
    assert two <= one + 1e-9


@given(ROWS, ROWS, st.sampled_from(GOALS))
def test_totals_add_up_over_parcels(first: list, second: list, goal: str) -> None:
    a, b = named(first, "a"), named(second, "b")
    together = work_out(pd.concat([a, b], ignore_index=True), FLEET, PRICED, goal)
    apart = [work_out(t, FLEET, PRICED, goal) for t in (a, b)]
    expected = sum(season_cost(bid, PRICED)[1] for bid in apart)
    assert season_cost(together, PRICED)[1] == pytest.approx(expected)
    lines = season_lines(together.lines, PRICED)
    for by in (["parcel_id"], ["machine"], ["machine_class", "condition"]):
        assert totals(lines, by)["cost"].sum() == pytest.approx(expected)
