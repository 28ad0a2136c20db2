"""slopekit portfolio: thousands of parcels on thousands of tiles, in a run that can be broken off and go on."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from slopekit.cli import console, options
from slopekit.cli.job import job_from, of_index
from slopekit.cli.portfolio_words import Progress, say_outcome, say_prepared, short_answers
from slopekit.errors import InputError

if TYPE_CHECKING:
    from slopekit.portfolio.limits import Limits
    from slopekit.screening.job import Job

_FILE = click.Path(path_type=Path)
NOT_ALL = 3
"""Exit code where a parcel failed, or was answered in part or with a cut look."""


class _Folder(click.Path):
    """A folder by its name; an empty one would be the folder that one happens to be in."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not str(value).strip():
            raise InputError("--out is empty, so name a folder.")
        return super().convert(value, param, ctx)


_FOLDER = _Folder(path_type=Path)


class _Portfolio(console.Group):
    """What is no command of the group is the elevation of a run."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if args and args[0] not in {*self.commands, *ctx.help_option_names}:
            args = ["run", *args]
        return super().parse_args(ctx, args)


@click.group(cls=_Portfolio, short_help="Screen thousands of parcels; go on after a break.")
def portfolio() -> None:
    """Screen thousands of parcels on thousands of tiles.

    `slopekit portfolio ELEVATION... --parcels FILE --fleet FILE --out FOLDER` is short for `slopekit portfolio run`.
    `slopekit portfolio plan` tells what a run will read and take.
    """


def _order_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """What run and plan share: the inputs and what is asked of them."""
    shared = (
        options.elevation_or_points,
        click.option("--parcels", required=True, metavar="FILE", help="Polygons to screen, any vector format and CRS."),
        options.fleet_option,
        click.option("--id-column", metavar="NAME", help="Column of the parcels' ids. Without it: numbers from 1."),
        options.layer_options(),
        options.points_option,
        options.survey_date_option,
        click.option("--landforms", is_flag=True, help="Also list basins and berms."),
        click.option(
            "--season", type=_FILE, metavar="FILE",
            help="Also work out hours and money: see slopekit season new. Without it: none.",
        ),
        click.option(
            "--realisations", type=click.IntRange(min=1, max=1000), metavar="N",
            help="Also draw the survey's error N times and tell how often each zone is above a hazard.",
        ),
        click.option("--seed", type=click.IntRange(min=0), default=0, metavar="N", help="Start of the draws. [0]"),
        options.prescreen_option,
        click.option(
            "--workers", type=click.IntRange(min=1), metavar="N",
            help="Processes to use. [one a core, fewer where memory is short]",
        ),
        click.option(
            "--time-limit", type=click.FloatRange(min=0, min_open=True), default=300.0, metavar="SECONDS",
            help="A parcel that takes longer is given up. [300]",
        ),
        click.option(
            "--memory-limit", type=click.FloatRange(min=50), metavar="MB",
            help="A parcel that takes more is given up (Linux). [the machine's free memory, shared among the workers]",
        ),
        options.reading_options,
        options.index_options,
        options.no_remote_option,
        options.quiet_option,
    )  # fmt: skip
    for option in reversed(shared):
        command = option(command)
    return command


@portfolio.command(short_help="Screen every parcel (the default).")
@_order_options
@click.option("--out", type=_FOLDER, required=True, metavar="FOLDER", help="Folder for the results and the journal.")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Use the Dask cluster of this scheduler, as tls://host:8786 with --tls-ca, --tls-cert and --tls-key. "
    "Whoever reaches its port can run code there: see docs/scale.md.",
)
@click.option(
    "--scheduler-file",
    metavar="FILE",
    help="Use the Dask cluster whose scheduler wrote this file. Keep the file where only you can write, and bind the "
    "scheduler to an address or use --tls-ca, --tls-cert and --tls-key: whoever reaches its port can run code there.",
)
@click.option("--tls-ca", metavar="FILE", help="For a scheduler at tls://...: who vouches for it (PEM).")
@click.option("--tls-cert", metavar="FILE", help="For a scheduler at tls://...: the certificate of this side (PEM).")
@click.option("--tls-key", metavar="FILE", help="For a scheduler at tls://...: the key of this side (PEM).")
@click.option("--resume", is_flag=True, help="Go on with an earlier run: do only what changed or failed.")
@click.option("--only-failed", is_flag=True, help="Go on with an earlier run: do only what failed.")
@click.option("--rank", default="hand_crew_m2", metavar="COLUMN", help="Column that ranks the summary. [hand_crew_m2]")
@click.option("--sheets", is_flag=True, help="Also print crew sheets: sheets.pdf. With --season they tell hours.")
@click.option("--page", is_flag=True, help="Also write a page for a browser: page.html. With --season it tells hours.")
@options.paper_option
@options.units_option
@options.overwrite_option
def run(
    out: Path,
    scheduler: str | None,
    scheduler_file: str | None,
    tls_ca: str | None,
    tls_cert: str | None,
    tls_key: str | None,
    resume: bool,
    only_failed: bool,
    rank: str,
    sheets: bool,
    page: bool,
    paper: str,
    units: str,
    overwrite: bool,
    workers: int | None,
    quiet: bool,
    **given: Any,
) -> int:
    """Screen every parcel of a portfolio, each from the finest survey that covers it and its look, then the newest.

    ELEVATION is one or many rasters, folders of tiles or tile indexes, in one or several CRSs and cell sizes. FOLDER
    receives portfolio.gpkg (styled in QGIS), dataset/ (GeoParquet), summary.csv, .xlsx and .json, and the journal.
    A parcel that fails is a row in the layer `failures`. The exit code is 3 when one fails, and when the tiles cover
    only a part of one or of its look (column `covers`).
    """
    console.hush(quiet)
    from slopekit.api.handouts import Handouts
    from slopekit.api.many import order_of
    from slopekit.portfolio.cluster import cluster_of
    from slopekit.portfolio.folder import check_folder
    from slopekit.portfolio.journal import Journal
    from slopekit.portfolio.limits import workers_here
    from slopekit.portfolio.prepare import prepare
    from slopekit.portfolio.run import INDEX, JOURNAL
    from slopekit.portfolio.run import run as run_portfolio
    from slopekit.portfolio.summary import check_rank

    cluster = cluster_of(scheduler, scheduler_file, (tls_ca, tls_cert, tls_key))
    count = workers or workers_here()
    check_rank(rank, given["season"] is not None)
    beside = Handouts(sheets, page, paper, units)
    go_on = resume or only_failed
    job, season, limits = _asked({**given, "quiet": quiet}, None if cluster is not None else count)
    order = order_of(job, season, limits, out, lambda names: check_folder(out, names, go_on=go_on), overwrite, beside)
    # Before the headers, which may take minutes: a journal that is in use or damaged is told at once.
    with Journal(out / JOURNAL, go_on=go_on) as journal:
        with console.Watch("Reading headers", quiet) as watch:
            prepared = prepare(order, out / INDEX, count, watch)
        say_prepared(prepared)
        try:
            with console.Watch("Screening", quiet) as watch:
                outcome = run_portfolio(
                    prepared,
                    journal,
                    out,
                    workers=count,
                    cluster=cluster,
                    only_failed=only_failed,
                    rank=rank,
                    progress=Progress(watch, quiet),
                )
        except KeyboardInterrupt:
            console.say("Interrupted. What is done is kept: go on with --resume.")
            raise
        # Told first: what is made of the answer may fail, and the answer stays.
        short = short_answers(outcome, prepared)
        say_outcome(outcome, prepared, short)
        made = beside.make(out, job.fleet, season, overwrite)
        if made:
            console.result(*map(str, made))
    return NOT_ALL if outcome.failures or short else 0


@portfolio.command(short_help="Tell what a run will read and take.")
@_order_options
@click.option("--out", type=_FOLDER, metavar="FOLDER", help="Folder of the run to come, which keeps the tile index.")
def plan(out: Path | None, workers: int | None, quiet: bool, **given: Any) -> None:
    """Tell what a run will read, and how long it will take with how much memory, from a few of its parcels."""
    console.hush(quiet)
    from slopekit.api.guard import make_folder
    from slopekit.api.many import order_of
    from slopekit.portfolio.folder import check_folder
    from slopekit.portfolio.limits import workers_here
    from slopekit.portfolio.plan import plan as plan_portfolio
    from slopekit.portfolio.prepare import prepare
    from slopekit.portfolio.run import INDEX

    count = workers or workers_here()

    def check(names: list[str]) -> None:
        if out is not None:
            check_folder(out, names, go_on=True)

    order = order_of(*_asked({**given, "quiet": quiet}, count), None, check)
    if out is not None:
        make_folder(out)
    with console.Watch("Reading headers", quiet) as watch:
        prepared = prepare(order, None if out is None else out / INDEX, count, watch)
    found = plan_portfolio(prepared, count)
    lines = [
        f"Parcels              {found.parcels:>12,}",
        f"  without a survey   {found.without_survey:>12,}",
        f"  look cut           {found.look_cut:>12,}",
        f"  covered in part    {found.in_part:>12,}",
        f"Tiles                {found.tiles:>12,}",
        f"  not usable         {found.unusable:>12,}",
        f"Windows              {found.groups:>12,}",
        f"Tasks                {found.tasks:>12,}",
        f"Cells to trace       {found.cells:>12,.0f}",
        f"Heights to read      {found.read_mb:>12,.0f} MB unpacked",
        f"Expected time        {found.seconds:>12,.0f} s with {count} process{'' if count == 1 else 'es'}",
        f"Expected memory      {found.memory_mb:>12,.0f} MB a process",
        f"(measured on {found.measured} of the parcels)",
        "",
        "Surveys, from the finest and newest on:",
    ]
    for one in found.surveys:
        lines.append(f"  {one.cell_m:.3g} m, {one.date}, {one.name}: {one.parcels:,} parcels, {one.tiles:,} tiles read")
    console.result(*lines)


def _asked(given: dict[str, Any], workers: int | None) -> "tuple[Job, Path | None, Limits]":
    """The job, the season file and the limits of a parcel. workers: of this machine; None where others do the work."""
    from slopekit.portfolio.limits import Limits, share_mb

    with console.Watch("Fetching", given["quiet"]) as watch:
        options = of_index(given, given["parcels"], watch)
    del options["quiet"]
    season, time, memory = (options.pop(name) for name in ("season", "time_limit", "memory_limit"))
    if memory is None and workers is not None:
        memory = share_mb(workers)
    return job_from(options), season, Limits(time, memory)
