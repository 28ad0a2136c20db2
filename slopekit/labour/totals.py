"""Totals of a bid by parcel, machine, class and condition, for one visit and for the season; days of the crew."""

import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import pandas as pd

from slopekit.labour.hours import FIGURES, LINE_COLUMNS, THREE, Bid
from slopekit.labour.season import Season

SUMMED = ["surface_m2", "edge_m", *FIGURES]
_KIND = ["condition", "machine", "machine_class", "what"]


class Sums:
    """Lines of work added up over all parcels, by condition, machine, class and kind of work: the same to the last
    digit in whatever pieces they come."""

    def __init__(self) -> None:
        self._sums: dict[tuple[str, ...], list[tuple[float, float]]] = {}

    def add(self, lines: pd.DataFrame) -> None:
        for kind, columns in _figures(lines, _KIND):
            so_far = self._sums.setdefault(kind, [(0.0, 0.0)] * len(SUMMED))
            self._sums[kind] = [added(*pair) for pair in zip(so_far, columns, strict=True)]

    def bid(self) -> Bid:
        """The sums as lines of no parcel and no zone."""
        rows = [("", "", *kind, *(rounded for rounded, _ in sums)) for kind, sums in self._sums.items()]
        return Bid(pd.DataFrame(rows, columns=[*LINE_COLUMNS[:2], *_KIND, *SUMMED]), pd.DataFrame(), ())


def added(total: tuple[float, float], values: Iterable[float]) -> tuple[float, float]:
    """A sum with more values added, and what is lost by rounding it, so that it does not depend on the pieces."""
    every = [*total, *values]
    rounded = math.fsum(every)
    return rounded, math.fsum([*every, -rounded])


def season_lines(bid: Bid, season: Season) -> pd.DataFrame:
    """The lines of the bid times the visits of their condition."""
    lines = bid.lines.copy()
    visits = lines["condition"].map(season.visits).to_numpy(dtype=float)
    lines[SUMMED] = lines[SUMMED].to_numpy(dtype=float) * visits[:, None]
    return lines


def totals(lines: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Sums of areas, edges, hours and costs by any of the lines' text columns, in the order of the lines.

    A cost that is not known for one line is not known for its sum (NaN).
    """
    rows = [(*key, *map(math.fsum, columns)) for key, columns in _figures(lines, by)]
    return pd.DataFrame(rows, columns=[*by, *SUMMED])


def _figures(lines: pd.DataFrame, by: Sequence[str]) -> Iterator[tuple[tuple[str, ...], list[list[float]]]]:
    """Each group in the order of the lines, and its columns of `SUMMED`."""
    if lines.empty:
        return
    number = lines.groupby(list(by), sort=False).ngroup().to_numpy()
    order = np.argsort(number, kind="stable")
    starts = np.flatnonzero(np.diff(number[order], prepend=-1))
    figures = lines[SUMMED].to_numpy(dtype=float)[order]
    heads = lines[list(by)].iloc[order[starts]].itertuples(index=False, name=None)
    for head, columns in zip(heads, np.split(figures, starts[1:]), strict=True):
        yield head, columns.T.tolist()


def crew_table(bid: Bid, season: Season, by: Sequence[str] = ("condition",)) -> pd.DataFrame:
    """Visits, days of the crew for one visit and for the season, and paid hours; empty where no day is given.

    by: ("condition",) for rounds of all parcels, or ("parcel_id", "condition"). Days of a visit: productive
    person-hours over what the crew has in a day, or the hours of the busiest machine over the productive hours of a
    day, whichever is more, since one machine cannot be worked by two people at once.
    """
    day, lines = season.day, bid.lines
    if day is None or lines.empty:
        return pd.DataFrame()
    out = lines[list(by)].drop_duplicates(ignore_index=True)
    out["visits"] = out["condition"].map(season.visits)
    # All groups at once: thousands of parcels one by one take minutes.
    group = lines.groupby(list(by), sort=False).ngroup().to_numpy()
    machine, names = pd.factorize(lines["machine"])
    driving = (lines["what"] == "driving").to_numpy()
    alone = ~driving & ~lines["machine_class"].isin(["", "hand crew"]).to_numpy()
    for end in THREE:
        person, hours = (lines[f"{name}{end}"].to_numpy(dtype=float) for name in ("person_hours", "hours"))
        work, road = (np.bincount(group[rows], person[rows], len(out)) for rows in (~driving, driving))
        cell = group[alone] * len(names) + machine[alone]
        busiest = np.bincount(cell, hours[alone], len(out) * len(names)).reshape(len(out), -1).max(axis=1)
        days = np.maximum(work / (day.productive_hours * day.crew_size), busiest / day.productive_hours)
        out[f"days_a_visit{end}"] = days
        out[f"days_a_season{end}"] = days * out["visits"]
        out[f"paid_hours_a_visit{end}"] = work * season.paid_a_productive_hour + road
    return out


def supervision_cost(season: Season) -> float:
    """Money for supervision over the season; 0 where none is given."""
    return 0.0 if season.supervisor is None else season.supervisor.hours * season.supervisor.rate_h


def season_cost(bid: Bid, season: Season) -> tuple[float, float, float]:
    """Low, expected and high money of the season, supervision included; NaN where a rate is missing."""
    lines = season_lines(bid, season)
    low, expected, high = (
        float(np.sum(lines[f"cost{end}"].to_numpy(dtype=float))) + supervision_cost(season) for end in THREE
    )
    return low, expected, high
