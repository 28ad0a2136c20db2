"""A bid from a screening: hours, crews and money for its zones, as tables of the registry."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from slopekit import __version__
from slopekit.errors import InputError
from slopekit.fields import SCHEMA_VERSION, fields_of
from slopekit.fleet.model import Fleet, is_labour
from slopekit.labour.edges import edge_lengths
from slopekit.labour.hours import Bid, Goal, work_out
from slopekit.labour.layout import lay_out
from slopekit.labour.season import Season
from slopekit.labour.totals import Sums, crew_table, season_lines, totals
from slopekit.outputs.tables import table_of
from slopekit.sources.units_of import metres_per_unit

# Layers of a result that a bid rests on.
RESTS_ON = ("zones", "water", "drops")
_BY = {"parcel": "parcel_id", "machine": "machine", "class": "machine_class", "condition": "condition"}

# What decides on no permit, beside what changes hours alone.
_OTHER_KEYS = ("label", "discharge")
_OTHER_TABLES = ("landforms", "survey")


@dataclass(frozen=True)
class Priced:
    """A bid and its tables."""

    bid: Bid
    tables: dict[str, Any]
    """`fields.BID_TABLES` and `run_notes`."""
    passes: Any
    """Layer `passes`, with geometry; None where not asked for."""


def price(
    result: Mapping[str, Any],
    fleet: Fleet,
    season: Season,
    goal: Goal = "hours",
    inputs: Mapping[str, str] | None = None,
    passes: bool = False,
) -> Priced:
    """The bid for a screening.

    result: tables of `RESTS_ON` and run_notes, as `screen` returns them. goal: see `work_out`. inputs: file names by
    role, for the notes. passes: whether to lay out passes too. Raises InputError where the fleet's limits are not those
    of the screening, and as `work_out`.
    """
    differs = other_permits(result["run_notes"], fleet)
    if differs:
        raise InputError(
            f"The parcels were screened with other limits: {differs}; screen them again with this fleet file, or name "
            "the one that they were screened with."
        )
    zones = result["zones"]
    permitted = [name for name in zones.columns if name.startswith("permitted_")]
    worked = (zones[permitted].fillna("") != "").any(axis=1).to_numpy()
    table = pd.DataFrame(zones.drop(columns=zones.geometry.name))
    drops, water = result["drops"], result["water"]
    lines = gpd.GeoSeries([*drops.geometry, *water.boundary], crs=zones.crs)
    if zones.crs.is_geographic:  # lengths are asked for
        local = zones.estimate_utm_crs()
        zones, lines = zones.to_crs(local), lines.to_crs(local)
    metres = metres_per_unit(zones.crs.to_wkt())
    if {"parcel_id", "machine_class"} <= set(table):  # else `work_out` names the one that is missing
        owners = [*drops["parcel_id"], *water["parcel_id"]]
        own = {parcel: lines.iloc[rows].tolist() for parcel, rows in _places(owners)}
        table["edge_m"] = _edges(zones, worked, metres, own)
    bid = work_out(table, fleet, season, goal)
    tables = _tables(bid, result["run_notes"], fleet, season, goal, inputs or {})
    laid = None
    if passes:
        records, hours = lay_out(zones, bid.lines, fleet, season, metres)
        tables["work"]["pass_hours"] = hours
        laid = table_of("passes", records, zones.crs)
    return Priced(bid, tables, laid)


def _edges(
    zones: Any, worked: NDArray[np.bool_], metres_per_unit: float, lines: Mapping[str, list[Any]]
) -> NDArray[np.float64]:
    """Metres to trim along each zone. A parcel has the lines that were found for it, so that its edges are the same
    whatever other parcels there are."""
    out = np.zeros(len(zones))
    for parcel, rows in _places(zones["parcel_id"]):
        out[rows] = edge_lengths(zones.iloc[rows], worked[rows], metres_per_unit, lines.get(parcel, []))
    return out


def _places(owners: Iterable[str]) -> Iterator[tuple[str, NDArray[np.int64]]]:
    """Each owner and where it stands."""
    names = pd.Series([*owners], dtype=object)
    yield from names.groupby(names, sort=False).indices.items()


def other_permits(run_notes: pd.DataFrame, fleet: Fleet) -> str:
    """The first setting that decides on permits in which a screening and a fleet differ, in words; '' for none."""
    settings = run_notes[run_notes["topic"] == "settings"]
    screened = _deciding(zip(settings["name"], settings["value"], strict=True))
    now = _deciding(fleet.as_notes())
    for name in dict.fromkeys([*now, *screened]):
        if now.get(name) != screened.get(name):
            return f"{name} was {screened.get(name, 'not there')} and is {now.get(name, 'not there')}"
    return ""


def _deciding(settings: Iterable[tuple[str, str]]) -> dict[str, str]:
    return {
        name: _highest(value) if name.endswith(".speed_kmh") else value
        for name, value in settings
        if not is_labour(name)
        and name.partition(".")[0] not in _OTHER_TABLES
        and name.rpartition(".")[2] not in _OTHER_KEYS
    }


def _highest(value: str) -> str:
    """The high end of a figure in the notes: reach is judged at the highest speed."""
    end = value.rpartition(" to ")[2].rstrip(")")
    return end if end == "not given" else f"{float(end):g}"


def whole_sums(sums: Sums, season: Season) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Totals over all parcels by machine, class and condition, and days of rounds of all of them: rows of the tables
    totals and crew_days."""
    bid = sums.bid()
    lines = season_lines(bid, season)
    tables = [_totals(lines, by) for by in _BY if by != "parcel"]
    days = crew_table(bid, season).assign(parcel_id="")
    return _ordered("totals", pd.concat(tables, ignore_index=True)), _ordered("crew_days", days)


