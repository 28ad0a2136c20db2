"""Hours and money for zones that were screened."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slopekit.api.given import Fleets, Name, Seasons, is_name, units_of
from slopekit.api.given import fleet as fleet_given
from slopekit.api.given import season as season_given
from slopekit.api.guard import Guard
from slopekit.api.inputs import fingerprints, fleet_of
from slopekit.api.screened import Screened
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import Tables, check_ending
from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.labour.bid import IF_THERE, RESTS_ON, price
from slopekit.labour.hours import GOALS, Goal
from slopekit.labour.totals import supervision_cost
from slopekit.outputs.bid import print_bid, write_bid
from slopekit.outputs.package import write_result
from slopekit.sources.results import of_parcels, read_result

if TYPE_CHECKING:
    import pandas as pd

SHEETS = (".xlsx", ".csv", ".json")


@dataclass(frozen=True, eq=False, repr=False)
class Hours(Tables):
    """A bid: who works each zone, for how long and for how much. `layers` are the registry's tables of a bid, without
    geometry. `repr` and `print` show hours by class and every caution."""

    passes: Any
    """Layer `passes` as a GeoDataFrame; None where not asked for."""
    supervision: float
    """Money of the season for supervision."""
    read: tuple[str, ...]
    """The files that it was made from, which it never replaces."""

    def __repr__(self) -> str:
        return "\n".join([print_bid(self.layers), *self.cautions])

    @property
    def summary(self) -> "pd.DataFrame":
        """Hours (h), low and high, and money of the season by machine class; NaN where a rate is missing."""
        totals = self.layers["totals"]
        rows = totals[totals["by"] == "class"]
        return rows.drop(columns="by").rename(columns={"name": "machine_class"}).reset_index(drop=True)

    @speaks_python
    def write(self, path: Name, overwrite: bool = False, units: str = "metric") -> tuple[Path, ...]:
        """Write the bid as .xlsx with formulas, .csv or .json; returns the files. units: of the workbook, metric or us;
        the others are metric. Raises as `Result.write`."""
        out, shown = Path(path), units_of(units)
        check_ending(out, SHEETS, "bids are written")
        Guard([out], (), overwrite, others=self.read)
        return write_bid(out, self.layers, self.supervision, overwrite, shown)

    @speaks_python
    def write_passes(self, path: Name, overwrite: bool = False) -> Path:
        """Write the passes as .gpkg. Raises as `Result.write`, and InputError where none were asked for."""
        out = Path(path)
        check_ending(out, (".gpkg",), "passes are written", "passes")
        if self.passes is None:
            raise InputError(f"{out}: no passes were laid out, so ask for hours with passes=True.")
        Guard([out], (), overwrite, others=self.read)
        write_result(out, {"passes": self.passes, "run_notes": self.notes}, ())
        return out


@speaks_python
def hours(
    zones: Name | Screened,
    fleet: Fleets | None = None,
    season: Seasons | None = None,
    goal: Goal = "hours",
    passes: bool = False,
    parcels: Sequence[str] = (),
) -> Hours:
    """Work out who works each zone, for how long and for how much.

    zones: a `Result`, or the file of one or of a portfolio. fleet: as in `screen`, with the limits of the screening;
    that of the result where it is not given, which a file needs. season: visits, working day and rates as a path, a
    dict or a `Season`; without it one visit under each condition, hours only. goal: what is kept least on each parcel,
    hours, cost or machines. passes: whether to lay out passes too. parcels:
    ids of those that it is for; all where none is named. Raises InputError for other limits than those of the
    screening and for a figure that is needed and missing.

    >>> import slopekit as sk
    >>> data = sk.demo_data()
    >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", workers=1)
    >>> sk.hours(result, season=data / "season.toml").summary.columns[:2].tolist()
    ['machine_class', 'surface_m2']
    """
    check_goal(goal)
    machines, plan, files = _asked(zones, fleet, season)
    priced = price(tables_of(zones, parcels), machines, plan, goal, files, passes)
    return Hours(priced.tables, priced.passes, supervision_cost(plan), names_of(zones, [fleet], season))


def check_goal(goal: str) -> None:
    """Raise InputError for a goal that is not known."""
    if goal not in GOALS:
        raise InputError(f"goal: '{goal}' is not known, so give hours, cost or machines.")


def _asked(zones: Name | Screened, fleet: Fleets | None, season: Seasons | None) -> tuple[Fleet, Any, dict[str, str]]:
    """The fleet and the season, and what the notes say of all that was given."""
    if isinstance(zones, Screened):
        files: dict[str, Any] = {"zones": {}, "fleet": zones.job.fleet}
        machines = zones.fleet
    else:
        files = {"zones": str(zones)}
        if fleet is None:
            raise InputError(f"{zones}: the file does not hold the machines, so give fleet too.")
    if fleet is not None:
        given = fleet_given(fleet)
        files["fleet"], machines = given, fleet_of(given)
    plan = season_given(season, machines)
    if season is not None:
        files["season"] = Path(season) if is_name(season) else season
    return machines, plan, fingerprints(files)


def tables_of(zones: Name | Screened, parcels: Sequence[str] = ()) -> Any:
    """The layers that a bid rests on, of all parcels or of some."""
    tables = zones.layers if isinstance(zones, Screened) else read_result(Path(zones), RESTS_ON, IF_THERE)
    return of_parcels(name_of(zones), tables, parcels)


def name_of(zones: Name | Screened) -> str:
    """What an error calls a result."""
    return "zones" if isinstance(zones, Screened) else str(zones)


def names_of(zones: Name | Screened, fleets: Sequence[Fleets | None], season: Seasons | None) -> tuple[str, ...]:
    """Every file that was read."""
    own = zones.read if isinstance(zones, Screened) else (str(zones),)
    return (*own, *(str(one) for one in (*fleets, season) if is_name(one)))
