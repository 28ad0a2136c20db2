"""What one process does at a time: some groups of neighbouring parcels, and their records as bytes of Parquet."""

import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from slopekit.errors import InputError
from slopekit.grid import Bounds
from slopekit.memory import lacking
from slopekit.outputs.dataset import encoded
from slopekit.portfolio.choice import Choice, by_survey
from slopekit.portfolio.limits import Limits, held_to, peak_mb
from slopekit.portfolio.version import code_version
from slopekit.screening.batch import Job, neighbours, screen_group
from slopekit.sources.elevation import Elevation, Patch
from slopekit.sources.parcels import Parcel
from slopekit.sources.remote import locked

PARCELS = 24
"""Parcels of one task at most, but for neighbours that share a window: its results become one part of the dataset."""
_FEWEST = 6
LAST_STAGE_S = 300.0
"""For the records of a task to be written down, which takes a second."""
TOGETHER = 96
"""Parcels that share a window at most."""


@dataclass(frozen=True)
class Group:
    """Neighbours that may share a window of one survey."""

    survey: str
    parcels: tuple[Parcel, ...]


Task = tuple[Group, ...]


@dataclass(frozen=True)
class Work:
    """What every process needs."""

    jobs: Mapping[str, Job]
    """By the id of the survey."""
    result_crs: str
    limits: Limits
    no_remote: bool
    """Whether sources that are not files of this machine are refused, also on machines of a cluster."""


@dataclass(frozen=True)
class Done:
    """What became of a task."""

    seen: dict[str, Bounds] = field(default_factory=dict)
    """The ground that was read for each parcel that has an answer, in its survey's CRS."""
    failures: dict[str, str] = field(default_factory=dict)
    files: dict[str, bytes] = field(default_factory=dict)
    """One Parquet file a layer that has rows."""
    rows: dict[str, int] = field(default_factory=dict)
    seconds: float = 0.0
    peak_mb: float = 0.0
    code: str = ""
    freed: dict[str, tuple[int, ...]] = field(default_factory=dict)
    """Numbers of the rejections that lift a hazard from ground of a parcel, where there are any."""


class _Watched(Elevation):
    """Elevation that remembers which ground was read."""

    def __init__(self, elevation: Elevation) -> None:
        super().__init__(elevation.survey, elevation.reader)
        self.seen: Bounds | None = None

    def read(self, bounds: Bounds, pad: int = 0) -> Patch:
        patch = super().read(bounds, pad)
        read = patch.grid.bounds
        if self.seen is not None:
            west, south, east, north = zip(self.seen, read, strict=True)
            read = (min(west), min(south), max(east), max(north))
        self.seen = read
        return patch


