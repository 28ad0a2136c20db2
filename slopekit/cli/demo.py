"""slopekit demo: the whole job on an invented office park that ships with the package."""

from pathlib import Path

import click

from slopekit.cli import console, options
from slopekit.cli.job import say_cautions
from slopekit.errors import InputError

_FILES = ("zones.gpkg", "report.json", "map.png", "profiles.png", "sheets.pdf", "page.html")
_TITLE = "Demo: an office park that does not exist"
_PROFILES_TITLE = f"{_TITLE}. How a machine gets to hazards"
_BANK = 12.0, 30  # degrees and metres of an example's slope
_BENCHES_M = (10, 40)  # the first stops no machine, the second does
_INVENTED = "The site, the machines and their limits are invented. None of it is advice."


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
    """Screen an invented office park: a GeoPackage, a report, pictures, sheets to print, a page for a browser.

    The site, the machines and their limits are made up. None of it is advice.
    """
    console.hush(quiet)
    from slopekit.api.demo import demo_data, demo_job
    from slopekit.api.guard import Guard, make_folder
    from slopekit.api.inputs import check_inputs
    from slopekit.api.screening import screen_job
    from slopekit.outputs.page.document import check_leaflet
    from slopekit.outputs.profile_plot import Example
    from slopekit.outputs.report import print_table
    from slopekit.runout.bench import bench_ride

    job = demo_job(workers)
    machines, inputs = check_inputs(job)
    make_folder(out)
    package, report, picture, profiles, sheets, page = files = [out / name for name in _FILES]
    try:
        check_leaflet()
    except InputError as error:
        console.say(f"Note: {error} The demo goes on without it.")
        files.remove(page)
    guard = Guard(files, inputs, overwrite)
    with console.Watch("Screening", quiet) as watch:
        result = screen_job(job, machines, guard, watch)
    result.write(package, overwrite)
    result.report(report, overwrite)
    result.map(picture, _TITLE, overwrite, (_INVENTED,))
    run, friction = machines.runout, min(one.friction for one in machines.conditions.values())
    examples = [
        Example(f"Example, not of this site: a bench of {m} m", "drop", bench_ride(*_BANK, m, friction, run))
        for m in _BENCHES_M
    ]
    result.profiles(profiles, _PROFILES_TITLE, overwrite, (_INVENTED,), tuple(examples))
    result.sheets(sheets, season=demo_data() / "season.toml", overwrite=overwrite, more=(_INVENTED,))
    if page in files:
        result.page(page, title=_TITLE, overwrite=overwrite, more=(_INVENTED,))
    say_cautions(result.layers, _INVENTED)
    console.result(*print_table(result.layers).split("\n"), *map(str, files))
