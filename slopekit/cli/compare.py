"""slopekit compare: two bids for the same parcels with two fleet files."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from slopekit.cli import console, options
from slopekit.cli.job import say_cautions

if TYPE_CHECKING:
    from slopekit.labour.hours import Goal

_FILE = click.Path(path_type=Path)


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
@options.parcel_option
@click.option("--out", type=_FILE, metavar="FILE", help="Also write the comparison as .xlsx, .csv or .json.")
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def compare(
    zones: Path,
    fleets: tuple[Path, ...],
    season: Path | None,
    goal: "Goal",
    parcels: tuple[str, ...],
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
    from slopekit.api.comparing import compare as compare_fleets
    from slopekit.api.guard import Guard
    from slopekit.api.pricing import SHEETS
    from slopekit.api.tables import check_ending
    from slopekit.outputs.bid import print_comparison

    if out is not None:
        check_ending(out, SHEETS, "comparisons are written")
    read = [zones, *fleets, *([] if season is None else [season])]
    guard = Guard([] if out is None else [out], map(str, read), overwrite)
    with console.Watch("Screening", quiet) as watch:
        found = compare_fleets(zones, fleets, season, goal, watch, parcels)
    guard.again()
    results = () if out is None else found.write(out, overwrite)
    say_cautions(found.layers)
    console.result(*print_comparison(found.table).split("\n"), *map(str, results))
