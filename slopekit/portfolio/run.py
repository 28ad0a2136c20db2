"""A whole run: what must be done, done by processes or a cluster, kept part by part, merged by one writer."""

import contextlib
import time
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from slopekit.errors import InputError, OutputError
from slopekit.grid import Bounds
from slopekit.labour.bid import price
from slopekit.labour.totals import supervision_cost
from slopekit.outputs.atomic import scratch, target_of
from slopekit.outputs.bid import LONG_SHEETS, write_bid
from slopekit.outputs.dataset import without, write_part
from slopekit.outputs.manifest import take_away
from slopekit.outputs.page.write import district_names, is_district
from slopekit.outputs.summary_files import LONG_SHEET
from slopekit.outputs.workbook import csv_beside
from slopekit.portfolio.cluster import Cluster, on_cluster
from slopekit.portfolio.heal import heal
from slopekit.portfolio.hours import WholeBid
from slopekit.portfolio.index import changed_since
from slopekit.portfolio.journal import Journal, current, parts_to_clean
from slopekit.portfolio.keys import key_of
from slopekit.portfolio.merge import Merge, digest_of
from slopekit.portfolio.one_state import MANIFEST, told_of_state, write_manifest
from slopekit.portfolio.parts import check_merged, check_parts, free_part, marks_of, mend_records, remove, remove_part
from slopekit.portfolio.prepare import Prepared
from slopekit.portfolio.summary import Summary, failure_rows, summary_rows
from slopekit.portfolio.tasks import Done, Task, tasks_of
from slopekit.portfolio.version import MERGED, code_version
from slopekit.portfolio.worker_pool import run_tasks
from slopekit.screening.job_json import without_job
from slopekit.wording import UNITS

PACKAGE, DATASET, JOURNAL, INDEX = "portfolio.gpkg", "dataset", "journal.jsonl", "index.json"
SUMMARY = ("summary.csv", "summary.xlsx", "summary.json")
BID = "bid.xlsx"
SHEETS, PAGE = "sheets.pdf", "page.html"
BESIDE = (
    *(csv_beside(Path(BID), title).name for title in LONG_SHEETS),
    *(csv_beside(Path(name), LONG_SHEET).name for name in SUMMARY if name.endswith(".xlsx")),
)
"""CSV files that there are where a sheet of a workbook cannot hold its rows."""
RESULTS = (PACKAGE, *SUMMARY, BID, *BESIDE, MANIFEST, SHEETS, PAGE)
"""All that a run may leave to be read, but for the dataset."""


def result_names(hours: bool) -> tuple[str, ...]:
    """The files that a run ends with, beside its manifest. hours: whether they are worked out."""
    return (PACKAGE, *SUMMARY, *((BID,) if hours else ()))


@dataclass(frozen=True)
class Outcome:
    totals: dict[str, float]
    """Square metres by class and other sums, over all parcels that have an answer."""
    answered: int
    fresh: int
    """Parcels that were screened in this run."""
    failures: dict[str, str]
    seconds: float
    peak_mb: float
    """Of the largest worker process of this run."""
    files: tuple[Path, ...]
    """What the run leaves to be read, but for the dataset."""
    beside: tuple[Path, ...]
    """CSV files with the rows that a sheet of a workbook could not hold."""


def run(
    prepared: Prepared,
    journal: Journal,
    out: Path,
    *,
    workers: int,
    cluster: Cluster | None = None,
    only_failed: bool = False,
    rank: str,
    progress: Callable[[int, int, int], None] | None = None,
) -> Outcome:
    """Screen what has no answer yet, and write the folder's results.

    journal: of the folder `out`; what it knows is kept as far as it is still true. only_failed: of the rest do only
    what failed then, and what was lost. rank: column of the summary that ranks the parcels. progress: called with the
    parcels done, all, and failures so far. Raises InputError; what is done by then is kept.
    """
    since = time.monotonic()
    choices, dataset = prepared.choices.found, out / DATASET
    state = journal.state
    journal.begin()
    pages = [name for name in map(target_of, sorted(out.iterdir())) if name and is_district(out / PAGE, name)]
    lost = heal(journal, dataset, [out / name for name in (*RESULTS, INDEX, *dict.fromkeys(pages))])
    done = _current(prepared, journal) - lost
    again = lost | state.failures.keys()
    todo = [c for one, c in choices.items() if one not in done and (not only_failed or one in again)]
    _clean(journal, done, dataset)
    mend_records(dataset, state)
    tasks = tasks_of(todo, prepared.work.jobs)
    fresh, peak, failed = 0, 0.0, len(prepared.choices.faults)
    total = len(done) + len(todo) + failed
    if progress is not None:
        progress(len(done) + failed, total, failed)
    with contextlib.closing(_results(prepared, tasks, workers, cluster)) as results:
        for result in results:
            _keep(prepared, journal, dataset, result)
            done |= result.seen.keys()
            fresh += len(result.seen)
            failed += len(result.failures)
            peak = max(peak, result.peak_mb)
            if progress is not None:
                progress(len(done) + failed, total, failed)
    _look_again(prepared)
    totals, beside = _finished(prepared, journal, done, out, rank)
    failures = {one: state.failures.get(one, "") for one in prepared.lots.geometries if one not in done}
    failures |= prepared.choices.faults
    names = (result_names(prepared.order.season is not None), beside)
    files, more = (tuple(out / name for name in some) for some in names)
    return Outcome(totals, len(done), fresh, failures, time.monotonic() - since, peak, files, more)


