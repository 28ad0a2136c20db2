"""The first pass: every point once, counted in its cell, and laid aside by stripes of the grid for the second."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.grid import Bounds, Grid, Window
from slopekit.kernels import point_cells
from slopekit.points.classes import Classes
from slopekit.sources.point_files import PointSurvey, in_frame

T = TypeVar("T")

DEEP = 64
"""Rows of a stripe, at most."""
STRIPE_POINTS = 1_000_000
"""A stripe has fewer rows where more points than about these would lie in it: it is read whole."""
HALO_M = 3.0
"""Metres that a stripe holds beyond its own rows: what a window there looks at."""
MOST_CELLS = 30_000_000
"""About 3 GB. A wider area is asked for in parts."""
WIDEST_M = 1_000_000.0
"""Places in a stripe are whole millimetres of 32 bits."""


@dataclass(frozen=True, eq=False)
class Cells:
    """Figures of the cells of a grid, all (rows, cols)."""

    grid: Grid
    used: NDArray[np.bool_]
    """Cells that are asked for."""
    counts: NDArray[np.uint32]
    """(5, rows, cols): returns, and those of ground, water, buildings, bridges; noise is left out."""
    strongest: NDArray[np.uint16]
    """Greatest intensity of a return."""
    ground_xy: NDArray[np.float32]
    """(2, rows, cols), see `kernels.ground_cells`."""
    ground_z: NDArray[np.float64]
    by_class: NDArray[np.int64]
    """(256,): points of each class in the cells that are asked for."""

    @property
    def size(self) -> float:
        """Cell, m."""
        return self.grid.dx


@dataclass(frozen=True)
class Stripes:
    """Points on the disk, by stripe of the grid."""

    folder: Path
    grid: Grid
    halo: int
    """Rows beside its own that a stripe holds."""
    deep: int
    """Rows of its own."""

    def __len__(self) -> int:
        return -(-self.grid.height // self.deep)

    def file(self, number: int) -> Path:
        return self.folder / f"{number}.points"

    def rows(self, number: int) -> tuple[int, int, int, int]:
        """First row and number of rows of a stripe, and the rows that are its own."""
        own_from, own_to = number * self.deep, min(self.grid.height, (number + 1) * self.deep)
        first = max(0, own_from - self.halo)
        return first, min(self.grid.height, own_to + self.halo) - first, own_from, own_to

    def read(self, number: int) -> NDArray[np.int32]:
        """(points, 4), see `kernels.point_cells.to_stripes`."""
        file = self.file(number)
        return np.fromfile(file, np.int32).reshape(-1, 4) if file.exists() else np.empty((0, 4), np.int32)


def grid_of(survey: PointSurvey, cell_m: float, boxes: Sequence[Bounds] | None) -> Grid:
    """The cells of all points, or of those in the boxes (working CRS), on multiples of the cell.

    Raises InputError where no point lies in a box, and for an area with more cells, or longer, than can be held.
    """
    west, south, east, north = survey.bounds
    if boxes is not None:
        w, s, e, n = (f(side) for f, side in zip((min, min, max, max), zip(*boxes, strict=True), strict=True))
        west, south, east, north = max(west, w), max(south, s), min(east, e), min(north, n)
        if west >= east or south >= north:
            raise InputError(
                f"{survey.names[0]}: no point lies in the area or near it, so check that the files are those of the "
                "area and that the CRSs are right."
            )
    step = cell_m / survey.metres_per_unit
    # Points on the eastern and southern edge lie in a cell too.
    col, row = np.floor(west / step), np.ceil(north / step)
    width, height = int(np.floor(east / step) - col) + 1, int(row - np.ceil(south / step)) + 1
    if width * height > MOST_CELLS:
        raise InputError(
            f"{survey.names[0]}: the area has {width * height / 1e6:,.0f} million cells of {cell_m:g} m, which is more "
            f"than {MOST_CELLS / 1e6:g} million, so give a smaller --area, fewer files, or a wider --cell."
        )
    if max(width, height) * cell_m > WIDEST_M:
        raise InputError(
            f"{survey.names[0]}: the area is {max(width, height) * cell_m / 1000.0:,.0f} km long, which is more than "
            f"{WIDEST_M / 1000.0:,.0f} km, so give a smaller --area or fewer files."
        )
    return Grid(height, width, float(col * step), float(row * step), step, step, survey.crs, survey.metres_per_unit)


def gather(
    survey: PointSurvey,
    grid: Grid,
    boxes: Sequence[Bounds] | None,
    classes: Classes,
    folder: Path,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Cells, Stripes]:
    """Read every point of a survey that the boxes need. folder: empty, for the stripes; 16 to 32 bytes a point.

    progress: called with the points read and in all. Raises InputError as `sources.points.pieces`, and where no point
    lies in the cells.
    """
    shape = grid.shape
    used = np.ones(shape, bool) if boxes is None else _used(grid, boxes)
    cells = Cells(
        grid,
        used,
        np.zeros((5, *shape), np.uint32),
        np.zeros(shape, np.uint16),
        np.zeros((2, *shape), np.float32),
        np.zeros(shape),
        np.zeros(256, np.int64),
    )
    halo = int(np.ceil(HALO_M / cells.size))
    # With fewer rows than lie beside them most points would be laid aside several times.
    deep = min(DEEP, max(2 * halo, STRIPE_POINTS * grid.height // survey.count))
    stripes = Stripes(folder, grid, halo, deep)
    table = classes.table()
    read, kept = 0, 0
    for _, piece in _ahead(in_frame(survey, boxes)):
        east = (piece.x - grid.west) * grid.metres_per_unit
        south = (grid.north - piece.y) * grid.metres_per_unit
        role = table[piece.code]
        kept += point_cells.add_points(
            east, south, piece.z, role, piece.intensity, used, cells.size, cells.counts, cells.strongest,
            cells.ground_xy, cells.ground_z,
        )  # fmt: skip
        cells.by_class[:] += np.bincount(piece.code, minlength=256)
        role = role + point_cells.LAST * piece.last.astype(np.uint8)
        _lay_aside(stripes, east, south, piece.z, role, used, cells.size)
        read += piece.read
        if progress is not None:
            progress(min(read, survey.count), survey.count)
    if not kept:
        raise InputError(
            f"{survey.names[0]}: no point that counts lies in the area, so check the files, the area and the classes."
        )
    return cells, stripes


def _ahead(pieces: Iterator[T]) -> Iterator[T]:
    """The same, each next one read while the last is worked on."""
    with ThreadPoolExecutor(1) as reader:
        coming = reader.submit(next, pieces, None)
        while (piece := coming.result()) is not None:
            coming = reader.submit(next, pieces, None)
            yield piece


def _used(grid: Grid, boxes: Iterable[Bounds]) -> NDArray[np.bool_]:
    out = np.zeros(grid.shape, bool)
    for box in boxes:
        out[grid.within(grid.covering(box)).slices] = True
    return out


def _lay_aside(
    stripes: Stripes,
    east: NDArray[np.float64],
    south: NDArray[np.float64],
    z: NDArray[np.float64],
    role: NDArray[np.uint8],
    used: NDArray[np.bool_],
    size: float,
) -> None:
    counts = np.zeros(len(stripes), np.int64)
    noise = role % point_cells.LAST == point_cells.NOISE
    role = np.where(noise, np.uint8(point_cells.NOISE), role)
    point_cells.stripe_sizes(east, south, z, role, used, size, stripes.deep, stripes.halo, counts)
    ends = np.cumsum(counts)
    out = np.empty((int(ends[-1]), 4), np.int32)
    point_cells.to_stripes(east, south, z, role, used, size, stripes.deep, stripes.halo, ends - counts, out)
    for number in np.flatnonzero(counts).tolist():
        with open(stripes.file(number), "ab") as file:
            out[ends[number] - counts[number] : ends[number]].tofile(file)


def boxes_of(survey: PointSurvey, grid: Grid) -> Iterator[Window]:
    """The cells that each file covers, by its header."""
    for file in survey.files:
        yield grid.within(grid.covering(survey.bounds_of(file)))
