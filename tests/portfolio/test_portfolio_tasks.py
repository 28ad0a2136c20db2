"""How parcels are dealt out to processes."""

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

from ground_maker import fleet_of
from shapely import box

from slopekit.grid import Grid
from slopekit.portfolio.choice import WHOLE, Choice
from slopekit.portfolio.tasks import PARCELS, TOGETHER, tasks_of
from slopekit.sources.parcels import Parcel

REACH_M = 184.0


def choices(count: int, apart_m: float, survey: Any) -> Iterator[Choice]:
    """Parcels of 1 ha in rows of 20, with so much ground between their corners."""
    for n in range(count):
        row, column = divmod(n, 20)
        x, y = column * apart_m, row * apart_m
        yield Choice(Parcel(f"p{n:03}", box(x, y, x + 100.0, y + 100.0)), survey, WHOLE, REACH_M)


def dealt(count: int, apart_m: float) -> list[list[list[str]]]:
    """Ids of the parcels by task and group, on two surveys."""
    working = Grid(20_000, 20_000, 0.0, 20_000.0, 1.0, 1.0, "", 1.0)
    survey: Any = SimpleNamespace(survey=SimpleNamespace(working=working))
    job: Any = SimpleNamespace(fleet=fleet_of(), elevation=survey)
    surveys = [SimpleNamespace(id="east"), SimpleNamespace(id="west")]
    given = [c for survey in surveys for c in choices(count // 2, apart_m, survey)]
    tasks = tasks_of(given, {survey.id: job for survey in surveys})
    assert all(len({group.survey for group in task}) == 1 for task in tasks)
    return [[[f"{group.survey} {parcel.id}" for parcel in group.parcels] for group in task] for task in tasks]


def test_every_parcel_is_dealt_out_once() -> None:
    for apart_m in (120.0, 1000.0):
        ids = [one for task in dealt(600, apart_m) for group in task for one in group]
        assert len(ids) == len(set(ids)) == 600
        assert all(len(group) <= TOGETHER for task in dealt(600, apart_m) for group in task)


def test_tasks_become_smaller_towards_the_end() -> None:
    """A task is an eighth of what is left, 24 parcels at most, so that no process waits long for the last one; and 6 at
    least, for fewer are not worth their files."""
    sizes = [sum(map(len, task)) for task in dealt(600, 1000.0)]
    assert sum(sizes) == 600
    left = 600
    whole = 0
    for number, size in enumerate(sizes):
        left -= size
        assert size <= max(6, left // 8 + 1, 24 if left >= 8 * 24 else 0)
        whole += size == PARCELS
        # The last task of a survey takes what is there.
        assert size >= 6 or left in (0, 300), number
    assert whole > 10
