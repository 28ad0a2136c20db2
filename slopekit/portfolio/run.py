"""A whole run: what must be done, done by processes or a cluster, kept part by part, merged by one writer."""

import contextlib
import time
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from slopekit.bid import price
from slopekit.errors import InputError, OutputError
from slopekit.labour.totals import supervision_cost
from slopekit.outputs.bid import write_bid
from slopekit.outputs.dataset import parts_of, without, write_part
from slopekit.outputs.manifest import take_away
from slopekit.portfolio.cluster import Cluster, on_cluster
from slopekit.portfolio.crew import crew
from slopekit.portfolio.index import changed_since
from slopekit.portfolio.journal import Journal, current, parts_to_clean
from slopekit.portfolio.keys import key_of
from slopekit.portfolio.merge import digest_of, merge
from slopekit.portfolio.one_state import MANIFEST, totals_of_state, write_manifest
from slopekit.portfolio.prepare import Prepared
from slopekit.portfolio.summary import totals_of, write_summary
from slopekit.portfolio.tasks import Done, Task, tasks_of
from slopekit.portfolio.version import code_version

PACKAGE, DATASET, JOURNAL, INDEX = "portfolio.gpkg", "dataset", "journal.jsonl", "index.json"
SUMMARY = ("summary.csv", "summary.xlsx", "summary.json")
BID = "bid.xlsx"


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


def run(
    prepared: Prepared,
    out: Path,
    *,
    workers: int,
    cluster: Cluster | None = None,
    go_on: bool = False,
    only_failed: bool = False,
    rank: str,
    progress: Callable[[int, int, int], None] | None = None,
) -> Outcome:
    """Screen what has no answer yet, and write the folder's results.

    out: the folder, which is there. go_on: keep what an earlier run has done and is still true. only_failed: of the
    rest do only what failed then. rank: column of the summary that ranks the parcels. progress: called with the
    parcels done, all, and failures so far. Raises InputError; what is done by then is kept.
    """
    since = time.monotonic()
    choices, dataset = prepared.choices.found, out / DATASET
    with Journal(out / JOURNAL, go_on=go_on) as journal:
        state = journal.state
        for left in (path for name in (PACKAGE, BID, *SUMMARY) for path in out.glob(f".{name}.*.partial*")):
            left.unlink(missing_ok=True)
        done = _current(prepared, journal)
        todo = [c for one, c in choices.items() if one not in done and (not only_failed or one in state.failures)]
        _clean(journal, done, dataset)
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
        totals = _finished(prepared, journal, done, out, rank)
        failures = {one: state.failures.get(one, "") for one in prepared.lots.geometries if one not in done}
        return Outcome(totals, len(done), fresh, failures | prepared.choices.faults, time.monotonic() - since, peak)


def _results(
    prepared: Prepared, tasks: Sequence[Task], workers: int, cluster: Cluster | None
) -> Generator[Done, None, None]:
    if cluster is None:
        yield from crew(prepared.work, tasks, workers)
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
    """Put a result on the disk: first its files, then the line that makes them count."""
    if result.code not in ("", code_version()):
        raise InputError(
            "A worker of the cluster runs another version of slopekit, so install the same one on all machines."
        )
    line: dict[str, Any] = {"failures": result.failures}
    if result.seen:
        part = f"{journal.state.last + 1:06d}"
        _written(dataset, part, result.files)
        found = prepared.choices.found
        parcels = {one: (key_of(found[one], seen, prepared.common), seen) for one, seen in result.seen.items()}
        line |= {"part": part, "parcels": parcels, "rows": result.rows}
    journal.add(**line, seconds=round(result.seconds, 3), peak_mb=round(result.peak_mb, 1))


def _written(dataset: Path, part: str, files: dict[str, bytes]) -> None:
    try:
        write_part(dataset, part, files)
    except OutputError as error:
        raise OutputError(f"{str(error).rstrip('.')}; what is done is kept for --resume.") from error


def _clean(journal: Journal, done: set[str], dataset: Path) -> None:
    """Take away what no line speaks of, and rows that are no longer true."""
    for part, paths in parts_of(dataset).items():
        if part not in journal.state.parts:
            for path in paths:
                path.unlink(missing_ok=True)
    for part, stay in parts_to_clean(journal.state, done).items():
        if stay:
            fresh = f"{journal.state.last + 1:06d}"
            kept = set(stay)
            files = without(dataset, part, kept.__contains__)
            _written(dataset, fresh, {layer: content for layer, (_, content) in files.items()})
            answered = {one: journal.state.answered[one] for one in stay}
            parcels = {one: (a.key, a.seen) for one, a in answered.items()}
            journal.add(part=fresh, parcels=parcels, rows={layer: rows for layer, (rows, _) in files.items()})
        journal.add(removed=[part])
        for path in parts_of(dataset).get(part, []):
            path.unlink(missing_ok=True)


def _look_again(prepared: Prepared) -> None:
    """Raise InputError if an input changed while parcels were screened. Keys tell which are to be done again."""
    try:
        prepared.order.look_again()
        changed = changed_since(prepared.index)
        if changed:
            raise InputError(f"{changed[0]}: this file changed while it was worked on.")
    except InputError as error:
        raise InputError(f"{str(error).rstrip('.')}; what is done is kept for --resume.") from error


def _finished(prepared: Prepared, journal: Journal, done: set[str], out: Path, rank: str) -> dict[str, float]:
    """The merged result and the summary, unless they are there and nothing has changed."""
    season = prepared.order.season
    state = digest_of(prepared, journal.state, done, repr((rank, season)))
    names = result_names(season is not None)
    totals = totals_of_state(out, names, state)
    if totals is not None:
        return totals
    _clean(journal, done, out / DATASET)
    try:
        # From here on the files may be of two states, and without a manifest nobody takes them for one.
        (out / MANIFEST).unlink(missing_ok=True)
        tables = merge(prepared, journal.state, done, out / DATASET, out / PACKAGE)
        take_away([out / name for name in (*SUMMARY, BID)], prepared.order.overwrite)
        totals = totals_of(tables)
        if season is not None:
            priced = price(tables, prepared.order.fleet, season, inputs=prepared.order.inputs)
            write_bid(out / BID, priced.tables, supervision_cost(season))
            tables["work"], tables["not_priced"] = priced.tables["work"], priced.tables["not_priced"]
        write_summary([out / name for name in SUMMARY], tables, rank)
        write_manifest(out, names, state, prepared, totals)
    except (OutputError, InputError) as error:
        raise type(error)(f"{str(error).rstrip('.')}; all parcels are kept for --resume.") from error
    return totals