def _results(
    prepared: Prepared, tasks: Sequence[Task], workers: int, cluster: Cluster | None
) -> Generator[Done, None, None]:
    if cluster is None:
        yield from run_tasks(prepared.work, tasks, workers)
    elif tasks:
        yield from on_cluster(cluster, prepared.work, tasks)


def _current(prepared: Prepared, journal: Journal) -> set[str]:
    found = prepared.choices.found
    keys = {
        one: key_of(found[one], answered.seen, prepared.common)
        for one, answered in journal.state.answered.items()
        if one in found
    }
    return current(journal.state, keys)


def _keep(prepared: Prepared, journal: Journal, dataset: Path, result: Done) -> None:
    if result.code not in ("", code_version()):
        raise InputError(
            "A worker of the cluster runs another version of slopekit, so install the same one on all machines."
        )
    told = {"failures": result.failures, "seconds": round(result.seconds, 3), "peak_mb": round(result.peak_mb, 1)}
    if not result.seen:
        journal.add(**told)
        return
    found = prepared.choices.found
    parcels = {one: (key_of(found[one], seen, prepared.common), seen) for one, seen in result.seen.items()}
    files = {layer: (result.rows[layer], content) for layer, content in result.files.items()}
    _put(journal, dataset, parcels, files, told | _freed(result.freed))


def _freed(freed: Mapping[str, tuple[int, ...]]) -> dict[str, Any]:
    """What a line says of them; most have nothing to say."""
    some = {one: list(numbers) for one, numbers in freed.items() if numbers}
    return {"freed": some} if some else {}


def _put(
    journal: Journal,
    dataset: Path,
    parcels: Mapping[str, tuple[str, Bounds]],
    files: Mapping[str, tuple[int, bytes]],
    told: Mapping[str, Any],
) -> None:
    """Put a part on the disk: first the line that knows its files, then these."""
    part = free_part(dataset, journal.state.last, files)
    journal.add(part=part, parcels=parcels, files=marks_of(files), **told)
    contents = {layer: content for layer, (_, content) in files.items()}
    try:
        write_part(dataset, part, journal.state.parts[part].record, contents)
    except OutputError as error:
        raise OutputError(f"{str(error).rstrip('.')}; what is done is kept for --resume.") from error


def _clean(journal: Journal, done: set[str], dataset: Path) -> None:
    """Take away rows that are no longer true."""
    state = journal.state
    for name, stay in parts_to_clean(state, done).items():
        part = state.parts[name]
        if stay:
            parcels = {one: (state.answered[one].key, state.answered[one].seen) for one in stay}
            files = without(dataset, name, part.files, set(stay).__contains__)
            _put(journal, dataset, parcels, files, _freed({one: state.answered[one].freed for one in stay}))
        # The line comes last: while a file is there, the journal knows it.
        remove_part(dataset, name, part)
        journal.add(removed=[name])


def _look_again(prepared: Prepared) -> None:
    """Raise InputError if an input changed while parcels were screened. Keys tell which are to be done again."""
    try:
        prepared.order.look_again()
        changed = changed_since(prepared.index)
        if changed:
            raise InputError(f"{changed[0]}: this file changed while it was worked on.")
    except InputError as error:
        raise InputError(f"{str(error).rstrip('.')}; what is done is kept for --resume.") from error


def _finished(
    prepared: Prepared, journal: Journal, done: set[str], out: Path, rank: str
) -> tuple[dict[str, float], tuple[str, ...]]:
    """The merged result and the summary, unless they are there and nothing has changed: totals, and which of `BESIDE`
    there are."""
    season, units, overwrite = prepared.order.season, prepared.order.units, prepared.order.overwrite
    state = digest_of(prepared, journal.state, done, repr((rank, season, units, code_version(MERGED))))
    names = result_names(season is not None)
    kept = told_of_state(out, names, BESIDE, state)
    if kept is not None:
        return kept
    check_parts(out / DATASET, journal.state)
    try:
        # From here on the files may be of two states, and without a manifest nobody takes them for one.
        remove(out / MANIFEST)
        with scratch(out / PACKAGE) as folder:
            merge = Merge(prepared, journal.state, done, out / DATASET, folder)
            merge.write(out / PACKAGE)
            check_merged(out / PACKAGE, out / DATASET, journal.state, done)
            older = [out / name for name in (*SUMMARY, BID, *BESIDE, SHEETS, PAGE)]
            take_away([*older, *district_names(out / PAGE)], overwrite)
            summary = Summary(folder / "summary.jsonl", rank)
            bid = None if season is None else WholeBid(folder, prepared.order.fleet, season)
            for tables in merge.batches():
                if bid is not None and season is not None:
                    priced = price(tables, prepared.order.fleet, season, inputs=prepared.order.inputs)
                    bid.add(priced)
                    tables |= {name: priced.tables[name] for name in ("work", "not_priced")}
                summary.add(summary_rows(tables))
            summary.add(failure_rows(merge.failures()))
            made: list[Path] = []
            if bid is not None and season is not None:
                made += write_bid(out / BID, bid.tables(), supervision_cost(season), overwrite, UNITS[units])
            targets = [out / name for name in SUMMARY]
            made += summary.write(targets, bid is not None, without_job(merge.run_notes), overwrite)
        totals = summary.totals()
        beside = tuple(path.name for path in made if path.name not in names)
        write_manifest(out, (*names, *beside), state, prepared, totals)
    except (OutputError, InputError) as error:
        raise type(error)(f"{str(error).rstrip('.')}; all parcels are kept for --resume.") from error
    return totals, beside
