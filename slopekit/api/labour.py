"""Hours and money for zones that were screened, and what another fleet would change."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slopekit.api.given import Fleets, Name, Seasons, is_name
from slopekit.api.given import fleet as fleet_given
from slopekit.api.given import season as season_given
from slopekit.api.guard import Guard
from slopekit.api.inputs import check_inputs, fingerprints, fleet_of
from slopekit.api.result import Result
from slopekit.api.screening import log, screen_job
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import Tables, check_ending
from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.labour.bid import IF_THERE, RESTS_ON, other_permits, price
from slopekit.labour.compare import compare_bids
from slopekit.labour.hours import Goal
from slopekit.labour.totals import supervision_cost
from slopekit.outputs.bid import print_bid, print_comparison, write_bid, write_comparison
from slopekit.outputs.package import write_result
from slopekit.screening.job import COMMAND, Job, job_of
from slopekit.sources.results import read_result

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

SHEETS = (".xlsx", ".csv", ".json")
_OWN = (COMMAND, "fleet", "fleet settings", "slopekit", "remote sources")
"""Inputs in the notes that may differ between two screenings of the same ground."""


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
    def write(self, path: Name, overwrite: bool = False) -> tuple[Path, ...]:
        """Write the bid as .xlsx with formulas, .csv or .json; returns the files. Raises as `Result.write`."""
        out = Path(path)
        check_ending(out, SHEETS, "bids are written")
        Guard([out], (), overwrite, others=self.read)
        return write_bid(out, self.layers, self.supervision, overwrite)

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


@dataclass(frozen=True, eq=False, repr=False)
class Comparison(Tables):
    """What changes with another fleet. `layers` are the tables of the second bid."""

    table: "pd.DataFrame"
    """Hours, hand hours, money and areas by fleet, with the difference."""
    read: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join([print_comparison(self.table), *self.cautions])

    @speaks_python
    def write(self, path: Name, overwrite: bool = False) -> tuple[Path, ...]:
        """Write the comparison as .xlsx, .csv or .json; returns the files. Raises as `Result.write`."""
        out = Path(path)
        check_ending(out, SHEETS, "comparisons are written")
        Guard([out], (), overwrite, others=self.read)
        return write_comparison(out, self.table, self.notes, overwrite)


@speaks_python
def hours(
    zones: Name | Result,
    fleet: Fleets | None = None,
    season: Seasons | None = None,
    goal: Goal = "hours",
    passes: bool = False,
) -> Hours:
    """Work out who works each zone, for how long and for how much.

    zones: a `Result`, or the file of one or of a portfolio. fleet: as in `screen`, with the limits of the screening;
    that of the result where it is not given, which a file needs. season: visits, working day and rates as a path, a
    dict or a `Season`; without it one visit under each condition, hours only. goal: what is kept least on each parcel,
    hours, cost or machines. passes: whether to lay out passes too. Raises InputError for other limits than those of the
    screening and for a figure that is needed and missing.

    >>> import slopekit as sk
    >>> data = sk.demo_data()
    >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", workers=1)
    >>> sk.hours(result, season=data / "season.toml").summary.columns[:2].tolist()
    ['machine_class', 'surface_m2']
    """
    _check_goal(goal)
    machines, plan, files = _asked(zones, fleet, season)
    tables = zones.layers if isinstance(zones, Result) else read_result(Path(zones), RESTS_ON, IF_THERE)
    priced = price(tables, machines, plan, goal, files, passes)
    return Hours(priced.tables, priced.passes, supervision_cost(plan), names_of(zones, [fleet], season))


def _check_goal(goal: str) -> None:
    if goal not in ("hours", "cost", "machines"):
        raise InputError(f"goal: '{goal}' is not known, so give hours, cost or machines.")


@speaks_python
def compare(
    zones: Name | Result,
    fleets: Sequence[Fleets],
    season: Seasons | None = None,
    goal: Goal = "hours",
    progress: "Callable[[int, int], None] | None" = None,
) -> Comparison:
    """What changes in hours, hand hours, money and zones with another machine or limit.

    zones: as in `hours`. fleets: two of them, as in `screen`, today's first. season, goal: as in `hours`. Where a fleet
    has other limits than those of the screening the parcels are screened again from the same sources. progress: called
    with the parcels done and in all. Raises InputError where that cannot be done, and where a source has changed since.

    >>> import slopekit as sk
    >>> data = sk.demo_data()
    >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", workers=1)
    >>> fleets = [data / "fleet.toml", sk.load_fleet(data / "fleet.toml")]
    >>> bool((sk.compare(result, fleets).table["change"].fillna(0) == 0).all())
    True
    """
    _check_goal(goal)
    if len(fleets) != 2:
        raise InputError(f"fleets: {len(fleets)} of them were given, so give two, today's first.")
    given = [fleet_given(one) for one in fleets]
    loaded = [fleet_of(one) for one in given]
    tables = zones.layers if isinstance(zones, Result) else read_result(Path(zones), RESTS_ON, IF_THERE)
    sides = []
    for name, fleet, other in zip(given, loaded, reversed(loaded), strict=True):
        plan = season_given(season, fleet, other)
        result = _screened(zones, tables, name, fleet, progress)
        sides.append({**price(result, fleet, plan, goal).tables, "zones": result["zones"]})
    return Comparison(sides[1], compare_bids(*sides), names_of(zones, fleets, season))


def _asked(zones: Name | Result, fleet: Fleets | None, season: Seasons | None) -> tuple[Fleet, Any, dict[str, str]]:
    """The fleet and the season, and what the notes say of all that was given."""
    if isinstance(zones, Result):
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


def names_of(zones: Name | Result, fleets: Sequence[Fleets | None], season: Seasons | None) -> tuple[str, ...]:
    """Every file that was read."""
    own = zones.read if isinstance(zones, Result) else (str(zones),)
    return (*own, *(str(one) for one in (*fleets, season) if is_name(one)))


def _screened(
    zones: Name | Result, tables: Any, given: Any, fleet: Fleet, progress: "Callable[[int, int], None] | None"
) -> Any:
    """The given tables where the fleet's limits are those of their screening, else those of a new screening of the same
    sources."""
    notes = tables["run_notes"]
    differs = other_permits(notes, fleet)
    if not differs:
        return tables
    here = "zones" if isinstance(zones, Result) else str(zones)
    name = str(given) if isinstance(given, Path) else "fleet"
    if isinstance(zones, Result):
        job = replace(zones.job, fleet=given, rasters=None)
        log.info("%s: %s. Screening again.", name, differs)
    else:
        job = _recorded(here, tables, name, differs, given)
    try:
        _, inputs = check_inputs(job)
        again = screen_job(job, fleet, Guard((), inputs), progress).layers
    except InputError as error:
        raise InputError(f"{here}: screening its parcels again with {name} failed: {error}") from error
    changed = _inputs(notes).items() - _inputs(again["run_notes"]).items()
    if changed:
        raise InputError(
            f"{here}: the {min(changed)[0]} it was made from has changed since, so screen the parcels again first."
        )
    return again


def _recorded(here: str, tables: Any, name: str, differs: str, fleet: Any) -> Job:
    """The job that a file's notes tell of, with another fleet."""
    notes = tables["run_notes"]
    said = notes.loc[(notes["topic"] == "inputs") & (notes["name"] == COMMAND), "value"]
    if said.empty and "sources" in tables:
        raise InputError(
            f"{here}: {name} has other limits ({differs}) and a portfolio is not screened again here, so run "
            f"'slopekit portfolio' with {name} and another --out, and set what 'slopekit hours' says of both side by "
            "side."
        )
    if said.empty:
        raise InputError(
            f"{here}: {name} has other limits ({differs}) and the result does not say how it was made, so make it "
            "with 'slopekit screen'."
        )
    log.info("%s: %s. Screening again: %s", name, differs, said.iloc[0])
    return job_of(str(said.iloc[0]), fleet)


def _inputs(notes: Any) -> dict[str, str]:
    rows = notes[(notes["topic"] == "inputs") & ~notes["name"].isin(_OWN)]
    return dict(zip(rows["name"], rows["value"], strict=True))
