"""slopekit hours: a bid for zones that were screened."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from slopekit.cli import console, options
from slopekit.cli.job import check_outputs, check_sheet, say_cautions
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
@options.quiet_option
def hours(
    zones: Path, fleet: Path, season: Path | None, goal: "Goal", out: Path, passes: Path | None, quiet: bool
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
    from slopekit.sources.checksum import checksum
    from slopekit.sources.results import read_result

    files = {"zones": zones, "fleet": fleet, **({} if season is None else {"season": season})}
    results = [out, *([] if passes is None else [passes])]
    check_outputs(results, [str(file) for file in files.values()])
    machines = load_fleet(fleet)
    plan = one_visit(machines) if season is None else load_season(season, machines)
    inputs = {role: f"{file.name} ({checksum([str(file)])})" for role, file in files.items()}
    priced = price(read_result(zones, RESTS_ON, IF_THERE), machines, plan, goal, inputs, passes is not None)
    write_bid(out, priced.tables, supervision_cost(plan))
    if passes is not None:
        write_result(passes, {"passes": priced.passes, "run_notes": priced.tables["run_notes"]}, ())
    say_cautions(priced.tables)
    console.result(*print_bid(priced.tables).split("\n"), *map(str, results))
