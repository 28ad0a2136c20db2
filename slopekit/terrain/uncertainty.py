"""What a survey's vertical error does to slope."""

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def gradient_error(rmse_m: float, dx: float, dy: float) -> float:
    """Standard error of one Horn gradient component: s * sqrt(12) / (8 L) for errors that are not correlated.

    Error propagation through Horn's weights (1 2 1), see Florinsky (1998) for the family. Of two cell sides the shorter
    one counts, since it gives the larger error.
    """
    return rmse_m * math.sqrt(12.0) / (8.0 * min(dx, dy))


def slope_error_deg(grade: Array, rmse_m: float, dx: float, dy: float) -> Array:
    """Standard error of the slope in degrees where the gradient's magnitude is `grade`: d(atan g) = dg / (1 + g^2)."""
    return np.degrees(gradient_error(rmse_m, dx, dy) / (1.0 + grade * grade))
