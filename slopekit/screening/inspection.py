"""What an elevation survey can tell before any parcel is screened. Memory stays flat whatever the survey's size."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from slopekit.grid import Grid, Window
from slopekit.hazards.detection import DetectionLimit, detection_limit
from slopekit.hazards.settings import HazardSettings
from slopekit.sources.elevation import Elevation, Survey

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

SIDE = 1024
"""Cells along one side of a block that is read at once: 8 MB of heights."""
_MISSING = np.iinfo(np.int64).min


@dataclass(frozen=True)
class FlatCells:
    """Bodies of 4-connected native cells of equal elevation (to the millimetre) over `least_m2`: likely water."""

    least_m2: float
    bodies: int
    area_m2: float
    largest_m2: float


@dataclass(frozen=True)
class Inspection:
    """Facts of a whole survey, on its own cells."""

    survey: Survey
    cells: int
    missing: int
    """Cells without a height, also those of the rectangle round all files that no file covers."""
    lowest_m: float | None
    """None where no cell has a height, as with `highest_m`."""
    highest_m: float | None
    flat: FlatCells | None
    """None where the heights sit on a vertical step over 1 cm, so that level cells mean nothing."""
    limit: DetectionLimit


def inspect_elevation(
    elevation: Elevation,
    settings: HazardSettings | None = None,
    *,
    side: int = SIDE,
    progress: Callable[[int, int], None] | None = None,
) -> Inspection:
    """Read every cell once, in blocks of about `side` by `side` cells. The answer does not depend on `side`.

    `progress` is called with blocks done and blocks in all. Raises InputError naming the file when cells cannot be
    read.
    """
    settings = HazardSettings() if settings is None else settings
    survey, grid = elevation.survey, elevation.survey.grid
    tally = None if survey.z_step_m is not None else _Bodies(grid.width, settings.flat_area_m2 / grid.cell_m2)
    lowest, highest, known = np.inf, -np.inf, 0
    # A read is returned on whole working cells, so blocks start on them.
    windows = list(_windows(grid, max(1, side // survey.block) * survey.block))
    for done, window in enumerate(windows, start=1):
        z = elevation.read(grid.part(window).bounds).z[: window.height, : window.width]
        finite = int(np.count_nonzero(np.isfinite(z)))
        if finite:
            lowest, highest, known = min(lowest, np.nanmin(z)), max(highest, np.nanmax(z)), known + finite
        if tally is not None:
            tally.add(z, window.col)
        if progress is not None:
            progress(done, len(windows))
    return Inspection(
        survey=survey,
        cells=grid.height * grid.width,
        missing=grid.height * grid.width - known,
        lowest_m=float(lowest) if known else None,
        highest_m=float(highest) if known else None,
        flat=None if tally is None else tally.total(settings.flat_area_m2, grid.cell_m2),
        limit=detection_limit(grid.dx, grid.dy, settings, survey.warped),
    )


def survey_facts(survey: Survey) -> dict[str, object]:
    """What is known of a survey in plain values that JSON can hold. Lengths in metres, bounds in CRS units."""
    grid = survey.grid
    return {
        "names": list(survey.names),
        "checksum": survey.checksum,
        "crs_wkt": grid.crs,
        "warped": survey.warped,
        "metres_per_crs_unit": grid.metres_per_unit,
        "rows": grid.height,
        "columns": grid.width,
        "bounds": list(grid.bounds),
        "cell_m": [grid.dx, grid.dy],
        "working_cell_m": [grid.dx * survey.block, grid.dy * survey.block],
        "z_unit": survey.z_unit,
        "z_unit_from": survey.z_unit_from,
        "z_step_m": survey.z_step_m,
        "z_rmse_m": survey.rmse_m,
        "surface": survey.surface,
        "survey_date": None if survey.survey_date is None else survey.survey_date.isoformat(),
        "notes": list(survey.notes),
    }


def inspection_facts(found: Inspection) -> dict[str, object]:
    """An inspection in plain values that JSON can hold."""
    flat = found.flat
    return {
        "survey": survey_facts(found.survey),
        "cells": found.cells,
        "cells_without_height": found.missing,
        "lowest_m": found.lowest_m,
        "highest_m": found.highest_m,
        "flat_cells": None
        if flat is None
        else {
            "bodies_over_m2": flat.least_m2,
            "bodies": flat.bodies,
            "area_m2": flat.area_m2,
            "largest_m2": flat.largest_m2,
        },
        "step_found_between_cells_m": found.limit.between_cells_m,
        "step_found_across_a_cell_m": found.limit.across_cell_m,
        "step_wanted_m": found.limit.wanted_m,
        "step_wanted_met": found.limit.met,
        "walls": found.limit.counts(),
    }


def _windows(grid: Grid, side: int) -> Iterator[Window]:
    """Blocks that tile the grid, row by row."""
    for row in range(0, grid.height, side):
        for col in range(0, grid.width, side):
            yield Window(row, col, min(side, grid.height - row), min(side, grid.width - col))


class _Bodies:
    """Counts bodies of equal cells over blocks that come row by row.

    What cannot grow any more is counted and forgotten: only bodies that reach the lower edge of the blocks so far are
    kept, so memory grows with the survey's width and not with its area.
    """

    def __init__(self, width: int, least_cells: float) -> None:
        self._least = least_cells
        self._level = np.full(width, _MISSING)
        self._id = np.zeros(width, np.int64)
        self._left: tuple[Ints, Ints] | None = None
        self._parent: list[int] = []
        self._size: list[int] = []
        self._done: list[int] = []

    def add(self, z: Array, col: int) -> None:
        """The next block; `col` is its first column, and 0 starts a new row of blocks."""
        if col == 0:
            self._forget()
        level = np.full(z.shape, _MISSING)
        np.rint(z * 1000.0, out=level, where=np.isfinite(z), casting="unsafe")
        label, size = _components(level)
        edge = np.unique(np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]]))
        inner = size.copy()
        inner[edge] = 0
        self._done += inner[inner > self._least].tolist()
        first = len(self._parent)
        self._parent += range(first, first + edge.size)
        self._size += size[edge].tolist()

        def ids(labels: Ints) -> Ints:
            return first + np.searchsorted(edge, labels)

        span = slice(col, col + z.shape[1])
        self._join(self._level[span], self._id[span], level[0], ids(label[0]))
        if self._left is not None:
            self._join(*self._left, level[:, 0], ids(label[:, 0]))
        self._left = level[:, -1].copy(), ids(label[:, -1])
        self._level[span], self._id[span] = level[-1], ids(label[-1])

    def total(self, least_m2: float, cell_m2: float) -> FlatCells:
        """The sum, when no more blocks come."""
        self._level[:] = _MISSING
        self._forget()
        return FlatCells(
            least_m2, len(self._done), float(sum(self._done) * cell_m2), float(max(self._done, default=0) * cell_m2)
        )

    def _join(self, level_a: Ints, id_a: Ints, level_b: Ints, id_b: Ints) -> None:
        same = (level_a == level_b) & (level_a != _MISSING)
        for a, b in np.unique(np.stack([id_a[same], id_b[same]]), axis=1).T.tolist():
            a, b = self._root(a), self._root(b)
            if a != b:
                self._parent[b] = a
                self._size[a] += self._size[b]

    def _root(self, body: int) -> int:
        while self._parent[body] != body:
            self._parent[body] = self._parent[self._parent[body]]
            body = self._parent[body]
        return body

    def _forget(self) -> None:
        """Count the bodies that do not reach the lower edge, and number the others anew."""
        self._left = None
        open_cells = self._level != _MISSING
        reached, at = np.unique(self._id[open_cells], return_inverse=True)
        new: dict[int, int] = {}
        number = [new.setdefault(self._root(body), len(new)) for body in reached.tolist()]
        self._done += [
            size
            for body, size in enumerate(self._size)
            if self._parent[body] == body and body not in new and size > self._least
        ]
        self._size = [self._size[root] for root in new]
        self._parent = list(range(len(new)))
        self._id[open_cells] = np.asarray(number, np.int64)[at]


def _components(level: Ints) -> tuple[Ints, Ints]:
    """Label of every cell's 4-connected body of equal level, and cells of each label; missing cells count 0."""
    starts = np.ones(level.shape, bool)
    np.not_equal(level[:, 1:], level[:, :-1], out=starts[:, 1:])
    run = np.cumsum(starts.ravel()).reshape(level.shape) - 1
    below = (level[1:] == level[:-1]) & (level[1:] != _MISSING)
    # Two runs that touch along several cells make one pair, at the first cell where both are.
    below[:, 1:] &= starts[1:, 1:] | starts[:-1, 1:]
    pairs = run[:-1][below], run[1:][below]
    count = int(run[-1, -1]) + 1
    graph = sparse.coo_array((np.ones(pairs[0].size), pairs), shape=(count, count))
    _, body = csgraph.connected_components(graph, directed=False)
    label = body.astype(np.int64)[run]
    size = np.bincount(label.ravel())
    size[label[level == _MISSING]] = 0
    return label, size
