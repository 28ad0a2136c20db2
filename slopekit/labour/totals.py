"""Totals of a bid by parcel, machine, class and condition, for one visit and for the season; days of the crew."""

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from slopekit.labour.hours import DRIVING, FIGURES, THREE, VISIT, Bid
from slopekit.labour.season import Season

CREW_MODEL = (
    "The crew travels together and works one parcel after the other. A parcel takes the set-up of the visit and then "
    "as long as its busiest machine, set-up included, or as all its person-hours shared among the crew, whichever is "
    "more. Days: hours at the parcels over the productive hours of a day, and hours of driving over its paid hours. "
    "Paid hours: days times people times the paid hours of a day; idle are those of them in which people wait for a "
    "machine."
)
"""What days and paid hours of the crew rest on."""

SUMMED = ["surface_m2", "edge_m", *FIGURES]
_OF_CREW = ("days_per_visit", "days_per_season", "paid_hours_per_visit", "idle_hours_per_visit", "idle_cost_per_visit")


class Sums:
    """Columns of rows added up over all parcels, by some others: the same to the last digit in whatever pieces they
    come. What is not known (NaN) for one row is not known for its sum."""

    def __init__(self, by: Sequence[str], columns: Sequence[str]) -> None:
        self._by, self._columns = list(by), list(columns)
        self._sums: dict[tuple[Any, ...], list[tuple[float, float]]] = {}

    def add(self, rows: pd.DataFrame) -> None:
        for key, columns in _figures(rows, self._by, self._columns):
            so_far = self._sums.setdefault(key, [(0.0, 0.0)] * len(columns))
            self._sums[key] = [added(*pair) for pair in zip(so_far, columns, strict=True)]

    def table(self) -> pd.DataFrame:
        """The sums as rows with an empty parcel_id, in the order in which their keys came."""
        rows = [("", *key, *(rounded for rounded, _ in sums)) for key, sums in self._sums.items()]
        return pd.DataFrame(rows, columns=["parcel_id", *self._by, *self._columns])


def work_sums() -> Sums:
    """For lines of work: by all that totals of all parcels are told by."""
    return Sums(("condition", "machine", "machine_class", "what"), SUMMED)


def crew_sums() -> Sums:
    """For rows of `crew_table`: rounds of all parcels under each condition."""
    return Sums(("condition", "visits"), [f"{name}{end}" for name in _OF_CREW for end in THREE])


def added(total: tuple[float, float], values: Iterable[float]) -> tuple[float, float]:
    """A sum with more values added, and what is lost by rounding it, so that it does not depend on the pieces."""
    every = [*total, *values]
    rounded = math.fsum(every)
    return rounded, math.fsum([*every, -rounded])


def season_lines(lines: pd.DataFrame, season: Season) -> pd.DataFrame:
    """Lines of a bid times the visits of their condition."""
    lines = lines.copy()
    visits = lines["condition"].map(season.visits).to_numpy(dtype=float)
    lines[SUMMED] = lines[SUMMED].to_numpy(dtype=float) * visits[:, None]
    return lines


def totals(lines: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Sums of areas, edges, hours and costs by any of the lines' text columns, in the order of the lines.

    A cost that is not known for one line is not known for its sum (NaN).
    """
    rows = [(*key, *map(math.fsum, columns)) for key, columns in _figures(lines, by, SUMMED)]
    return pd.DataFrame(rows, columns=[*by, *SUMMED])


def _figures(
    rows: pd.DataFrame, by: Sequence[str], columns: Sequence[str]
) -> Iterator[tuple[tuple[Any, ...], list[list[float]]]]:
    """Each group in the order of the rows, and its columns."""
    if rows.empty:
        return
    number = rows.groupby(list(by), sort=False).ngroup().to_numpy()
    order = np.argsort(number, kind="stable")
    starts = np.flatnonzero(np.diff(number[order], prepend=-1))
    figures = rows[list(columns)].to_numpy(dtype=float)[order]
    heads = rows[list(by)].iloc[order[starts]].itertuples(index=False, name=None)
    for head, group in zip(heads, np.split(figures, starts[1:]), strict=True):
        yield head, group.T.tolist()


def crew_table(bid: Bid, season: Season) -> pd.DataFrame:
    """Visits, days of the crew, and hours paid, a row a parcel and condition; empty where no day is given.

    As `CREW_MODEL` says. The busiest machine or the person-hours over the size of the crew, whichever is more, is the
    least time in which equal people do jobs that may change hands, where nobody does two jobs and no job has two people
    at once (McNaughton 1959, from memory). Days, paid hours and idle hours follow by arithmetic.
    """
    day, lines = season.day, bid.lines
    if day is None or lines.empty:
        return pd.DataFrame()
    out = lines[["parcel_id", "condition"]].drop_duplicates(ignore_index=True)
    out["visits"] = out["condition"].map(season.visits)
    # All groups at once: thousands of parcels one by one take minutes.
    group = lines.groupby(["parcel_id", "condition"], sort=False).ngroup().to_numpy()
    machine, names = pd.factorize(lines["machine"])
    driving, gathering = ((lines["what"] == what).to_numpy() for what in (DRIVING, VISIT))
    alone = ~lines["machine_class"].isin(["", "hand crew"]).to_numpy()
    cell = group[alone] * len(names) + machine[alone]
    wage = np.nan if season.person_rate_h is None else season.person_rate_h
    for end in THREE:
        person, hours = (lines[f"{name}{end}"].to_numpy(dtype=float) for name in ("person_hours", "hours"))
        road, set_up = (np.bincount(group[rows], hours[rows], len(out)) for rows in (driving, gathering))
        shared = ~driving & ~gathering
        work = np.bincount(group[shared], person[shared], len(out))
        busiest = np.bincount(cell, hours[alone], len(out) * len(names)).reshape(len(out), -1).max(axis=1)
        longest = np.maximum(busiest, work / day.crew_size)
        days = (set_up + longest) / day.productive_hours + road / day.paid_hours
        idle = (longest * day.crew_size - work) * season.paid_a_productive_hour
        out[f"days_per_visit{end}"] = days
        out[f"days_per_season{end}"] = days * out["visits"]
        out[f"paid_hours_per_visit{end}"] = days * day.crew_size * day.paid_hours
        out[f"idle_hours_per_visit{end}"] = idle
        out[f"idle_cost_per_visit{end}"] = idle * wage
    return out


def supervision_cost(season: Season) -> float:
    """Money for supervision over the season; 0 where none is given."""
    return 0.0 if season.supervisor is None else season.supervisor.hours * season.supervisor.rate_h
