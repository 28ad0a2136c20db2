"""slopekit export: a result for programs that take shapefiles."""

from pathlib import Path

import click

from slopekit.cli import console, options
from slopekit.cli.job import say_cautions

_FILE = click.Path(path_type=Path)


@click.command(cls=console.Command, short_help="Write screened zones as shapefiles, with styles and whole notes.")
@click.argument("zones", type=_FILE, metavar="ZONES.gpkg")
@click.option("--out", type=_FILE, required=True, metavar="FOLDER", help="Where the files go.")
@options.parcel_option
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def export(zones: Path, out: Path, parcels: tuple[str, ...], overwrite: bool, quiet: bool) -> None:
    """Write a result as shapefiles, for programs that take nothing else.

    ZONES.gpkg is a result of `slopekit screen`, or the portfolio.gpkg of a portfolio. A shapefile holds columns of 10
    characters and texts of 254 bytes. So each layer has a style with its short columns beside it (LAYER.qml), a note
    ends with a whole sentence, and notes.txt holds the rest, the cautions and what each column means: hand it on with
    them.
    """
    console.hush(quiet)
    from slopekit.api.export import export as write
    from slopekit.sources.results import read_result

    made = write(zones, out, overwrite, parcels)
    say_cautions(read_result(zones, ()))
    console.result(*map(str, made))
