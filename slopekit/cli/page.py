"""slopekit page: zones and reasons as HTML for a browser without a network."""

from pathlib import Path

import click

from slopekit.cli import console, options

_FILE = click.Path(path_type=Path)


@click.command(cls=console.Command, short_help="Zones, reasons and profiles as one HTML file, without a network.")
@click.argument("zones", type=_FILE, metavar="ZONES.gpkg|FOLDER")
@click.option("--out", type=_FILE, required=True, metavar="PAGE.html", help="The page.")
@click.option("--hours", type=_FILE, metavar="BID.json", help="Also show the hours that slopekit hours wrote for them.")
@click.option("--title", metavar="TEXT", help="Title of the page. Without it, the name of the result.")
@options.parcel_option
@options.units_option
@options.overwrite_option
@options.quiet_option
def page(
    zones: Path,
    out: Path,
    hours: Path | None,
    title: str | None,
    parcels: tuple[str, ...],
    units: str,
    overwrite: bool,
    quiet: bool,
) -> None:
    """Write one HTML file with the map, a list of parcels, why each machine is refused, and the paths down as profiles.

    ZONES.gpkg is a result of `slopekit screen`, FOLDER that of a portfolio. The file opens in any browser, on a desk or
    a phone, and loads nothing from any network. More than 2000 parcels or 20 000 zones become a page for each district
    and an index. Needs the extra `page`.
    """
    console.hush(quiet)
    from slopekit.api.page import page as write_page

    made = write_page(zones, out, hours=hours, units=units, title=title, parcels=parcels, overwrite=overwrite)
    console.result(*map(str, made))
