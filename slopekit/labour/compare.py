"""What changes between two bids for the same parcels."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from slopekit.schema.as_text import is_spot
from slopekit.schema.classes import CLASSES
from slopekit.schema.fields import fields_of

ALL = ""


def compare_bids(first: Mapping[str, Any], second: Mapping[str, Any]) -> pd.DataFrame:
    """The table `comparison`: figures of both for all parcels together and for each, and what changes.

    first, second: tables work, not_priced and crew_days of a bid, and zones of its screening. Hours, money and days are
    those of the season, expected.
    """
    one, two = _figures(first), _figures(second)
    keys = list(dict.fromkeys([*one, *two]))
    parcels = list(dict.fromkeys(parcel for parcel, _, _ in keys))
    rows = []
    for parcel, what, unit in sorted(keys, key=lambda key: parcels.index(key[0])):
        before, after = (side.get((parcel, what, unit), 0.0) for side in (one, two))
        rows.append((parcel, what, unit, before, after, after - before))
    return pd.DataFrame(rows, columns=[f.name for f in fields_of("comparison")])


def _figures(tables: Mapping[str, Any]) -> dict[tuple[str, str, str], float]:
    """By parcel id (`ALL` first), what, and unit."""
    parts = {name: _by_parcel(tables[name]) for name in ("work", "zones", "not_priced", "crew_days")}
    rounds = tables["crew_days"]
    parts["crew_days"][ALL] = rounds[rounds["parcel_id"] == ALL]
    out: dict[tuple[str, str, str], float] = {}
    for parcel in (ALL, *dict.fromkeys(tables["zones"]["parcel_id"])):
        here, ground, left, days = (of.get(parcel, tables[name].iloc[:0]) for name, of in parts.items())
        season = here["visits"].to_numpy(dtype=float)
        machines = here.loc[~here["machine_class"].isin(["", "hand crew"]), "machine"].nunique()
        people = here["person_hours"] * season
        spots = ground["zone_id"].map(is_spot).astype(bool)
        figures = {
            ("work of machines and crews", "h"): (here["hours"] * season).sum(),
            ("work of people", "person-hours"): people.sum(),
            ("hand work", "person-hours"): people[here["what"] == "hand work"].sum(),
            ("edges", "person-hours"): people[here["what"] == "edges"].sum(),
            ("cost of the work", "money"): (here["cost"] * season).sum(skipna=False),
            ("days of the crew", "days"): days["days_per_season"].sum() if len(days) else float("nan"),
            ("machines used", "-"): machines,
            ("ground that nobody is given, each condition counted", "m2"): left["plan_m2"].sum(),
            ("zones", "-"): (~spots).sum(),
            ("rows of spots", "-"): spots.sum(),
        }
        for mark in CLASSES:
            area = ground.loc[ground["machine_class"] == mark.code, "plan_m2"].sum()
            figures |= {(f"ground of class: {mark.label}", "m2"): area}
        out |= {(parcel, what, unit): float(value) for (what, unit), value in figures.items()}
    return out


def _by_parcel(table: Any) -> dict[str, Any]:
    """The rows of each parcel, and all of them under `ALL`."""
    return {**dict(tuple(table.groupby("parcel_id", sort=False))), ALL: table}
