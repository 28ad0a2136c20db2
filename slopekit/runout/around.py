"""How high water can stand on a window's border, from coarse ground far round it; and wider windows of the ground."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Bounds, Grid, Window, grown
from slopekit.kernels import flood
from slopekit.kernels.order import ascending
from slopekit.kernels.patches import with_neighbours
from slopekit.runout.hollows import closed_floors, open_floors
from slopekit.runout.settings import RunoutSettings
from slopekit.sources.elevation import Elevation
from slopekit.sources.highest import coarse_grid, highest
from slopekit.terrain.settings import TerrainSettings
from slopekit.terrain.surface import averaged

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Pair = tuple[Bool, Bool]

MOST_CELLS = 7_000_000
"""Working cells of the widest window that is read for hollows: they cost some 30 bytes each."""
_STRIP = 256


class Steps:
    """Pairs of masks of a window: cells that are floors of deep hollows for certain, and those outside of which there
    are none. Each pair rests on more ground than the one before, and lies between its two masks. None is made before it
    is asked for, and none twice. Raises InputError as `Elevation.read` does."""

    def __init__(self, new: Iterator[Pair]) -> None:
        self._new, self._made = new, list[Pair]()

    def __iter__(self) -> Iterator[Pair]:
        yield from self._made
        for pair in self._new:
            self._made.append(pair)
            yield pair


@dataclass(frozen=True, eq=False)
class Around:
    """The ground round one window of working cells, read no farther than it is asked for."""

    elevation: Elevation
    region: Bounds
    """What the answer is about, CRS units: ground counts within `max_margin_m` of it."""
    z: Array
    """(rows, cols), m, of the window."""
    grid: Grid
    terrain: TerrainSettings
    runout: RunoutSettings

    @cached_property
    def floors(self) -> "Steps":
        return Steps(self._steps())

    def _steps(self) -> Iterator[Pair]:
        least = open_floors(self.z, self.grid.cell_m2, self.terrain, self.runout)
        unknown = np.pad(self.z, 1, constant_values=np.inf)
        yield least, closed_floors(unknown, self.grid.cell_m2, self.terrain, self.runout)
        yield least, self._closed(self.z, self.grid)
        margin_m = self.runout.look_m
        while margin_m < self.terrain.max_margin_m:
            margin_m = min(2.0 * margin_m, self.terrain.max_margin_m)
            pair = self._wider(margin_m)
            if pair is None:
                return
            yield pair

    def _wider(self, margin_m: float) -> Pair | None:
        """The pair of a wider window; None where that is too wide."""
        working = self.elevation.survey.working
        whole = margin_m >= self.terrain.max_margin_m
        bounds = self._coarse[0].bounds if whole else grown(self.region, margin_m, working.metres_per_unit)
        window = working.covering(bounds)
        if window.height * window.width > MOST_CELLS:
            return None
        grid = working.part(window)
        z = _heights(self.elevation, grid)
        least = open_floors(z, grid.cell_m2, self.terrain, self.runout)
        most = least if whole else self._closed(z, grid)
        row, col = self.grid.offset_on(grid)
        here = Window(row, col, *self.grid.shape).slices
        return least[here], most[here]

    def _closed(self, z: Array, grid: Grid) -> Bool:
        """Floors at most, with water on the window's border as high as the coarse ground there lets it stand."""
        coarse, level = self._coarse
        top, left = grid.offset_on(self.elevation.survey.working)
        coarse_top, coarse_left = coarse.offset_on(self.elevation.survey.working)
        row = (np.arange(top - 1, top + grid.height + 1) - coarse_top) // round(coarse.dy / grid.dy)
        col = (np.arange(left - 1, left + grid.width + 1) - coarse_left) // round(coarse.dx / grid.dx)
        wide = np.pad(z, 1)
        wide[[0, -1]] = level[np.ix_(row[[0, -1]], col)]
        wide[:, [0, -1]] = level[np.ix_(row, col[[0, -1]])]
        return closed_floors(wide, grid.cell_m2, self.terrain, self.runout)

    @cached_property
    def _coarse(self) -> tuple[Grid, Array]:
        """Coarse cells, and the highest level (m) that water can have on each; NaN where all ground is missing.

        No way through a coarse cell is higher than its highest ground. Water drains over missing ground, and where the
        ground that counts ends.
        """
        grid = coarse_grid(self.elevation, grown(self.region, self.terrain.max_margin_m, self.grid.metres_per_unit))
        top, gap = highest(self.elevation, grid)
        seed = np.zeros(top.shape, np.uint8)
        seed[gap | with_neighbours(np.isnan(top))] = flood.SEED
        seed[[0, -1]] = flood.CUT
        seed[:, [0, -1]] = flood.CUT
        return grid, flood.fill(top, seed, ascending(top))[0]


def _heights(elevation: Elevation, grid: Grid) -> Array:
    """Heights (m) of working cells, strip by strip."""
    z = np.empty(grid.shape)
    for row in range(0, grid.height, _STRIP):
        part = grid.part(Window(row, 0, min(_STRIP, grid.height - row), grid.width))
        z[row : row + part.height] = averaged(elevation.read(part.bounds).z, elevation.survey.block)
    return z
