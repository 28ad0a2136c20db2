"""Hours of 10 000 zones against the plain way to get some: a pandas join of zones and rates, each zone to its quickest.

The peer is what a table program does with the same input and nothing more: it splits the lists of permitted machines,
joins the rates, takes the quickest machine of each zone and adds up by parcel. It looks at no set-up and no edge, so
its hours, with set-ups, are at least ours, which the test checks. Aim: under 5 s for 10 000 zones.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from bench_clock import in_turns
from bench_site import Table
from labour_maker import fleet, season
from result_maker import Zone, made_result
from shapely import box

from slopekit.labour.bid import price
from slopekit.outputs.bid import write_bid

ZONES = 10_000
SIDE = 100
CELL_M = 20.0
LIMITS = {"across_deg": 12.0, "up_down_deg": 14.0, "efficiency": 0.8}
FLEET = fleet(
    slope_factors=[{"to_deg": 10.0}, {"to_deg": 90.0, "machine": 0.8, "hand": 0.5}],
    wide=LIMITS | {"class": "ride-on", "width_m": 2.4, "speed_kmh": 10.0, "set_up_min": 20.0},
    ride_on=LIMITS | {"class": "ride-on", "width_m": 1.5, "speed_kmh": 9.0, "set_up_min": 12.0},
    stand_on=LIMITS | {"class": "stand-on", "width_m": 1.3, "speed_kmh": 8.0, "set_up_min": 8.0},
    walk_behind=LIMITS | {"class": "walk-behind", "width_m": 0.9, "speed_kmh": 4.5, "set_up_min": 5.0},
    crew={"class": "hand crew", "hand_rate_m2_h": 200.0, "edge_rate_m_h": 150.0},
)
PLAN = season(visits={"dry": 12, "wet": 4}, person_rate_h=30.0)
NAMES = list(FLEET.machines)


def site(parcels: int) -> dict[str, Any]:
    """Squares of 20 m in 100 rows. A parcel is one square after the other, so zones share lines as they do in a result;
    what the steeper half refuses to ride-ons, and wet grass to all but hands, is drawn by lot."""
    rng = np.random.default_rng(3)
    slope = rng.uniform(0.0, 25.0, ZONES)
    first = np.where(slope > 12.0, rng.integers(2, 5, ZONES), rng.integers(0, 3, ZONES))
    later = np.maximum(first, rng.integers(0, 5, ZONES))
    zones = []
    for n in range(ZONES):
        row, col = divmod(n, SIDE)
        shape = box(col * CELL_M, row * CELL_M, (col + 1) * CELL_M, (row + 1) * CELL_M)
        may = {"dry": ",".join(NAMES[first[n] :]), "wet": ",".join(NAMES[later[n] :])}
        zones.append(Zone(f"z{n}", shape, may, float(slope[n]), parcel=f"p{n * parcels // ZONES}"))
    shores = [box(k * 300.0, 2001.0, k * 300.0 + 200.0, 2040.0) for k in range(6)]
    return made_result(FLEET, zones, water=shores)


def by_pandas(zones: pd.DataFrame) -> pd.DataFrame:
    """Hours of work on zones for one visit under each condition, by parcel and condition."""
    hand = [m.operator == "hand" for m in FLEET.machines.values()]
    rate = [m.width_m * m.speed_kmh.expected * 800.0 if m.speed_kmh else 200.0 for m in FLEET.machines.values()]
    rates = pd.DataFrame({"machine": NAMES, "rate": rate, "hand": hand})
    out = []
    for condition in ("dry", "wet"):
        own = zones[["parcel_id", "zone_id", "surface_m2", "slope_mean_deg"]].assign(
            machine=zones[f"permitted_{condition}"].str.split(","), condition=condition
        )
        pairs = own.explode("machine").merge(rates, on="machine")
        steep = pairs["slope_mean_deg"].astype(float) > 10.0
        factor = np.where(steep, np.where(pairs["hand"], 0.5, 0.8), 1.0)
        pairs["hours"] = pairs["surface_m2"].astype(float) / (pairs["rate"] * factor)
        # Machines before hands, then the quickest.
        out.append(pairs.sort_values(["hand", "hours"], kind="stable").groupby("zone_id", sort=False).head(1))
    return pd.concat(out).groupby(["parcel_id", "condition", "machine"], sort=False)["hours"].sum().reset_index()


@pytest.mark.parametrize("parcels", [1, 50, 5000])
@pytest.mark.parametrize("goal", ["hours", "machines"])
def test_hours_of_ten_thousand_zones(parcels: int, goal: str, table: Table) -> None:
    result = site(parcels)
    zones = pd.DataFrame(result["zones"].drop(columns="geometry"))
    found = in_turns(lambda: price(result, FLEET, PLAN, goal), lambda: by_pandas(zones), repeats=2)
    table.ratio(f"bid, {ZONES} zones, {parcels} parcels", "pandas join, quickest", found, f"least {goal}; aim 5 s")
    work, peer = price(result, FLEET, PLAN, goal).tables["work"], by_pandas(zones)
    on_zones = work[work["what"].isin(["mowing", "hand work"])]
    assert len(on_zones) == 2 * ZONES
    assert on_zones["surface_m2"].sum() == pytest.approx(2 * ZONES * CELL_M**2)
    set_up = {name: machine.set_up_min.expected / 60.0 for name, machine in FLEET.machines.items()}
    theirs = peer["hours"].sum() + peer["machine"].map(set_up).sum()
    if goal == "hours":
        ours = on_zones["hours"].sum() + work[work["what"] == "set-up"]["hours"].sum()
        # Edges bring the crew to a parcel and leave the choice of machines alone: it has no set-up of its own.
        assert peer["hours"].sum() - 1e-6 <= on_zones["hours"].sum() and ours <= theirs + 1e-6
    else:
        brought = work[work["what"] == "set-up"].groupby(["parcel_id", "condition"]).size().sum()
        assert brought <= len(peer[peer["machine"] != "crew"])


def test_workbook_of_ten_thousand_zones(tmp_path: Path, table: Table) -> None:
    """The peer writes the pieces of work alone, with no formula, style or other sheet."""
    tables = price(site(50), FLEET, PLAN, "hours").tables
    found = in_turns(
        lambda: write_bid(tmp_path / "bid.xlsx", tables, 0.0),
        lambda: tables["work"].to_excel(tmp_path / "work.xlsx", index=False),
        repeats=1,
    )
    table.ratio(f"workbook of a bid, {ZONES} zones", "pandas.to_excel, pieces only", found, "aim 5 s with the bid")
    assert len(pd.read_excel(tmp_path / "bid.xlsx", sheet_name="Work of one visit")) == len(tables["work"])
