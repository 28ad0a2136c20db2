"""Length of the line at which a filled depression's surface meets the ground."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@njit(cache=KEPT, nogil=True, error_model="numpy")
def level_line(z: Array, cells: Bool, part: Bool, level: float, dx: float, dy: float) -> tuple[float, float]:
    """Length of the contour of `z` at `level` round `cells`, m, and of what of it bounds cells of `part` alone.

    cells: (rows, cols), below the level, none of them on the border of the array or beside a lower cell that is left
    out. The contour runs straight through each square of four cell centres (marching squares, after Lorensen and Cline
    1987) and crosses its sides where a straight line between the two elevations does. Unlike the outline of cells it is
    no longer for a shape that lies askew to the grid. Cells that touch at a corner are joined.
    """
    rows, cols = z.shape
    whole = some = 0.0
    inside = np.empty(4, np.bool_)
    x, y = np.empty(4), np.empty(4)
    ci, cj = (0, 0, 1, 1), (0, 1, 1, 0)
    for i in range(rows - 1):
        for j in range(cols - 1):
            count, of_part = 0, True
            for k in range(4):
                inside[k] = cells[i + ci[k], j + cj[k]]
                if inside[k]:
                    count += 1
                    of_part &= part[i + ci[k], j + cj[k]]
            if count == 0 or count == 4:
                continue
            for k in range(4):  # the side from corner k to the next one
                n = (k + 1) % 4
                if inside[k] != inside[n]:
                    a, b = z[i + ci[k], j + cj[k]], z[i + ci[n], j + cj[n]]
                    t = (level - a) / (b - a)
                    x[k] = (cj[k] + t * (cj[n] - cj[k])) * dx
                    y[k] = (ci[k] + t * (ci[n] - ci[k])) * dy
            if count == 2 and inside[0] != inside[2]:  # two corners side by side: the line cuts opposite sides
                k = 0 if inside[0] != inside[1] else 1
                length = math.hypot(x[k] - x[k + 2], y[k] - y[k + 2])
            else:  # it goes round each corner that is alone, and of two opposite ones round those outside
                alone = count == 1
                length = 0.0
                for k in range(4):
                    if inside[k] == alone:
                        before = (k + 3) % 4
                        length += math.hypot(x[k] - x[before], y[k] - y[before])
            whole += length
            if of_part:
                some += length
    return whole, some
