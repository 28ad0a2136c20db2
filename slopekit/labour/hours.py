"""The work of a bid: who works each zone, for how long and for how much, one line a piece of work and visit."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.fleet.figures import NOTHING
from slopekit.fleet.model import Fleet
from slopekit.labour.assign import assign
from slopekit.labour.rates import HOURS_PER_MINUTE, Array, Crew, crew_of, three, zone_hours
from slopekit.labour.ready import visited
from slopekit.labour.season import Season
from slopekit.schema.as_text import listed
from slopekit.wording import DECIDE

Goal = Literal["hours", "cost", "machines"]
GOALS: tuple[Goal, ...] = ("hours", "cost", "machines")
SITE_VISIT = "nobody is permitted: site visit"
CHANNEL = "channel of a brook or ditch likely: look on site"
NO_TRIMMER = "edge where no hand crew is permitted: site visit"
NO_EDGE_RATE = "edge, and edge_rate_m_h is not given"

# What the whole crew does: set-up at each visit, and the drive.
VISIT, DRIVING = "set-up of the visit", "driving"

THREE = ("_low", "", "_high")
FIGURES = tuple(name + end for name in ("hours", "person_hours", "cost") for end in THREE)
LINE_COLUMNS = ("parcel_id", "zone_id", "condition", "machine", "machine_class", "what", "surface_m2", "edge_m")

_AREA = ("surface_m2", "slope_mean_deg", "parts")


@dataclass(frozen=True)
class Bid:
    """Lines of work for one visit under each condition, what is not priced, and what the reader must know."""

    lines: pd.DataFrame
    """LINE_COLUMNS and FIGURES. hours: of the machine or group; person_hours: of its people; cost: NaN if no rate."""
    not_priced: pd.DataFrame
    """parcel_id, zone_id, condition, plan_m2, edge_m, why."""
    notes: tuple[str, ...]


def work_out(zones: Any, fleet: Fleet, season: Season, goal: Goal = "hours") -> Bid:
    """The work of every zone under every condition of the fleet that the season visits.

    zones: table of layer `zones`, with a column edge_m where edges are to be trimmed. goal: least person-hours, least
    cost, or fewest machines on each parcel and then least person-hours. Ground that any machine may work goes to a
    machine; with goal "cost" a hand crew that is permitted there may do it for less. Ground that only a hand crew may
    work is hand work. What nobody may work, and ground in channels, is listed and not priced. Raises InputError for a
    table that lacks columns or names machines that the fleet lacks, and for a rate that is missing where it is needed.
    """
    conditions = visited(fleet, season)
    table = _checked(zones, fleet, conditions)
    out = _Lines(season)
    for condition in conditions:
        crew = crew_of(fleet, season, condition)
        if goal == "cost":
            _check_money(crew, season)
        may = _permitted(table, fleet, condition)
        _check_figures(table, crew, may, condition)
        hours = zone_hours(crew, fleet, season, *(table[name].to_numpy() for name in _AREA))
        _condition(out, table, condition, crew, may, hours, goal)
    return out.bid(_notes(table, fleet, season))


class _Lines:
    """Collects the lines. Every figure of a line is for one visit."""

    def __init__(self, season: Season) -> None:
        self.season = season
        self.rows: list[tuple[Any, ...]] = []
        self.left: list[tuple[Any, ...]] = []

    def add(self, head: tuple[Any, ...], hours: Array, people: float, rate_h: float, *, driving: bool = False) -> None:
        """hours: (3,) low, expected, high. driving: outside the productive hours, so paid as it is."""
        travel = self.season.travel
        person = hours * people
        paid = person if driving else person * self.season.paid_a_productive_hour
        wage = np.nan if self.season.person_rate_h is None else self.season.person_rate_h
        cost = paid * wage + hours * rate_h + (travel.to_parcel_km * travel.cost_per_km if driving else 0.0)
        self.rows.append((*head, *hours, *person, *cost))

    def bid(self, notes: tuple[str, ...]) -> Bid:
        lines = pd.DataFrame(self.rows, columns=[*LINE_COLUMNS, *FIGURES])
        left = pd.DataFrame(self.left, columns=["parcel_id", "zone_id", "condition", "plan_m2", "edge_m", "why"])
        return Bid(lines, left, notes)


def _condition(
    out: _Lines,
    table: pd.DataFrame,
    condition: str,
    crew: Crew,
    may: NDArray[np.bool_],
    hours: Array,
    goal: Goal,
) -> None:
    """All lines of one condition, parcel by parcel in the order of the table."""
    season = out.season
    worked = _any(may)
    for row in table[~worked].itertuples():
        out.left.append((row.parcel_id, row.zone_id, condition, row.plan_m2, row.edge_m, SITE_VISIT))
    whole = (table["channel_m2"] >= table["plan_m2"]).to_numpy()
    for row, edge_m in zip(table.itertuples(), np.where(whole, table["edge_m"], 0.0), strict=True):
        if worked[row.Index] and row.channel_m2 > 0.0:
            out.left.append((row.parcel_id, row.zone_id, condition, row.channel_m2, edge_m, CHANNEL))
    worked &= ~whole
    todo, may, hours = table[worked], may[worked], hours[:, worked]
    parcel, names = pd.factorize(todo["parcel_id"])
    edges = todo["edge_m"].to_numpy()
    # Wages are paid by the day, of which only a part is productive.
    paid = season.paid_a_productive_hour * (season.person_rate_h or 0.0)
    of_people = paid if goal == "cost" else 1.0
    of_hour = crew.people * of_people + (crew.rate_h if goal == "cost" else 0.0)
    # A machine leaves the edges to a hand crew, which then has to come as well.
    trimmer = _trimmer(may, edges, crew)
    trim = np.where(trimmer >= 0, edges / crew.edge_rate[::-1, trimmer], 0.0)
    helper = np.where(~crew.hand, trimmer[:, None], -1)
    share_h = crew.rate_h / crew.people
    of_trim = of_people + (share_h[helper] if goal == "cost" else 0.0)
    by_hand = _any(may & crew.hand)
    amount = hours[1] * of_hour + np.where(helper >= 0, trim[1][:, None] * of_trim, 0.0)
    amount[~_candidates(may, amount, crew, goal)] = np.inf
    counted = ~crew.hand if goal == "machines" else None
    answer = assign(amount, crew.set_up[1] * of_hour, parcel, helper, counted)
    surface, ids, of_parcel = todo["surface_m2"].to_numpy(), todo["zone_id"].to_numpy(), names[parcel]
    for z, m in enumerate(answer.machine):
        place, machine = (of_parcel[z], ids[z], condition), (crew.ids[m], crew.classes[m])
        what = "hand work" if crew.hand[m] else "mowing"
        out.add((*place, *machine, what, surface[z], 0.0), hours[:, z, m], crew.people[m], crew.rate_h[m])
        h = helper[z, m]
        if h >= 0:
            head = (*place, crew.ids[h], crew.classes[h], "edges", 0.0, edges[z])
            out.add(head, trim[:, z], 1.0, share_h[h])
        elif edges[z] > 0.0 and not crew.hand[m]:
            out.left.append((*place, 0.0, edges[z], NO_EDGE_RATE if by_hand[z] else NO_TRIMMER))
    for name, brought in zip(names, answer.brought, strict=True):
        _visit(out, str(name), condition, crew, brought)


def _visit(out: _Lines, parcel: str, condition: str, crew: Crew, brought: NDArray[np.bool_]) -> None:
    """What a visit to a parcel costs beside the work on its zones."""
    season = out.season
    for m in np.nonzero(brought & (crew.set_up[2] > 0.0))[0]:
        head = (parcel, "", condition, crew.ids[m], crew.classes[m], "set-up", 0.0, 0.0)
        out.add(head, crew.set_up[:, m], crew.people[m], crew.rate_h[m])
    size, travel = float(season.crew_size), season.travel
    if season.set_up_visit_min != NOTHING:
        head = (parcel, "", condition, "", "", VISIT, 0.0, 0.0)
        out.add(head, three(season.set_up_visit_min) * HOURS_PER_MINUTE, size, 0.0)
    if travel.to_parcel_min != NOTHING or travel.to_parcel_km > 0.0:
        head = (parcel, "", condition, "", "", DRIVING, 0.0, 0.0)
        out.add(head, three(travel.to_parcel_min) * HOURS_PER_MINUTE, size, 0.0, driving=True)


def _candidates(may: NDArray[np.bool_], amount: Array, crew: Crew, goal: Goal) -> NDArray[np.bool_]:
    """Who may be given each zone: machines first, hand crews where no machine may go, or where the least cost asks."""
    by_machine = _any(may & ~crew.hand)
    allowed = may if goal == "cost" else may & (~crew.hand | ~by_machine[:, None])
    return allowed & np.isfinite(amount)


def _any(of: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether any machine of each zone."""
    return np.any(of, axis=1, keepdims=True)[:, 0]


