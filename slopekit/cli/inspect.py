"""slopekit inspect: what an elevation survey can tell. It writes nothing to disk."""

import json
import math
import re
import textwrap
from typing import TYPE_CHECKING

import click

from slopekit.cli import console, options
from slopekit.units import METRES_PER_UNIT

if TYPE_CHECKING:
    from slopekit.screening.inspection import Inspection
    from slopekit.sources.elevation import Survey

_HEAD = 17
_WIDTH = 100
_FROM = {
    "option": "as --z-unit says",
    "crs": "as the CRS says",
    "band": "as the band's unit tag says",
    "assumed": "assumed, since nothing says it and the grid is in metres",
}


@click.command(cls=console.Command, short_help="Say what a survey can show, and what not.")
@options.elevation_argument
@options.reading_options
@click.option("--crs", metavar="CODE", help="Of points: CRS of files that do not say it, such as EPSG:25832.")
@click.option("--classes", default="asprs", metavar="asprs|FILE", help="Of points: what the classes mean. [asprs]")
@click.option("--json", "as_json", is_flag=True, help="JSON instead of text.")
@options.no_remote_option
@options.quiet_option
def inspect(
    elevation: tuple[str, ...],
    z_unit: str | None,
    z_rmse: float | None,
    cell: float | None,
    surface: str | None,
    crs: str | None,
    classes: str,
    quiet: bool,
    as_json: bool,
) -> None:
    """Say what is known of an elevation survey, how its units were decided, and what it cannot show.

    ELEVATION is named as in `slopekit screen`, or is .las and .laz files of points. Every cell and every point is read.
    Nothing is written to disk.
    """
    console.hush(quiet)
    from slopekit.sources.point_names import is_points

    if all(is_points(name) for name in elevation):
        _of_points(elevation, crs, classes, z_unit, as_json, quiet)
        return
    from slopekit.screening.inspection import inspect_elevation, inspection_facts
    from slopekit.sources.elevation import open_elevation

    # Looking is free: only a screening must be asked to accept coarse cells.
    opened = open_elevation(elevation, z_unit=z_unit, z_rmse_m=z_rmse, cell_m=cell, surface=surface, prescreen=True)
    with opened, console.Watch("Reading", quiet) as watch:
        found = inspect_elevation(opened, progress=watch)
    if as_json:
        console.result(*json.dumps(inspection_facts(found), indent=2, ensure_ascii=False, allow_nan=False).split("\n"))
    else:
        console.result(*_lines(found))


def _of_points(
    names: tuple[str, ...], crs: str | None, classes: str, z_unit: str | None, as_json: bool, quiet: bool
) -> None:
    from slopekit.points.classes import classes_of
    from slopekit.points.inspection import inspect_points, point_facts, point_lines
    from slopekit.sources.point_files import open_points

    survey = open_points(names, crs, z_unit)
    with console.Watch("Reading", quiet) as watch:
        found = inspect_points(survey, classes_of(classes), watch)
    if as_json:
        console.result(*json.dumps(point_facts(found), indent=2, ensure_ascii=False, allow_nan=False).split("\n"))
    else:
        console.result(*_wrapped([*point_lines(found), ("CRS", _crs(survey.crs))]))


def _lines(found: "Inspection") -> list[str]:
    survey, grid = found.survey, found.survey.grid
    rows = [
        ("Elevation", ", ".join(survey.names)),
        ("Checksum", survey.checksum),
        ("CRS", _crs(grid.crs) + (", to which the heights are warped" if survey.warped else "")),
        ("Grid", f"{grid.height} rows x {grid.width} columns"),
        ("Extent", "west {:.10g}, south {:.10g}, east {:.10g}, north {:.10g}".format(*grid.bounds)),
        ("Cell size", _cells(survey)),
        ("Horizontal unit", f"{_unit(grid.metres_per_unit)}, as the CRS says"),
        ("Vertical unit", f"{survey.z_unit}, {_FROM[survey.z_unit_from]}"),
        ("Vertical error", _error(survey)),
        ("Surface", "bare ground" if survey.surface == "ground" else "surface model: trees and roofs count as ground"),
        ("Without heights", _share(found)),
        ("Elevation range", _range(found)),
        ("Vertical step", "none over 0.01 m seen" if survey.z_step_m is None else f"{survey.z_step_m:.4g} m"),
        ("Flat cells", _flat(found)),
        *(("Detection limit", sentence) for sentence in found.limit.sentences()),
        *(("Note", note) for note in survey.notes),
    ]
    return _wrapped(rows)


def _wrapped(rows: list[tuple[str, str]]) -> list[str]:
    """Heads, each once, and texts beside them."""
    out: list[str] = []
    last = ""
    for head, text in rows:
        shown = "" if head == last else head
        last = head
        out += textwrap.wrap(
            text,
            _WIDTH,
            initial_indent=f"{shown:<{_HEAD}}",
            subsequent_indent=" " * _HEAD,
            break_long_words=False,
            break_on_hyphens=False,
        )
    return out


def _crs(wkt: str) -> str:
    """Name and code of a CRS, from its WKT."""
    name = re.match(r'\w+\["([^"]+)"', wkt)
    code = re.search(r'(?:ID|AUTHORITY)\["(\w+)",\s*"?(\w+)"?\]\]\s*$', wkt)
    return (name[1] if name else "unnamed") + (f" ({code[1]}:{code[2]})" if code else "")


def _unit(metres: float) -> str:
    for name, length in METRES_PER_UNIT.items():
        if math.isclose(metres, length, rel_tol=1e-9):
            return name
    return f"{metres:.9g} m"


def _cells(survey: "Survey") -> str:
    grid, block = survey.grid, survey.block
    native = f"{grid.dx:.4g} x {grid.dy:.4g} m"
    if block == 1:
        return f"{native}, which is also the working cell"
    return f"{native}; {block} x {block} cells are averaged to a working cell of {grid.dx * block:.4g} m"


def _error(survey: "Survey") -> str:
    if survey.rmse_m is None:
        return "not known: ground near a limit will not be assessed (--z-rmse)"
    return f"{survey.rmse_m:.4g} m RMSE"


def _share(found: "Inspection") -> str:
    if not found.missing:
        return "no cell"
    share = 100.0 * found.missing / found.cells
    return f"{'under 0.01' if share < 0.01 else format(share, '.2f')} % ({found.missing} of {found.cells} cells)"


def _range(found: "Inspection") -> str:
    if found.lowest_m is None or found.highest_m is None:
        return "no cell has a height: check the files and their nodata value"
    return f"{found.lowest_m:.2f} to {found.highest_m:.2f} m"


def _flat(found: "Inspection") -> str:
    proves = "Absence of flat cells proves nothing: surveys often leave small ponds unflattened."
    flat = found.flat
    if flat is None:
        return "not assessed: the heights sit on a vertical step, so level cells do not mean water. Give the water."
    if not flat.bodies:
        return f"no body of equal cells over {flat.least_m2:g} m2. {proves}"
    bodies = "1 body" if flat.bodies == 1 else f"{flat.bodies} bodies"
    return (
        f"{bodies} of equal cells over {flat.least_m2:g} m2, {flat.area_m2:.0f} m2 in all, the largest "
        f"{flat.largest_m2:.0f} m2: taken for water. {proves}"
    )
