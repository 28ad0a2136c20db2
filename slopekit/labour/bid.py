"""A bid from a screening: hours, crews and money for its zones, as tables of the registry."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from slopekit import __version__
from slopekit.errors import InputError
from slopekit.fleet.model import ADVICE_KEYS, Fleet, is_labour
from slopekit.labour.edges import edge_lengths
from slopekit.labour.frames import Frame, frames_of
from slopekit.labour.hours import Bid, Goal, work_out
from slopekit.labour.layout import lay_out
from slopekit.labour.season import Season
from slopekit.labour.totals import Sums, crew_sums, crew_table, season_lines, totals, work_sums
from slopekit.schema.fields import SCHEMA_VERSION, fields_of
from slopekit.schema.tables import table_of

# Layers of a result that a bid rests on, and the one that a portfolio's has beside them.
RESTS_ON = ("zones", "water", "drops")
IF_THERE = ("sources",)
_BY = {"parcel": "parcel_id", "machine": "machine", "class": "machine_class", "condition": "condition"}

# What decides on no permit, beside what changes hours alone.
_OTHER_KEYS = ("label", "discharge", *ADVICE_KEYS)
_OTHER_TABLES = ("landforms", "survey")


@dataclass(frozen=True)
class Priced:
    """A bid and its tables."""

    bid: Bid
    tables: dict[str, Any]
    """`layers.BID_TABLES` and `run_notes`."""
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

    result: tables of `RESTS_ON` and run_notes, as `screen` returns them, and of `IF_THERE` where a portfolio made them.
    goal: see `work_out`. inputs: file names by role, for the notes. passes: whether to lay out passes too. Edges and
    passes are measured where each parcel lies, in its survey's grid or a local projection (see `local_crs`). Every
    figure of a parcel is worked out from its own rows, so bids for parts of a result add up to the bid for the whole.
    Raises InputError where the fleet's limits are not those of the screening, and as `work_out`.
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
    frames: list[Frame] = []
    if {"parcel_id", "machine_class"} <= set(table):  # else `work_out` names the one that is missing
        frames = list(frames_of(result))
        edge_m = np.zeros(len(table))
        for frame in frames:
            edge_m[frame.rows] = edge_lengths(frame.zones, worked[frame.rows], frame.metres_per_unit, frame.lines)
        table["edge_m"] = edge_m
    bid = work_out(table, fleet, season, goal)
    tables = _tables(bid, result["run_notes"], fleet, season, goal, inputs or {})
    laid = None
    if passes:
        laid, tables["work"]["pass_hours"] = _passes(frames, bid, fleet, season, zones.crs)
    return Priced(bid, tables, laid)


def _passes(frames: Iterable[Frame], bid: Bid, fleet: Fleet, season: Season, crs: Any) -> tuple[Any, pd.Series]:
    """The layer `passes` in the result's CRS, and hours by them for each line of the bid."""
    hours = pd.Series(np.nan, index=bid.lines.index)
    layers = [table_of("passes", [], crs)]
    for frame in frames:
        own = bid.lines[bid.lines["parcel_id"].isin(frame.zones["parcel_id"])]
        records, hours[own.index] = lay_out(frame.zones, own, fleet, season, frame.metres_per_unit)
        if records:
            layers.append(table_of("passes", records, frame.zones.crs).to_crs(crs))
    return pd.concat(layers[1:] or layers, ignore_index=True), hours


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


def _tables(
    bid: Bid, run_notes: pd.DataFrame, fleet: Fleet, season: Season, goal: Goal, inputs: Mapping[str, str]
) -> dict[str, Any]:
    work = bid.lines.assign(visits=bid.lines["condition"].map(season.visits), pass_hours=np.nan)
    sums, rounds, crew = work_sums(), crew_sums(), crew_table(bid, season)
    sums.add(bid.lines)
    rounds.add(crew)
    by_parcel = _totals(season_lines(bid.lines, season), "parcel")
    shown = [row for row in fleet.as_notes() if is_labour(row[0]) or row[0].endswith((".width_m", ".speed_kmh"))]
    figures = [*shown, *season.as_notes()]
    tables = {
        "work": work,
        "totals": pd.concat([by_parcel, whole_totals(sums, season)], ignore_index=True),
        "crew_days": pd.concat([rounds.table(), crew], ignore_index=True),
        "not_priced": bid.not_priced,
        "figures": pd.DataFrame([row for row in figures if row[1]], columns=["name", "value"]),
    }
    ordered = {name: table.reindex(columns=[f.name for f in fields_of(name)]) for name, table in tables.items()}
    return ordered | {"run_notes": _notes(bid, run_notes, goal, inputs)}


def whole_totals(sums: Sums, season: Season) -> pd.DataFrame:
    """Totals over all parcels by machine, class and condition. sums: `work_sums` of all lines."""
    lines = season_lines(sums.table(), season)
    return pd.concat([_totals(lines, by) for by in _BY if by != "parcel"], ignore_index=True)


def _totals(lines: pd.DataFrame, by: str) -> pd.DataFrame:
    column = _BY[by]
    return totals(lines, [column]).rename(columns={column: "name"}).assign(by=by)


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
    "Travel between zones and parcels: its times are those that the season file gives.",
)
