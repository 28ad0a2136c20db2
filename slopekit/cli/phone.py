"""slopekit phone: a result to take along."""

from pathlib import Path

import click

from slopekit.cli import console, options
from slopekit.cli.job import say_cautions

_FILE = click.Path(path_type=Path)


@click.command(cls=console.Command, short_help="Write screened zones for a phone, to look at or to draw in.")
@click.argument("zones", type=_FILE, metavar="ZONES.gpkg")
@click.option(
    "--out",
    type=_FILE,
    required=True,
    metavar="SITE.kmz",
    help="The result: .kmz for any map program, or .gpkg with a QGIS project inside and layers to draw corrections in.",
)
@options.parcel_option
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def phone(zones: Path, out: Path, parcels: tuple[str, ...], overwrite: bool, quiet: bool) -> None:
    """Write a result for the phone.

    ZONES.gpkg is a result of `slopekit screen`, or the portfolio.gpkg of a portfolio. A .kmz shows zones, water, drops,
    starts, paths and routes with the note of each zone. A .gpkg opens in field programs that read QGIS projects, ready
    to draw in; what comes back is given to `slopekit screen --corrections`.
    """
    console.hush(quiet)
    from slopekit.api.phone import phone as write
    from slopekit.sources.results import read_result

    made = write(zones, out, overwrite, parcels)
    say_cautions(read_result(zones, ()))
    more = [f"Draw in it, then read it back: slopekit corrections check {made}"] if made.suffix == ".gpkg" else []
    console.result(str(made), *more)