def _trimmer(may: NDArray[np.bool_], edge_m: Array, crew: Crew) -> NDArray[np.int64]:
    """(zones,): the first hand crew that may trim the edges of each zone and has a rate for it; -1 for none."""
    able = may & crew.hand & np.isfinite(crew.edge_rate[1]) & (edge_m > 0.0)[:, None]
    return np.where(_any(able), able.argmax(axis=1), -1)


def _checked(zones: Any, fleet: Fleet, conditions: list[str]) -> pd.DataFrame:
    """The columns that count, without the user's exclusions. A missing surface area is the area on the map."""
    needed = ["parcel_id", "zone_id", "machine_class", "plan_m2", *_AREA]
    needed += [f"permitted_{c}" for c in conditions]
    for name in needed:
        if name not in zones.columns:
            raise InputError(
                f"zones: the column {name} is missing; screen the parcels again with this version and this fleet file."
            )
    table = pd.DataFrame({name: zones[name] for name in needed})
    table["edge_m"] = zones["edge_m"].fillna(0.0) if "edge_m" in zones.columns else 0.0
    table["channel_m2"] = zones["channel_share"].fillna(0.0).astype(float) if "channel_share" in zones.columns else 0.0
    table = table[table["machine_class"] != "excluded"].reset_index(drop=True)
    table["surface_m2"] = table["surface_m2"].astype(float).fillna(table["plan_m2"])
    table = table.astype({"slope_mean_deg": float, "parts": float})
    # Nobody is priced in a channel.
    table["surface_m2"] *= 1.0 - table["channel_m2"]
    table["channel_m2"] *= table["plan_m2"]
    return table


