"""How high water can stand on a window's border, from coarse ground far round it; and wider windows of the ground."""

from collections.abc import Callable, Iterator
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
from slopekit.terrain.settings import TerrainSettings

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Pair = tuple[Bool, Bool]

MOST_CELLS = 7_000_000
"""Working cells of the widest window that is read for hollows: they cost some 30 bytes each."""


class Steps:
    """Pairs of masks of a window: cells that are floors of deep hollows for certain, and those outside of which there
    are none. Each pair rests on more ground than the one before, and lies between its two masks. None is made before it
    is asked for, and none twice. Raises what `Wider` raises."""

    def __init__(self, new: Iterator[Pair]) -> None:
        self._new, self._made = new, list[Pair]()

    def __iter__(self) -> Iterator[Pair]:
        yield from self._made
        for pair in self._new:
            self._made.append(pair)
            yield pair


@dataclass(frozen=True, eq=False)
class Wider:
    """Ground that is read when it is asked for, however far away."""

    working: Grid
    """The working cells of all the survey."""
    heights: Callable[[Grid], Array]
    """Heights (rows, cols), m, of working cells: a part of `working`, which may reach beyond it; NaN missing."""
    coarse: Callable[[Bounds], Grid]
    """Coarse cells that cover bounds (CRS units) and one more all around. They hold whole working cells, and a place
    has the same ones whatever is asked for."""
    highest: Callable[[Grid], Array]
    """The highest ground (rows, cols), m, in each of them; NaN where all is missing."""


@dataclass(frozen=True, eq=False)
class Around:
    """The ground round one window of working cells, read no farther than it is asked for."""

    wider: Wider
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
        yield self._open(self.z), self._closed(np.pad(self.z, 1, constant_values=np.inf))
        margin_m, whole = self.runout.look_m, False
        while not whole:
            margin_m *= 2.0
            whole = margin_m >= self.terrain.max_margin_m
            grid = self._wider(margin_m)
            if grid.height * grid.width > MOST_CELLS:
                if margin_m == 2.0 * self.runout.look_m:
                    yield self._open(self.z), self._closed(self._in_ring(self.z, self.grid))
                return
            z = self.wider.heights(grid)
            here = Window(*self.grid.offset_on(grid), *self.grid.shape).slices
            least = self._open(z)[here]
            if whole:
                yield least, least
                return
            # A hollow seldom reaches so far that coarse ground must tell where it ends, which takes the most reading.
            if margin_m == 2.0 * self.runout.look_m:
                yield least, self._closed(np.pad(z, 1, constant_values=np.inf))[here]
            yield least, self._closed(self._in_ring(z, grid))[here]

    def _wider(self, margin_m: float) -> Grid:
        """The working cells of a wider window, or of all that counts."""
        working = self.wider.working
        if margin_m >= self.terrain.max_margin_m:
            return working.part(working.covering(self._far.bounds))
        return working.part(working.covering(grown(self.region, margin_m, working.metres_per_unit)))

    def _open(self, z: Array) -> Bool:
        return open_floors(z, self.grid.cell_m2, self.terrain, self.runout)

    def _closed(self, wide: Array) -> Bool:
        return closed_floors(wide, self.grid.cell_m2, self.terrain, self.runout)

    def _in_ring(self, z: Array, grid: Grid) -> Array:
        """Heights of a window, and round them the highest level that coarse ground lets water have there."""
        coarse = self._far
        top, left = grid.offset_on(self.wider.working)
        coarse_top, coarse_left = coarse.offset_on(self.wider.working)
        row = (np.arange(top - 1, top + grid.height + 1) - coarse_top) // round(coarse.dy / grid.dy)
        col = (np.arange(left - 1, left + grid.width + 1) - coarse_left) // round(coarse.dx / grid.dx)
        wide = np.pad(z, 1)
        wide[[0, -1]] = self._level[np.ix_(row[[0, -1]], col)]
        wide[:, [0, -1]] = self._level[np.ix_(row, col[[0, -1]])]
        return wide

    @cached_property
    def _far(self) -> Grid:
        """Coarse cells of all ground that counts."""
        return self.wider.coarse(grown(self.region, self.terrain.max_margin_m, self.grid.metres_per_unit))

    @cached_property
    def _level(self) -> Array:
        """The highest level (m) that water can have on each coarse cell; NaN where all ground is missing.

        No way through a coarse cell is higher than its highest ground, whatever is missing in it. Water drains where
        all is missing, and where the ground that counts ends.
        """
        top = self.wider.highest(self._far)
        seed = np.zeros(top.shape, np.uint8)
        seed[with_neighbours(np.isnan(top))] = flood.SEED
        seed[[0, -1]] = flood.CUT
        seed[:, [0, -1]] = flood.CUT
        return flood.fill(top, seed, ascending(top))[0]
