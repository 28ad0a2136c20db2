"""slopekit screen: elevation, parcels and a fleet file in, zones out."""

import os
import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from slopekit.cli import console, options
from slopekit.cli.guard import Guard
from slopekit.cli.job import (
    COMMAND,
    LAYER_KINDS,
    Job,
    check_inputs,
    check_pictures,
    file_of,
    map_of,
    open_job,
    result_files,
    run_job,
    say_cautions,
    sentences_of,
    words_of,
)
from slopekit.errors import InputError
from slopekit.fields import ALL_LAYERS, LAYERS

if TYPE_CHECKING:
    from slopekit.fleet.model import Fleet

_FILE = click.Path(path_type=Path)


@click.command(cls=console.Command, short_help="Divide parcels into zones by permitted machines.")
@options.elevation_argument
@click.option("--parcels", required=True, metavar="FILE", help="Polygons to screen, in any vector format and CRS.")
@options.fleet_option
@click.option("--out", type=_FILE, required=True, metavar="OUT.gpkg", help="The result: .gpkg, or .parquet.")
@click.option("--id-column", metavar="NAME", help="Column of the parcels' ids. Without it they are numbered from 1.")
@options.layer_options
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
@options.prescreen_option
@click.option("--workers", type=click.IntRange(min=1), metavar="N", help="Processes to use.")
@options.reading_options
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def screen(
    out: Path,
    report: Path | None,
    picture: Path | None,
    profiles: Path | None,
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
    _run(job, machines, out, report, picture, profiles, guard, quiet)


def job_from(given: Mapping[str, Any]) -> Job:
    """The job of the values of the options, by their names."""
    rest = {name: given[name] for name in given if name not in LAYER_KINDS}
    surveyed = rest.pop("survey_date")
    return Job(
        layers={name: given[name] for name in LAYER_KINDS if given[name] is not None},
        survey_date=None if surveyed is None else surveyed.date(),
        **rest,
    )


def _run(
    job: Job,
    machines: "Fleet",
    out: Path,
    report: Path | None,
    picture: Path | None,
    profiles: Path | None,
    guard: Guard,
    quiet: bool,
) -> None:
    from slopekit.inspection import survey_facts
    from slopekit.outputs.package import write_result
    from slopekit.outputs.report import print_table, write_report

    parcels = Path(file_of(job.parcels)).stem
    with open_job(job) as elevation:
        tables = run_job(job, elevation, machines, guard, quiet, {COMMAND: shlex.join(words_of(job))})
        write_result(out, tables, machines.conditions)
        if report is not None:
            write_report(report, tables, survey_facts(elevation.survey))
        if picture is not None:
            map_of(picture, tables, elevation, f"Zones by machine class: {parcels}")
    if profiles is not None:
        from slopekit.outputs.profile_plot import draw_profiles

        title = f"How a machine gets to hazards: {parcels}"
        draw_profiles(profiles, tables=tables, settings=machines.runout, title=title, cautions=sentences_of(tables))
    say_cautions(tables)
    written = [out, *(path for path in (report, picture, profiles, job.rasters) if path is not None)]
    console.result(*print_table(tables).split("\n"), *map(str, written))
