"""slopekit season: start a season file."""

from pathlib import Path

import click

from slopekit.cli import console, options


@click.group(cls=console.Group)
def season() -> None:
    """Start a season file: visits, the working day, driving and rates."""


@season.command("new")
@click.argument("file", type=click.Path(path_type=Path))
@options.fleet_option
def new(file: Path, fleet: Path) -> None:
    """Write a commented season file for the conditions and machines of a fleet file, with blank rates.

    A file that exists is never overwritten.
    """
    from slopekit.fleet.load import load_fleet
    from slopekit.fleet.new_file import write_new
    from slopekit.labour.season import season_template

    write_new(file, season_template(load_fleet(fleet)), "your rates")
    console.result(str(file), f"Type your own figures into it, then: slopekit hours ZONES.gpkg --season {file} ...")
