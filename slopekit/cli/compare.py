"""slopekit compare: two bids for the same parcels with two fleet files."""

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from slopekit.cli import console, options
from slopekit.cli.guard import Guard
from slopekit.cli.job import COMMAND, Job, check_inputs, check_sheet, open_job, run_job, say_cautions
from slopekit.cli.screen import job_from, screen
from slopekit.errors import InputError

if TYPE_CHECKING:
    from slopekit.fleet.model import Fleet
    from slopekit.labour.hours import Goal

_FILE = click.Path(path_type=Path)
_OWN = (COMMAND, "fleet", "fleet settings", "slopekit", "remote sources")
"""Inputs in the notes that may differ between two screenings of the same ground."""


@click.command(cls=console.Command, short_help="What would change with another fleet file.")
@click.argument("zones", type=_FILE, metavar="ZONES.gpkg")
@click.option(
    "--fleet",
    "fleets",
    type=_FILE,
    multiple=True,
    required=True,
    metavar="FILE",
    help="Your machines and limits (TOML). Give it twice: today's first.",
)
@options.season_option
@options.goal_option
@click.option("--out", type=_FILE, metavar="FILE", help="Also write the comparison as .xlsx, .csv or .json.")
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def compare(
    zones: Path,
    fleets: tuple[Path, ...],
    season: Path | None,
    goal: "Goal",
    out: Path | None,
    overwrite: bool,
    quiet: bool,
) -> None:
    """Say what changes in hours, hand hours, money and zones if the company had another machine or limit.

    ZONES.gpkg is a result of `slopekit screen` or of a portfolio. Where a fleet file has other limits than those of its
    screening, the parcels are screened again from the same files, as the result's notes say; a portfolio's are not.
    """
    console.hush(quiet)
    if len(fleets) != 2:
        raise click.UsageError(f"--fleet was given {len(fleets)} time(s): give two fleet files.")
    if out is not None:
        check_sheet(out, "comparisons")
    from slopekit.bid import IF_THERE, RESTS_ON, price
    from slopekit.fleet.load import load_fleet
    from slopekit.labour.compare import compare_bids
    from slopekit.labour.season import load_season, one_visit
    from slopekit.outputs.bid import print_comparison, write_comparison
    from slopekit.sources.results import read_result

    read = [zones, *fleets, *([] if season is None else [season])]
    guard = Guard([] if out is None else [out], map(str, read), overwrite)
    loaded = [load_fleet(fleet) for fleet in fleets]
    given = read_result(zones, RESTS_ON, IF_THERE)
    sides = []
    for path, fleet, other in zip(fleets, loaded, reversed(loaded), strict=True):
        plan = one_visit(fleet) if season is None else load_season(season, fleet, other)
        result = _screened(zones, given, path, fleet, quiet)
        sides.append({**price(result, fleet, plan, goal).tables, "zones": result["zones"]})
    table = compare_bids(*sides)
    guard.again()
    results: tuple[Path, ...] = ()
    if out is not None:
        results = write_comparison(out, table, sides[1]["run_notes"], overwrite)
    say_cautions(sides[1])
    console.result(*print_comparison(table).split("\n"), *map(str, results))


def _screened(zones: Path, given: dict[str, Any], path: Path, fleet: "Fleet", quiet: bool) -> dict[str, Any]:
    """The given result where the fleet's limits are those of its screening, else a new screening of the same files."""
    from slopekit.bid import other_permits

    notes = given["run_notes"]
    differs = other_permits(notes, fleet)
    if not differs:
        return given
    said = notes.loc[(notes["topic"] == "inputs") & (notes["name"] == COMMAND), "value"]
    if said.empty and "sources" in given:
        raise InputError(
            f"{zones}: {path} has other limits ({differs}) and a portfolio is not screened again here, so run "
            f"'slopekit portfolio' with {path} and another --out, and set what 'slopekit hours' says of both side by "
            "side."
        )
    if said.empty:
        raise InputError(
            f"{zones}: {path} has other limits ({differs}) and the result does not say how it was made, so make it "
            "with 'slopekit screen'."
        )
    console.log.info("%s: %s. Screening again: %s", path, differs, said.iloc[0])
    try:
        job = _job_of(shlex.split(str(said.iloc[0])), path)
        _, inputs = check_inputs(job)
        with open_job(job) as elevation:
            tables = run_job(job, elevation, fleet, Guard([], inputs), quiet)
    except InputError as error:
        raise InputError(f"{zones}: screening its parcels again with {path} failed: {error}") from error
    changed = _inputs(notes).items() - _inputs(tables["run_notes"]).items()
    if changed:
        raise InputError(
            f"{zones}: the {min(changed)[0]} it was made from has changed since, so screen the parcels again first."
        )
    return tables


def _job_of(words: list[str], fleet: Path) -> Job:
    """The job of a recorded command line, with another fleet file."""
    context = screen.make_context("screen", [*words[1:], "--out", "again.gpkg", "--fleet", str(fleet)])
    own = ("out", "report", "picture", "profiles", "overwrite", "quiet")
    return job_from({name: value for name, value in context.params.items() if name not in own})


def _inputs(notes: Any) -> dict[str, str]:
    rows = notes[(notes["topic"] == "inputs") & ~notes["name"].isin(_OWN)]
    return dict(zip(rows["name"], rows["value"], strict=True))
