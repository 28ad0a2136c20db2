"""What a run will read and take, before it starts: measured on a few parcels of its own."""

import math
import time
from dataclasses import dataclass

import numpy as np
from shapely import total_bounds

from slopekit.grid import Bounds, grown
from slopekit.portfolio.choice import CUT, PART, tiles_within
from slopekit.portfolio.limits import peak_mb
from slopekit.portfolio.prepare import Prepared
from slopekit.portfolio.tasks import Group, do, tasks_of
from slopekit.screening.batch import reach_of

_SAMPLES = 5
_BYTES_A_CELL = 250.0
"""That the ground of a window takes while it is traced."""


@dataclass(frozen=True)
class SurveyPlan:
    name: str
    cell_m: float
    date: str
    parcels: int
    tiles: int
    """That windows meet."""


@dataclass(frozen=True)
class Plan:
    parcels: int
    without_survey: int
    look_cut: int
    in_part: int
    surveys: tuple[SurveyPlan, ...]
    tiles: int
    unusable: int
    """Tiles or surveys that cannot be used."""
    groups: int
    tasks: int
    cells: float
    """Working cells of all windows, the ground round the parcels included."""
    read_mb: float
    """Heights of these windows as they are read, unpacked."""
    measured: int
    """Parcels that were screened to measure the time."""
    seconds: float
    """Expected with the given workers."""
    memory_mb: float
    """Expected of each worker."""


def plan(prepared: Prepared, workers: int) -> Plan:
    """The cost of a whole run. A few groups of parcels, spread over the run, are screened to measure it."""
    choices = prepared.choices.found
    tasks = tasks_of(choices.values(), prepared.work.jobs)
    groups = [group for task in tasks for group in task]
    cells = [_cells(prepared, group) for group in groups]
    chosen = sorted({(2 * k + 1) * len(groups) // (2 * _SAMPLES) for k in range(_SAMPLES)}) if groups else []
    spent = 0.0
    if chosen:
        # The first one loads compiled code, which a run pays once a worker.
        do(prepared.work, (groups[chosen[0]],), _no_one)
        since = time.perf_counter()
        for number in chosen:
            do(prepared.work, (groups[number],), _no_one)
        spent = time.perf_counter() - since
    rate = spent / math.fsum(cells[number] for number in chosen) if chosen else 0.0
    covers = [c.covers for c in choices.values()]
    return Plan(
        parcels=len(prepared.lots.geometries),
        without_survey=len(prepared.choices.faults),
        look_cut=covers.count(CUT),
        in_part=covers.count(PART),
        surveys=_surveys(prepared, groups),
        tiles=len(prepared.index.entries),
        unusable=len(prepared.tile_faults),
        groups=len(groups),
        tasks=len(tasks),
        cells=math.fsum(cells),
        read_mb=math.fsum(
            count * 8e-6 * prepared.work.jobs[group.survey].elevation.survey.block ** 2
            for count, group in zip(cells, groups, strict=True)
        ),
        measured=sum(len(groups[number].parcels) for number in chosen),
        seconds=rate * math.fsum(cells) / max(1, min(workers, len(tasks))),
        memory_mb=max(peak_mb(), _BYTES_A_CELL * max(cells, default=0.0) / 1e6),
    )


def _no_one(_: int | None) -> None:
    """Nobody waits for a beginning."""


def _window(prepared: Prepared, group: Group) -> Bounds:
    job = prepared.work.jobs[group.survey]
    bounds = total_bounds(np.array([p.geometry for p in group.parcels], dtype=object))
    survey = job.elevation.survey
    return grown(tuple(bounds), reach_of(survey, job.fleet), survey.grid.metres_per_unit)


def _cells(prepared: Prepared, group: Group) -> float:
    west, south, east, north = _window(prepared, group)
    grid = prepared.work.jobs[group.survey].elevation.survey.working
    return (east - west) * (north - south) / (grid.step_x * grid.step_y)


def _surveys(prepared: Prepared, groups: list[Group]) -> tuple[SurveyPlan, ...]:
    out = []
    for survey in prepared.surveys:
        mine = [group for group in groups if group.survey == survey.id]
        met = {int(n) for group in mine for n in tiles_within(survey, _window(prepared, group))}
        day = "no date" if survey.measured is None else survey.measured.isoformat()
        out.append(SurveyPlan(survey.title, survey.cell_m, day, sum(len(g.parcels) for g in mine), len(met)))
    return tuple(out)
