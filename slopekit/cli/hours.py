"""slopekit hours: a bid for zones that were screened."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from slopekit.cli import console, options
from slopekit.cli.job import say_cautions

if TYPE_CHECKING:
    from slopekit.labour.hours import Goal

_FILE = click.Path(path_type=Path)


@click.command(cls=console.Command, short_help="Work out hours, crews and money for screened zones.")
@click.argument("zones", type=_FILE, metavar="ZONES.gpkg")
@options.fleet_option
@options.season_option
@options.goal_option
@options.parcel_option
@click.option("--out", type=_FILE, required=True, metavar="BID.xlsx", help="The result: .xlsx, .csv or .json.")
@click.option(
    "--passes",
    type=_FILE,
    metavar="PASSES.gpkg",
    help="Also lay out passes across the slope, and hours by their length.",
)
@options.units_option
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def hours(
    zones: Path,
    fleet: Path,
    season: Path | None,
    goal: "Goal",
    parcels: tuple[str, ...],
    out: Path,
    passes: Path | None,
    units: str,
    overwrite: bool,
    quiet: bool,
) -> None:
    """Work out who works each zone, for how long and for how much.

    ZONES.gpkg is a result of `slopekit screen`, made with the same limits. Without a season file: one visit under each
    condition, hours only.
    """
    console.hush(quiet)
    from slopekit.api.guard import Guard
    from slopekit.api.pricing import SHEETS
    from slopekit.api.pricing import hours as work_out
    from slopekit.api.tables import check_ending
    from slopekit.outputs.bid import print_bid
    from slopekit.wording import UNITS

    check_ending(out, SHEETS, "bids are written")
    if passes is not None:
        check_ending(passes, (".gpkg",), "passes are written", "passes")
    read = [zones, fleet, *([] if season is None else [season])]
    guard = Guard([out, *([] if passes is None else [passes])], map(str, read), overwrite)
    bid = work_out(zones, fleet, season, goal, passes is not None, parcels)
    guard.again()
    results = [*bid.write(out, overwrite, units)]
    if passes is not None:
        results.append(bid.write_passes(passes, overwrite))
    say_cautions(bid.layers)
    console.result(*print_bid(bid.layers, UNITS[units]).split("\n"), *map(str, results))