def _permitted(table: pd.DataFrame, fleet: Fleet, condition: str) -> NDArray[np.bool_]:
    """(zones, machines): whether the machine is permitted on the zone under the condition."""
    names = list(fleet.machines)
    kinds, texts = pd.factorize(table[f"permitted_{condition}"].fillna(""))
    out = np.zeros((len(texts), len(names)), bool)
    for n, text in enumerate(texts):
        for name in listed(text):
            if name not in fleet.machines:
                raise InputError(
                    f"zones: machine '{name}' of permitted_{condition} is not in the fleet file; "
                    "use the fleet file that the parcels were screened with."
                )
            out[n, names.index(name)] = True
    return out[kinds]


def _check_money(crew: Crew, season: Season) -> None:
    if season.person_rate_h is None:
        raise InputError(
            "person_rate_h is missing: give a season file (--season) that holds it, since the least cost needs it."
        )
    for name, rate in zip(crew.ids, crew.rate_h, strict=True):
        if np.isnan(rate):
            raise InputError(
                f"machine_rates_h.{name} is missing in the season file: type it, since the least cost needs it."
            )


def _check_figures(table: pd.DataFrame, crew: Crew, may: NDArray[np.bool_], condition: str) -> None:
    """Refuses where a zone has nobody whose hours can be worked out, though somebody is permitted."""
    known = np.isfinite(crew.rate[1])
    machine, by_hand = may & ~crew.hand, may & crew.hand
    blind = _any(machine) & ~_any(machine & known)
    if blind.any():
        z = int(blind.argmax())
        names = ", ".join(name for name, yes in zip(crew.ids, machine[z], strict=True) if yes)
        raise InputError(
            f"zone {table['zone_id'][z]}: no hours can be worked out for {names} (condition {condition}); "
            "type width_m, speed_kmh and efficiency in the fleet file."
        )
    no_rate = _any(by_hand) & ~_any(machine) & ~_any(by_hand & known)
    if no_rate.any():
        z = int(no_rate.argmax())
        names = crew.ids[int(by_hand[z].argmax())]
        area = float(table["surface_m2"][no_rate].sum())
        raise InputError(
            f"machines.{names}.hand_rate_m2_h is missing in the fleet file: {int(no_rate.sum())} zones ({area:.0f} m2, "
            f"the first is {table['zone_id'][z]}) are hand work, and slopekit ships no rate; type your own."
        )


def _notes(table: pd.DataFrame, fleet: Fleet, season: Season) -> tuple[str, ...]:
    out = [f"Hours are planning figures. They permit nothing. {DECIDE}"]
    out.append(
        "Hours of edges are those of one person; hours of hand work are those of all people of a hand crew together."
    )
    for name, machine in fleet.machines.items():
        if machine.operator != "hand" and None in (machine.width_m, machine.speed_kmh, machine.efficiency):
            out.append(f"{name} is given no work: width_m, speed_kmh or efficiency is missing in the fleet file.")
    if season.person_rate_h is None:
        out.append("No money: person_rate_h is not given in a season file.")
    return tuple(out)
