"""Ground under low trees, and ground that is a building or a bridge."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.kernels.point_cells import BELOW, COVER, LOW
from slopekit.points.gather import Cells

Bool = NDArray[np.bool_]
_AROUND = np.ones((3, 3), bool)


def low_trees(canopy: NDArray[np.uint8], cells: Cells) -> tuple[Bool, Bool]:
    """Cells under trees with a return lower than a roll bar, and cells under trees where no pulse got so low, so that
    nothing is known. canopy: bits of `kernels.point_cells.LOW`.

    A tree is over a cell where a return over the roll bar lies in it or in one of its neighbours. Surveys from the air
    see little of what is under a crown, so this can refuse and never free. Cars, fences and shrubs under trees count.
    """
    cover = (canopy & COVER) != 0
    built = cells.counts[3] > 0
    low = ((canopy & LOW) != 0) & ndimage.binary_dilation(cover, _AROUND) & ~built
    unseen = cover & ((canopy & (LOW | BELOW)) == 0) & ~built
    return low, unseen


def left_out(cells: Cells) -> tuple[Bool, Bool]:
    """Cells of buildings and of bridges, with gaps of a cell closed. A bridge over a building is a bridge."""
    bridge, building = (_closed(cells.counts[n] > 0) for n in (4, 3))
    return building & ~bridge, bridge


def _closed(mask: Bool) -> Bool:
    if not mask.any():
        return mask
    return mask | ndimage.binary_closing(np.pad(mask, 2), _AROUND)[2:-2, 2:-2]
