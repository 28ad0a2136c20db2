"""slopekit points: classified points in, bare ground and what a screening takes beside it out."""

from pathlib import Path

import click

from slopekit.cli import console, options


@click.command(cls=console.Command, short_help="Make ground, walls, water and low trees of a survey's points.")
@click.argument("files", nargs=-1, required=True, metavar="FILES...")
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="FOLDER", help="Folder for the results.")
@click.option("--area", metavar="FILE", help="Parcels or a district, as polygons. Without it: all of the points.")
@click.option(
    "--around",
    type=options.Metres(),
    default=200.0,
    metavar="METRES",
    help="Ground round the area that is looked at too. [200, enough for a look of 150]",
)
@click.option(
    "--classes",
    default="asprs",
    metavar="asprs|FILE",
    help="What the classes mean: as the standard has it, or as a TOML file says. [asprs]",
)
@click.option("--crs", metavar="CODE", help="CRS of files that do not say it, such as EPSG:25832.")
@click.option(
    "--cell",
    type=options.Metres(positive=True),
    default=1.0,
    metavar="METRES",
    help="Cell of the ground. [1]",
)
@click.option("--gap", type=options.Metres(), default=5.0, metavar="METRES", help="Gaps so wide are filled. [5]")
@click.option(
    "--roll-bar", type=options.Metres(positive=True), default=2.2, metavar="METRES", help="Height of a roll bar. [2.2]"
)
@options.z_unit_option
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def points(
    files: tuple[str, ...],
    out: Path,
    area: str | None,
    around: float,
    classes: str,
    crs: str | None,
    cell: float,
    gap: float,
    roll_bar: float,
    z_unit: str | None,
    overwrite: bool,
    quiet: bool,
) -> None:
    """Make bare ground, walls, water, low trees and buildings of the classified points of a survey.

    FILES are LAS, LAZ or COPC files, folders of them, or addresses of COPC files, of which only the parts that the area
    needs are fetched. The results open styled in QGIS, and slopekit screen takes them with --points FOLDER. That
    nothing was found proves nothing: what was not assessed stands in points_notes.csv.
    """
    console.hush(quiet)
    from slopekit.api.points import run_points
    from slopekit.outputs.points import point_paths
    from slopekit.points.settings import PointSettings

    settings = PointSettings(cell_m=cell, gap_m=gap, roll_bar_m=roll_bar)
    with console.Watch("Reading points", quiet) as watch:
        found = run_points(files, out, area, classes, crs, z_unit, around, settings, overwrite, watch)
    for head, topic in (("Warning", "ground"), ("Not assessed", "not assessed")):
        for note in found.notes:
            if note["topic"] == topic:
                console.say(f"{head}: {note['value']}")
    told = [f"{note['name']}: {note['value']}" for note in found.notes if note["topic"] == "points"]
    console.result(*told, "", *map(str, point_paths(out)))