def tasks_of(choices: Iterable[Choice], jobs: Mapping[str, Job]) -> list[Task]:
    """Parcels in tasks, along a curve that keeps neighbours together.

    Tasks become smaller towards the end, so that no process waits long for the last one.
    """
    out: list[Task] = []
    surveys = by_survey(choices)
    left = sum(map(len, surveys.values()))
    for survey, among in sorted(surveys.items()):
        job = jobs[survey]
        task: list[Group] = []
        count = 0
        for group in _split(neighbours([c.parcel for c in among], job.fleet, job.elevation)):
            task.append(Group(survey, tuple(group)))
            count += len(group)
            left -= len(group)
            if count >= min(PARCELS, max(_FEWEST, left // 8)):
                out.append(tuple(task))
                task, count = [], 0
        if task:
            out.append(tuple(task))
    return out


def _split(groups: Iterable[Sequence[Parcel]]) -> Iterator[Sequence[Parcel]]:
    """Hundreds of small parcels may share a window; so many would be lost with one process."""
    for group in groups:
        yield from (group[k : k + TOGETHER] for k in range(0, len(group), TOGETHER))


def do(work: Work, task: Task, begin: Callable[[int | None], None]) -> Done:
    """Screen every parcel of a task. A parcel that fails is a sentence; the others go on.

    begin: called before each group, and before each parcel that is done alone, with the group's number in the task;
    with None when all are done and only their records are left to be written down.
    """
    since = time.perf_counter()
    records: list[tuple[str, str, dict[str, list[dict[str, Any]]]]] = []
    seen: dict[str, Bounds] = {}
    failures: dict[str, str] = {}
    freed: dict[str, tuple[int, ...]] = {}

    def screened(group: Group, parcels: Sequence[Parcel]) -> None:
        job = work.jobs[group.survey]
        elevation = _Watched(job.elevation)
        with locked(work.no_remote), held_to(work.limits):
            found = screen_group(replace(job, elevation=elevation), list(parcels))
        assert elevation.seen is not None
        for parcel in parcels:
            records.append((parcel.id, job.elevation.survey.grid.crs, found[parcel.id]))
            seen[parcel.id] = elevation.seen
            numbers = tuple(one["number"] for one in found[parcel.id]["spared"])
            if numbers:
                freed[parcel.id] = numbers

    for number, group in enumerate(task):
        if len(group.parcels) > 1:
            begin(number)
            try:
                screened(group, group.parcels)
                continue
            except Exception:  # whatever it was: one by one the parcel at fault shows
                pass
        for parcel in group.parcels:
            begin(number)
            try:
                screened(group, [parcel])
            except Exception as error:
                failures[parcel.id] = _sentence(parcel, error, work.limits, _hectares(parcel, work.jobs[group.survey]))
    begin(None)
    files = encoded(records, work.result_crs, _any(work.jobs).fleet.conditions, _any(work.jobs).landforms)
    return Done(
        seen,
        failures,
        {layer: content for layer, (_, content) in files.items()},
        {layer: rows for layer, (rows, _) in files.items()},
        time.perf_counter() - since,
        peak_mb(),
        code_version(),
        freed,
    )


def after_loss(task: Task, at: int | None, sentence: str) -> tuple[list[Task], dict[str, str]]:
    """What is to be done again after a process was lost, and the parcel that is given up with a sentence, if any.

    at: number of the group that was under way; None where nobody knows, and then every parcel gets a task of its own.
    A group is taken apart first; a parcel that was alone in its group is given up.
    """
    singles = {n: tuple(Group(g.survey, (p,)) for p in g.parcels) for n, g in enumerate(task)}
    if at is None:
        alone = [single for n in singles for single in singles[n]]
        if len(alone) == 1:
            return [], {alone[0].parcels[0].id: sentence}
        return [(single,) for single in alone], {}
    others = tuple(group for n, group in enumerate(task) if n != at)
    if len(task[at].parcels) == 1:
        return [others] if others else [], {task[at].parcels[0].id: sentence}
    # The culprit's group comes apart, so that no more than one parcel is lost with it again.
    return [*([others] if others else []), singles[at]], {}


def _any(jobs: Mapping[str, Job]) -> Job:
    return next(iter(jobs.values()))


def _hectares(parcel: Parcel, job: Job) -> float:
    return float(parcel.geometry.area) * job.elevation.survey.grid.metres_per_unit**2 / 10_000.0


def _sentence(parcel: Parcel, error: Exception, limits: Limits, hectares: float) -> str:
    if lacking(error):
        most = "this machine has" if limits.memory_mb is None else f"the {limits.memory_mb:,.0f} MB that one may take"
        return (
            f"Parcel '{parcel.id}' of {hectares:,.2f} ha needs more memory than {most}: check its shape, split it, or "
            "give a larger --memory-limit, with fewer --workers where the machine has no more."
        )
    if isinstance(error, InputError):
        return str(error)
    told = " ".join(f"{type(error).__name__}: {error}".split()).rstrip(": ")
    return f"Parcel '{parcel.id}' met a fault of slopekit, not of your input ({told}): please report it."
