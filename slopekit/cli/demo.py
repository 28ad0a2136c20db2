"""slopekit demo: the whole job on an invented office park that ships with the package."""

import importlib.resources
from datetime import date
from pathlib import Path

import click

from slopekit.cli import console, options
from slopekit.cli.guard import Guard
from slopekit.cli.job import (
    LAYER_KINDS,
    Job,
    check_inputs,
    make_folder,
    map_of,
    open_job,
    run_job,
    say_cautions,
    sentences_of,
)
from slopekit.errors import InputError

_FILES = ("zones.gpkg", "report.json", "map.png", "profiles.png")
_TITLE = "Demo: an office park that does not exist"
_PROFILES_TITLE = f"{_TITLE}. How a machine gets to hazards"
_BANK = 12.0, 30  # degrees and metres of an example's slope
_BENCHES_M = (10, 40)  # the first stops no machine, the second does
_INVENTED = "The site, the machines and their limits are invented. None of it is advice."
_RMSE_M = 0.05  # invented
_SURVEYED = date(2025, 3, 1)  # invented, and fixed so that the demo always gives the same files


@click.command(cls=console.Command, short_help="Screen an invented site, with a map to look at.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("slopekit_demo"),
    metavar="FOLDER",
    help="Where the result goes. [./slopekit_demo]",
)
@click.option("--workers", type=click.IntRange(min=1), metavar="N", help="Processes to use.")
@options.overwrite_option
@options.quiet_option
def demo(out: Path, workers: int | None, overwrite: bool, quiet: bool) -> None:
    """Screen an invented office park: a GeoPackage, a report, a map and profiles to look at.

    The site, the machines and their limits are made up. None of it is advice.
    """
    console.hush(quiet)
    from slopekit.inspection import survey_facts
    from slopekit.outputs.package import write_result
    from slopekit.outputs.profile_plot import Example, draw_profiles
    from slopekit.outputs.report import print_table, write_report
    from slopekit.runout.bench import bench_ride

    job = demo_job(workers)
    machines, inputs = check_inputs(job)
    make_folder(out)
    package, report, picture, profiles = files = [out / name for name in _FILES]
    guard = Guard(files, inputs, overwrite)
    with open_job(job) as elevation:
        tables = run_job(job, elevation, machines, guard, quiet)
        write_result(package, tables, machines.conditions)
        write_report(report, tables, survey_facts(elevation.survey))
        map_of(picture, tables, elevation, _TITLE, _INVENTED)
    said = sentences_of(tables, _INVENTED)
    run, friction = machines.runout, min(one.friction for one in machines.conditions.values())
    examples = [
        Example(f"Example, not of this site: a bench of {m} m", "drop", bench_ride(*_BANK, m, friction, run))
        for m in _BENCHES_M
    ]
    draw_profiles(profiles, tables=tables, settings=run, title=_PROFILES_TITLE, cautions=said, examples=examples)
    say_cautions(tables, _INVENTED)
    console.result(*print_table(tables).split("\n"), *map(str, files))


def demo_job(workers: int | None = None) -> Job:
    """The demo site with all its layers. Raises InputError when its files did not come with the installation."""
    data = demo_folder()
    return Job(
        elevation=[str(data / "office_park.tif")],
        parcels=str(data / "parcels.gpkg"),
        fleet=data / "fleet.toml",
        layers={name: str(data / f"{name}.gpkg") for name in LAYER_KINDS if (data / f"{name}.gpkg").is_file()},
        id_column="parcel_id",
        survey_date=_SURVEYED,
        z_rmse=_RMSE_M,
        surface="ground",
        workers=workers,
    )


def demo_folder() -> Path:
    """Where the demo's files lie: inside an installed package, beside the package in a checkout."""
    package = Path(str(importlib.resources.files("slopekit")))
    for folder in (package / "data_demo", package.parent / "data_demo"):
        if (folder / "office_park.tif").is_file():
            return folder
    raise InputError(f"{package}: the demo data did not come with this installation, so install slopekit anew.")
