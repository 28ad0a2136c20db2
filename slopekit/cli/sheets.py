"""slopekit sheets: pages to print for crews, from zones that were screened."""

from pathlib import Path

import click

from slopekit.cli import console, options
from slopekit.cli.job import say_cautions

_FILE = click.Path(path_type=Path)


@click.command(cls=console.Command, short_help="Print sheets for crews, one a parcel.")
@click.argument("zones", type=_FILE, metavar="ZONES.gpkg")
@click.option("--out", type=_FILE, required=True, metavar="SHEETS.pdf", help="The sheets, all in one file.")
@click.option("--per-parcel", type=_FILE, metavar="FOLDER", help="Also write a file for each parcel.")
@click.option("--fleet", type=_FILE, metavar="FILE", help="Your fleet file: also tell its limits, and advise by tread.")
@click.option("--season", type=_FILE, metavar="FILE", help="Also tell hours: see slopekit season new. Needs --fleet.")
@options.parcel_option
@options.paper_option
@options.units_option
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def sheets(
    zones: Path,
    out: Path,
    per_parcel: Path | None,
    fleet: Path | None,
    season: Path | None,
    parcels: tuple[str, ...],
    paper: str,
    units: str,
    overwrite: bool,
    quiet: bool,
) -> None:
    """Print a sheet for each parcel, to carry and to fill in: map, zones, who is refused and why, how to work them.

    ZONES.gpkg is a result of `slopekit screen` or of a portfolio. A parcel takes a second page only where its zones
    need it. Pages are black and white and know where they lie: a phone's map program shows where one stands.
    """
    console.hush(quiet)
    from slopekit.api.sheets import sheets as write_sheets
    from slopekit.sources.results import read_result

    files = write_sheets(
        zones,
        out,
        fleet=fleet,
        season=season,
        paper=paper,
        units=units,
        per_parcel=per_parcel,
        parcels=parcels,
        overwrite=overwrite,
    )
    say_cautions(read_result(zones, ()))
    console.result(*map(str, files))
