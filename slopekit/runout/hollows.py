"""Where the floors of deep hollows are at least and at most, for ground of which no more than a window is known."""

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels import hollows
from slopekit.kernels.depressions import Depressions, depressions
from slopekit.runout.settings import RunoutSettings
from slopekit.terrain.settings import TerrainSettings

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


def open_floors(z: Array, cell_m2: float, terrain: TerrainSettings, runout: RunoutSettings) -> Bool:
    """Cells (rows, cols) that are floors whatever lies beyond the window: its border drains.

    z: m, NaN where missing; cells beside missing ones drain. A hollow is deep when it is deeper than `shallow_depth_m`
    and larger than `shallow_area_m2`, up to its own spill level or to where it meets another. Its floor are the cells
    that are joined to its lowest over such as lie within `floor_depth_m` of it and below that level.
    """
    tree = depressions(z)
    lowest = hollows.lowest_of(tree, terrain.shallow_depth_m, terrain.shallow_area_m2 / cell_m2)
    pits = np.flatnonzero(lowest.leaf & lowest.deep)
    return _floors(z, tree, lowest.widest[pits], tree.pit[pits], runout)


def closed_floors(wide: Array, cell_m2: float, terrain: TerrainSettings, runout: RunoutSettings) -> Bool:
    """Cells (rows, cols) outside of which there are no floors, whatever lies beyond the window.

    wide: (rows + 2, cols + 2), heights of the window as in `open_floors`, and round them, on the outermost cells, the
    highest level (m) that water can have there: inf where nobody knows, NaN where the ground is missing. A hollow that
    the border cuts may be deep, and go on beyond as low as here: then its floor comes in over the border too.
    """
    tree = depressions(wide)
    least = terrain.shallow_area_m2 / cell_m2
    lowest = hollows.lowest_of(tree, terrain.shallow_depth_m, least)
    rows, cols = wide.shape
    # The ring itself drains, so a hollow that the border cuts ends on the cells beside it.
    cut = (tree.box[:, :2].min(axis=1, initial=rows) <= 1) | (tree.box[:, 2] >= rows - 2) | (tree.box[:, 3] >= cols - 2)
    # Where a hollow's lowest is the one seen here, it is as deep as it looks; how large it is nobody knows.
    deep = lowest.deep | (cut & (tree.spill - tree.pit_z > terrain.shallow_depth_m))[lowest.widest]
    pits = np.flatnonzero(lowest.leaf & deep)
    number, cell = hollows.from_border(wide, tree, lowest, _border(rows, cols), runout.floor_depth_m)
    hollow = np.concatenate([lowest.widest[pits], number])
    start = np.concatenate([tree.pit[pits], cell])
    return np.ascontiguousarray(_floors(wide, tree, hollow, start, runout)[1:-1, 1:-1])


def _border(rows: int, cols: int) -> NDArray[np.int32]:
    """Flat indices of the cells beside the outermost ones."""
    index = np.arange(rows * cols, dtype=np.int32).reshape(rows, cols)[1:-1, 1:-1]
    return np.unique(np.concatenate([index[0], index[-1], index[:, 0], index[:, -1]]))


def _floors(
    z: Array, tree: Depressions, hollow: NDArray[np.int32], start: NDArray[np.int32], runout: RunoutSettings
) -> Bool:
    order = np.argsort(hollow, kind="stable")
    return hollows.floors(z, start[order], hollow[order], tree.pit_z, tree.spill, runout.floor_depth_m)
