"""The second pass: stripe by stripe, canopy and steps from the points themselves."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels import point_cells, step_windows
from slopekit.points.gather import Cells, Stripes
from slopekit.points.settings import PointSettings
from slopekit.pool import cores

Array = NDArray[np.float64]
_MOST_THREADS = 4  # a stripe each in memory


@dataclass(frozen=True, eq=False)
class Found:
    """What the second pass found."""

    canopy: NDArray[np.uint8]
    """(rows, cols), bits of `kernels.point_cells.LOW`."""
    bound: NDArray[np.float32]
    """(rows, cols): no step at the cell is higher (m, 99 %); NaN where the points cannot tell."""
    nodes: Array
    """(nodes, `kernels.step_windows.NODE`), places on the lines of steps."""
    asked: int
    """Windows with points enough to look for a step."""
    returns: NDArray[np.uint8]
    """(rows, cols): ground returns, each once, up to 255."""


def second_pass(
    cells: Cells,
    stripes: Stripes,
    ground: Array,
    settings: PointSettings,
    progress: Callable[[int, int], None] | None = None,
) -> Found:
    """Look at the points of every stripe. ground: (rows, cols), m. progress: called with stripes done and in all."""
    shape = cells.grid.shape
    canopy, bound = np.zeros(shape, np.uint8), np.full(shape, np.nan, np.float32)
    returns = np.zeros(shape, np.uint8)
    found, asked = [np.empty((0, step_windows.NODE))], 0

    def look(number: int) -> tuple[Array, int]:
        points = stripes.read(number)
        first, rows, own_from, own_to = stripes.rows(number)
        point_cells.mark_canopy(
            points, ground, own_from, own_to, cells.size, settings.low_m, settings.roll_bar_m, canopy
        )
        role = points[:, 3]
        is_ground = role % point_cells.LAST == point_cells.GROUND
        is_loose = role == point_cells.UNCLASSIFIED + point_cells.LAST
        cols = cells.grid.width
        by_cell = [point_cells.by_cell(points, which, first, rows, cols, cells.size) for which in (is_ground, is_loose)]
        held = np.diff(by_cell[0][0]).reshape(rows, cols)[own_from - first : own_to - first]
        returns[own_from:own_to] = np.minimum(held, 255)
        nodes = np.empty(((own_to - own_from) * cols, step_windows.NODE))
        count, windows = step_windows.find_in_stripe(
            points, by_cell[0], by_cell[1], first, rows, cols, cells.size, own_from, own_to, settings.step_m, bound,
            nodes,
        )  # fmt: skip
        return nodes[:count].copy(), windows

    with ThreadPoolExecutor(min(cores(), _MOST_THREADS)) as pool:
        for done, (nodes, windows) in enumerate(pool.map(look, range(len(stripes))), 1):
            found.append(nodes)
            asked += windows
            if progress is not None:
                progress(done, len(stripes))
    return Found(canopy, bound, np.concatenate(found), asked, returns)