def _tables(
    bid: Bid, run_notes: pd.DataFrame, fleet: Fleet, season: Season, goal: Goal, inputs: Mapping[str, str]
) -> dict[str, Any]:
    work = bid.lines.assign(visits=bid.lines["condition"].map(season.visits), pass_hours=np.nan)
    sums = Sums()
    sums.add(bid.lines)
    totals_of_all, rounds = whole_sums(sums, season)
    days = _ordered("crew_days", crew_table(bid, season, ("parcel_id", "condition")))
    by_parcel = _ordered("totals", _totals(season_lines(bid, season), "parcel"))
    shown = [row for row in fleet.as_notes() if is_labour(row[0]) or row[0].endswith((".width_m", ".speed_kmh"))]
    figures = [*shown, *season.as_notes()]
    return {
        "work": _ordered("work", work),
        "totals": pd.concat([by_parcel, totals_of_all], ignore_index=True),
        "crew_days": pd.concat([rounds, days], ignore_index=True) if len(rounds) else rounds,
        "not_priced": _ordered("not_priced", bid.not_priced),
        "figures": pd.DataFrame([row for row in figures if row[1]], columns=["name", "value"]),
        "run_notes": _notes(bid, run_notes, goal, inputs),
    }


def _totals(lines: pd.DataFrame, by: str) -> pd.DataFrame:
    column = _BY[by]
    return totals(lines, [column]).rename(columns={column: "name"}).assign(by=by)


def _ordered(name: str, table: pd.DataFrame) -> pd.DataFrame:
    return table.reindex(columns=[f.name for f in fields_of(name)])


def _notes(bid: Bid, run_notes: pd.DataFrame, goal: Goal, inputs: Mapping[str, str]) -> pd.DataFrame:
    rows = [("inputs", "slopekit", f"{__version__}, output schema {SCHEMA_VERSION}"), ("bid", "goal", _GOALS[goal])]
    rows += [("inputs", role, text) for role, text in inputs.items()]
    rows += [("bid", str(n), sentence) for n, sentence in enumerate(bid.notes, 1)]
    rows += [("not assessed", str(n), sentence) for n, sentence in enumerate(_NOT_ASSESSED, 1)]
    new = pd.DataFrame(rows, columns=["topic", "name", "value"])
    old = run_notes[run_notes["topic"].isin(["ground", "not assessed", "cautions"])]
    return pd.concat([new, old], ignore_index=True).astype("string")


_GOALS = {
    "hours": "least person-hours on each parcel",
    "cost": "least cost on each parcel",
    "machines": "fewest machines on each parcel, then least person-hours",
}
_NOT_ASSESSED = (
    "Obstacles, the state of the turf, growth, weather, traffic: hours come from areas, rates and factors alone.",
    "Ways between zones and parcels: their times are those that the season file gives.",
)
