"""slopekit fleet: start a fleet file, and read one back in words."""

from pathlib import Path

import click

from slopekit.cli import console


@click.group(cls=console.Group)
def fleet() -> None:
    """Start a fleet file, and check what it says."""


@fleet.command("new")
@click.argument("file", type=click.Path(path_type=Path))
def new(file: Path) -> None:
    """Write a commented fleet file whose limits are blank: it refuses everything until you fill it in.

    A file that exists is never overwritten.
    """
    from slopekit.fleet.new_file import write_new
    from slopekit.fleet.template import template_text

    write_new(file, template_text(), "your limits")
    console.result(str(file), f"Type your own limits into it, then read them back: slopekit fleet check {file}")


@fleet.command("check")
@click.argument("file", type=click.Path(path_type=Path))
def check(file: Path) -> None:
    """Say in words what each machine may do, and what is missing."""
    from slopekit.fleet.load import load_fleet
    from slopekit.fleet.words import describe

    console.result(*describe(load_fleet(file)))
