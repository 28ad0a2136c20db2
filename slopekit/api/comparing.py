"""What another fleet would change."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slopekit.api.given import Fleets, Name, Seasons
from slopekit.api.given import fleet as fleet_given
from slopekit.api.given import season as season_given
from slopekit.api.guard import Guard
from slopekit.api.inputs import check_inputs, fleet_of
from slopekit.api.pricing import SHEETS, check_goal, name_of, names_of, tables_of
from slopekit.api.recorded import changed_since, inputs_now, job_of
from slopekit.api.screened import Screened
from slopekit.api.screening import log, screen_job
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import Tables, check_ending
from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.labour.bid import other_permits, price
from slopekit.labour.compare import compare_bids
from slopekit.labour.hours import Goal
from slopekit.outputs.bid import print_comparison, write_comparison
from slopekit.sources.results import of_parcels

if TYPE_CHECKING:
    import pandas as pd


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
def compare(
    zones: Name | Screened,
    fleets: Sequence[Fleets],
    season: Seasons | None = None,
    goal: Goal = "hours",
    progress: Callable[[int, int], None] | None = None,
    parcels: Sequence[str] = (),
) -> Comparison:
    """What changes in hours, hand hours, money and zones with another machine or limit.

    zones: as in `hours`. fleets: two of them, as in `screen`, today's first. season, goal, parcels: as in `hours`.
    Where a fleet has other limits than those of the screening the parcels are screened again from the same sources.
    progress: called with the parcels done and in all. Raises InputError where that cannot be done, and where a source
    has changed since.

    >>> import slopekit as sk
    >>> data = sk.demo_data()
    >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", workers=1)
    >>> fleets = [data / "fleet.toml", sk.load_fleet(data / "fleet.toml")]
    >>> bool((sk.compare(result, fleets).table["change"].fillna(0) == 0).all())
    True
    """
    check_goal(goal)
    if len(fleets) != 2:
        raise InputError(f"fleets: {len(fleets)} of them were given, so give two, today's first.")
    given = [fleet_given(one) for one in fleets]
    loaded = [fleet_of(one) for one in given]
    tables = tables_of(zones, parcels)
    sides = []
    for name, fleet, other in zip(given, loaded, reversed(loaded), strict=True):
        plan = season_given(season, fleet, other)
        result = of_parcels(name_of(zones), _screened(zones, tables, name, fleet, progress), parcels)
        sides.append({**price(result, fleet, plan, goal).tables, "zones": result["zones"]})
    return Comparison(sides[1], compare_bids(*sides), names_of(zones, fleets, season))


def _screened(
    zones: Name | Screened, tables: Any, given: Any, fleet: Fleet, progress: Callable[[int, int], None] | None
) -> Any:
    """The given tables where the fleet's limits are those of their screening, else those of a new screening of the same
    sources."""
    notes = tables["run_notes"]
    differs = other_permits(notes, fleet)
    if not differs:
        return tables
    here = name_of(zones)
    name = str(given) if isinstance(given, Path) else "fleet"
    if "sources" in tables:
        raise InputError(
            f"{here}: {name} has other limits ({differs}) and a portfolio is not screened again here, so run "
            f"'slopekit portfolio' with {name} and another --out, and set what 'slopekit hours' says of both side by "
            "side."
        )
    try:
        job = zones.job if isinstance(zones, Screened) else job_of(zones, notes, given)
    except InputError as error:
        raise InputError(f"{name} has other limits than the screening ({differs}); {error}") from error
    log.info("%s: %s. Screening again.", name if isinstance(zones, Screened) else here, differs)
    try:
        # Neither changes a bid.
        job = replace(job, fleet=given, rasters=None, landforms=False, realisations=None)
        _, inputs = check_inputs(job)
        again = screen_job(job, fleet, Guard((), inputs), progress)
    except InputError as error:
        raise InputError(f"{here}: screening its parcels again with {name} failed: {error}") from error
    changed = changed_since(notes, inputs_now(again.job, again.survey))
    if changed:
        raise InputError(
            f"{here}: the {changed} it was made from has changed since, so screen the parcels again first."
        )
    return again.layers
