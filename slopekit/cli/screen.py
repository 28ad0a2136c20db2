"""slopekit screen: elevation, parcels and a fleet file in, zones out."""

import os
from pathlib import Path
from typing import Any

import click

from slopekit.cli import console, options
from slopekit.cli.job import check_pictures, job_from, of_index, say_cautions
from slopekit.errors import InputError
from slopekit.schema.layers import ALL_LAYERS, LAYERS

_FILE = click.Path(path_type=Path)


@click.command(cls=console.Command, short_help="Divide parcels into zones by permitted machines.")
@options.elevation_or_points
@click.option("--parcels", required=True, metavar="FILE", help="Polygons to screen, in any vector format and CRS.")
@options.fleet_option
@click.option("--out", type=_FILE, required=True, metavar="OUT.gpkg", help="The result: .gpkg, or .parquet.")
@click.option("--id-column", metavar="NAME", help="Column of the parcels' ids. Without it they are numbered from 1.")
@options.layer_options()
@options.points_option
@options.survey_date_option
@click.option("--rasters", type=_FILE, metavar="FOLDER", help="Also write slope, aspect, hazard and speed as rasters.")
@click.option("--report", type=_FILE, metavar="FILE.json", help="Also write every table as JSON.")
@click.option(
    "--realisations",
    type=click.IntRange(min=1, max=1000),
    metavar="N",
    help="Also draw the survey's error N times and tell how often each zone is above a hazard. 50 is a good number.",
)
@click.option("--landforms", is_flag=True, help="Also list basins and berms, as slopekit landforms does.")
@click.option("--seed", type=click.IntRange(min=0), default=0, metavar="N", help="Start of the draws. [0]")
@click.option("--map", "picture", type=_FILE, metavar="FILE.png", help="Also draw the zones on a map, one A4 page.")
@click.option("--profiles", type=_FILE, metavar="FILE.png", help="Also draw the easiest paths to hazards, as profiles.")
@options.units_option
@options.prescreen_option
@click.option("--workers", type=click.IntRange(min=1), metavar="N", help="Processes to use.")
@options.reading_options
@options.index_options
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def screen(
    out: Path,
    report: Path | None,
    picture: Path | None,
    profiles: Path | None,
    units: str,
    overwrite: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Divide parcels into zones by the machines that no rule refuses there, with the reason for each refusal.

    ELEVATION is one or many rasters of bare ground: files, a VRT, a folder of tiles, a tile index, or a name that GDAL
    can open. A vector FILE with several layers is named as FILE|layername=NAME.

    The result opens styled in QGIS. A short table goes to standard output.
    """
    console.hush(quiet)
    from slopekit.api.guard import Guard
    from slopekit.api.inputs import check_inputs
    from slopekit.api.screening import screen_job
    from slopekit.api.tables import result_files
    from slopekit.outputs.report import print_table

    with console.Watch("Fetching", quiet) as watch:
        given = of_index(given, given["parcels"], watch, one_survey=True)
    job = job_from(given)
    files, older = result_files(out, ALL_LAYERS if job.landforms else LAYERS)
    pictures = check_pictures({"map": picture, "profiles": profiles})
    rasters = job.rasters
    if rasters is not None and os.path.exists(rasters) and not os.path.isdir(rasters):
        raise InputError(f"{rasters}: this is a file and --rasters takes a folder, so name a folder.")
    if rasters is not None and os.path.realpath(rasters) in {os.path.realpath(name) for name in job.elevation}:
        raise InputError(
            f"{rasters}: a next run would read the rasters of this one as elevation, so name another --rasters folder."
        )
    machines, inputs = check_inputs(job)
    guard = Guard([*files, *([] if report is None else [report]), *pictures], inputs, overwrite, older)
    with console.Watch("Screening", quiet) as watch:
        result = screen_job(job, machines, guard, watch)
    result.write(out, overwrite)
    if report is not None:
        result.report(report, overwrite)
    if picture is not None:
        result.map(picture, overwrite=overwrite, units=units)
    if profiles is not None:
        result.profiles(profiles, overwrite=overwrite, units=units)
    say_cautions(result.layers)
    written = [out, *(path for path in (report, picture, profiles, job.rasters) if path is not None)]
    console.result(*print_table(result.layers).split("\n"), *map(str, written))
