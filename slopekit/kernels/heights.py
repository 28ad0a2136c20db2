"""Raw raster values to heights in metres, in one pass."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _heights(raw, missing, scale, offset, lowest, highest, out):  # type: ignore[no-untyped-def]
    dropped = 0
    rows, cols = raw.shape
    for i in range(rows):
        for j in range(cols):
            value = raw[i, j]
            z = np.float64(value) * scale + offset
            if value == missing or not math.isfinite(z):
                z = np.nan
            elif z < lowest or z > highest:
                z = np.nan
                dropped += 1
            out[i, j] = z
    return dropped


def heights(
    raw: NDArray[np.generic], missing: np.generic | None, scale: float, offset: float, lowest: float, highest: float
) -> tuple[NDArray[np.float64], int]:
    """raw * scale + offset, (rows, cols), with NaN where raw equals `missing` or the result is not finite.

    Results below `lowest` or above `highest` become NaN too; their number is returned.
    """
    out = np.empty(raw.shape)
    # NaN equals nothing, so it stands for no value of that kind.
    absent = np.float64(np.nan) if missing is None else missing
    return out, _heights(raw, absent, scale, offset, lowest, highest, out)
