"""slopekit corrections: start a file to draw corrections in, and read one back in words."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from slopekit.cli import console, options

if TYPE_CHECKING:
    from slopekit.schema.corrections import Correction

# Only words are printed, so any CRS in metres that reaches round the world serves.
_WORLD, _SHOWN_DIGITS = "EPSG:4087", 12


@click.group(cls=console.Group)
def corrections() -> None:
    """Start a file to draw corrections from the field in, and check what it says."""


@corrections.command("new")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE.gpkg")
@click.option(
    "--for",
    "first",
    metavar="ELEVATION...",
    help="The survey to correct: its CRS and its checksum go into the file. Without it: longitude and latitude.",
)
@click.argument("more", nargs=-1, metavar="")
@options.z_unit_option
@options.surface_option
@options.no_remote_option
def new(file: Path, first: str | None, more: tuple[str, ...], z_unit: str | None, surface: str | None) -> None:
    """Write an empty file with layers for areas, lines and points, whose forms in QGIS list what can be said.

    A file that exists is never overwritten.
    """
    if more and first is None:
        raise click.UsageError(f"'{more[0]}' stands alone: name elevation after --for.")
    from slopekit.outputs.corrections_template import check_new, write_template
    from slopekit.sources.elevation import open_elevation

    check_new(file)
    crs = survey = None
    if first is not None:
        # Looking is free: only a screening must be asked to accept coarse cells.
        with open_elevation([first, *more], z_unit=z_unit, surface=surface, prescreen=True) as elevation:
            crs, survey = elevation.survey.grid.crs, elevation.survey.checksum
    write_template(file, crs, survey)
    console.result(
        str(file), f"Draw in it with QGIS or on a tablet, then read it back: slopekit corrections check {file}"
    )


@corrections.command("check")
@click.argument("file", metavar="FILE")
@options.no_remote_option
def check(file: str) -> None:
    """List what was drawn, one line each, or say what is wrong with it.

    FILE is in any vector format and CRS. Of a file with several layers those named corrections... are read.
    """
    from slopekit.sources.corrections import read_corrections

    console.result(*(_line(one) for one in read_corrections(file, _WORLD, metres_per_unit=1.0)))


def _line(one: "Correction") -> str:
    """One correction in words."""
    parts = [one.what]
    if one.body:
        parts.append(f"body {one.body}")
    if one.height_m is not None:
        parts.append(f"{one.height_m:g} m high")
    if one.survey:
        kind, _, digits = one.survey.rpartition(":")
        parts.append(f"for the survey {kind}{':' if kind else ''}{digits[:_SHOWN_DIGITS]}")
    if one.who or one.when:
        parts.append(" ".join(["said", *(["by", one.who] if one.who else []), *(["on", one.when] if one.when else [])]))
    why = f": {' '.join(one.why.split())}" if one.why else ""
    return f"{one.number}  {', '.join(parts)}{why}  [{one.feature}]"
