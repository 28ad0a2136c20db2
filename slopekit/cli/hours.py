"""slopekit hours: a bid for zones that were screened."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from slopekit.cli import console, options
from slopekit.cli.guard import Guard
from slopekit.cli.job import check_sheet, fingerprints, say_cautions
from slopekit.errors import InputError

if TYPE_CHECKING:
    from slopekit.labour.hours import Goal

_FILE = click.Path(path_type=Path)


@click.command(cls=console.Command, short_help="Work out hours, crews and money for screened zones.")
@click.argument("zones", type=_FILE, metavar="ZONES.gpkg")
@options.fleet_option
@options.season_option
@options.goal_option
@click.option("--out", type=_FILE, required=True, metavar="BID.xlsx", help="The result: .xlsx, .csv or .json.")
@click.option(
    "--passes",
    type=_FILE,
    metavar="PASSES.gpkg",
    help="Also lay out passes across the slope, and hours by their length.",
)
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def hours(
    zones: Path,
    fleet: Path,
    season: Path | None,
    goal: "Goal",
    out: Path,
    passes: Path | None,
    overwrite: bool,
    quiet: bool,
) -> None:
    """Work out who works each zone, for how long and for how much.

    ZONES.gpkg is a result of `slopekit screen`, made with the same limits. Without a season file: one visit under each
    condition, hours only.
    """
    console.hush(quiet)
    check_sheet(out, "bids")
    if passes is not None and passes.suffix.lower() != ".gpkg":
        raise InputError(f"{passes}: passes are written as .gpkg, so give --passes this ending.")
    from slopekit.bid import IF_THERE, RESTS_ON, price
    from slopekit.fleet.load import load_fleet
    from slopekit.labour.season import load_season, one_visit
    from slopekit.labour.totals import supervision_cost
    from slopekit.outputs.bid import print_bid, write_bid
    from slopekit.outputs.package import write_result
    from slopekit.sources.results import read_result

    files = {"zones": str(zones), "fleet": str(fleet), **({} if season is None else {"season": str(season)})}
    guard = Guard([out, *([] if passes is None else [passes])], files.values(), overwrite)
    machines = load_fleet(fleet)
    plan = one_visit(machines) if season is None else load_season(season, machines)
    given = read_result(zones, RESTS_ON, IF_THERE)
    priced = price(given, machines, plan, goal, fingerprints(files), passes is not None)
    guard.again()
    results = [*write_bid(out, priced.tables, supervision_cost(plan), overwrite)]
    if passes is not None:
        results.append(passes)
        write_result(passes, {"passes": priced.passes, "run_notes": priced.tables["run_notes"]}, ())
    say_cautions(priced.tables)
    console.result(*print_bid(priced.tables).split("\n"), *map(str, results))
