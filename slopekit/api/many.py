"""Thousands of parcels on thousands of tiles, in a run that can be broken off and go on."""

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

from slopekit.api.given import Features, Fleets, Known, Name, Seasons, features, id_of, is_name, job_from, whole
from slopekit.api.given import season as season_given
from slopekit.api.guard import Guard, make_folder
from slopekit.api.handouts import NOTHING, Handouts
from slopekit.api.inputs import check_inputs, files_beside_elevation, fingerprints, inputs_of, read_layers
from slopekit.api.spoken import speaks_python
from slopekit.errors import InputError
from slopekit.labour.ready import check_figures
from slopekit.outputs.page.write import district_names
from slopekit.portfolio.folder import check_folder
from slopekit.portfolio.journal import Journal
from slopekit.portfolio.limits import Limits, share_mb, workers_here
from slopekit.portfolio.one_state import MANIFEST
from slopekit.portfolio.prepare import Order, Prepared, prepare
from slopekit.portfolio.run import BESIDE, BID, INDEX, JOURNAL, PACKAGE, PAGE, SHEETS, Outcome, result_names
from slopekit.portfolio.run import run as run_portfolio
from slopekit.portfolio.summary import check_rank
from slopekit.screening.job import Job
from slopekit.screening.job_json import from_here, job_to_json
from slopekit.screening.realisations import Draws
from slopekit.sources.elevation import Reading

if TYPE_CHECKING:
    from slopekit.portfolio.cluster import Cluster


@speaks_python
def portfolio(
    elevation: Name | Sequence[Name] | None,
    parcels: Features,
    fleet: Fleets,
    out: Name,
    *,
    season: Seasons | None = None,
    id_column: str | None = None,
    landforms: bool = False,
    realisations: int | None = None,
    seed: int = 0,
    workers: int | None = None,
    time_limit_s: float = 300.0,
    memory_limit_mb: float | None = None,
    rank: str = "hand_crew_m2",
    sheets: bool = False,
    page: bool = False,
    paper: str = "a4",
    units: str = "metric",
    resume: bool = False,
    only_failed: bool = False,
    overwrite: bool = False,
    cluster: "Cluster | None" = None,
    progress: Callable[[int, int, int], None] | None = None,
    **known: Unpack[Known],
) -> Outcome:
    """Screen every parcel of a portfolio, each from the finest survey that covers it and its look, then the newest.

    elevation: files, folders of tiles or tile indexes, in one or several CRSs and cell sizes. parcels, fleet, known and
    what has the name of an argument of `screen`: as there. A correction that
    speaks of a body holds for the survey that it names. out: the folder of the results and the
    journal (docs/scale.md). season: also work out hours, as in `hours`. time_limit_s, memory_limit_mb: a parcel that
    takes more is given up. rank: column that ranks the summary. sheets, page: also print crew sheets and write a page
    for a browser, each with hours where there is a season (`sheets.pdf`, `page.html`). paper, units: as in `sheets`, of
    these and of the workbook of hours. resume, only_failed: go on with an earlier run.
    overwrite: replace what slopekit did not write. cluster: see `slopekit.portfolio.cluster.cluster_of`. progress:
    called with the parcels done, all, and failures. A parcel that fails is told in `Outcome.failures`. Raises
    InputError where nothing can be answered at all; what is done by then is kept.

    >>> import tempfile, slopekit as sk
    >>> data = sk.demo_data()
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     outcome = sk.portfolio(
    ...         data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", folder, workers=1
    ...     )
    >>> outcome.answered, outcome.failures
    (4, {})
    """
    several = [elevation] if isinstance(elevation, str | os.PathLike) else list(elevation or ())
    strange = [one for one in several if not is_name(one)]
    if strange:
        raise InputError(f"elevation: a {type(strange[0]).__name__} is no path, and a portfolio is read from files.")
    for name, value, most in (("realisations", realisations, 1000), ("workers", workers, None)):
        whole(name, value, 1, most)
    whole("seed", seed, 0)
    job = job_from(
        Job,
        several,
        fleet,
        known,
        parcels=features("parcels", parcels),
        id_column=id_of(parcels, id_column),
        landforms=landforms,
        realisations=realisations,
        seed=seed,
        workers=workers or workers_here(),
    )
    folder, go_on = Path(out), resume or only_failed
    beside = Handouts(sheets, page, paper, units)
    check_rank(rank, season is not None)
    memory = share_mb(job.workers or 1) if memory_limit_mb is None and cluster is None else memory_limit_mb
    order = order_of(
        job,
        season,
        Limits(time_limit_s, memory),
        folder,
        lambda names: check_folder(folder, names, go_on=go_on),
        overwrite,
        beside,
    )
    # Before the headers, which may take minutes: a journal that is in use or damaged is told at once.
    with Journal(folder / JOURNAL, go_on=go_on) as journal:
        prepared = prepare(order, folder / INDEX, job.workers or 1)
        outcome = run_portfolio(
            prepared,
            journal,
            folder,
            workers=job.workers or 1,
            cluster=cluster,
            only_failed=only_failed,
            rank=rank,
            progress=progress,
        )
        made = beside.make(folder, job.fleet, season, overwrite)
    return replace(outcome, files=(*outcome.files, *made))


def order_of(
    job: Job,
    season: Seasons | None,
    limits: Limits,
    out: Path | None,
    check: Callable[[list[str]], None],
    overwrite: bool = False,
    beside: Handouts = NOTHING,
) -> Order:
    """What is asked of a run, checked; then the folder `out` is made, or nothing is written without one.

    check: called with the names of all that is read, before anything is written. beside: what will be made of the
    answer.
    """
    fleet, inputs = check_inputs(job)
    files = [str(season)] if is_name(season) else []
    watched = [*files_beside_elevation(job), *files]
    check([*inputs, *watched])
    plan = None
    if season is not None:
        plan = season_given(season, fleet)
        check_figures(fleet, plan)
    hours = season is not None
    targets: list[Path] = []
    older: list[Path] = []
    if out is not None:
        make_folder(out)
        targets = [out / name for name in (MANIFEST, *result_names(hours), *beside.names)]
        left = (BID, SHEETS, PAGE)
        older = [out / name for name in (*BESIDE, *left) if out / name not in targets]
        older += district_names(out / PAGE)
    guard = Guard(targets, watched, overwrite, older, others=inputs)
    named: dict[str, Any] = {} if season is None else {"season": Path(season) if is_name(season) else season}
    return Order(
        elevation=job.elevation,
        parcels=job.parcels,
        fleet=fleet,
        read_layers=lambda survey: read_layers(job, survey),
        limits=limits,
        how=Reading(job.z_unit, job.z_rmse, job.cell, job.survey_date, job.surface, job.prescreen),
        id_column=job.id_column,
        landforms=job.landforms,
        season=plan,
        units=beside.units,
        season_file="" if plan is None else fingerprints(named)["season"],
        overwrite=overwrite,
        look_again=guard.again,
        draws=None if job.realisations is None else Draws(job.realisations, job.seed),
        inputs=inputs_of(job),
        job=_told(job, out),
    )


def _told(job: Job, out: Path | None) -> str:
    text = job_to_json(job, "portfolio")
    return text if out is None else from_here(text, out / PACKAGE)


__all__ = ["Outcome", "Prepared", "order_of", "portfolio"]
