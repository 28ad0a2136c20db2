"""What a survey's vertical error does to slope."""

import math

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels import gradient as kernels
from slopekit.terrain.settings import GradientName

Array = NDArray[np.float64]


def gradient_error(
    rmse_m: float, dx: float, dy: float, correlation_m: float = 0.0, gradient: GradientName = "horn"
) -> float:
    """Standard error of one gradient component, the greater of both.

    rmse_m: standard error of the heights, m; dx, dy: cell sides, m. Errors a distance d apart correlate by
    exp(-(d / correlation_m)^2), and not at all at 0. gradient: the formula that the slope is measured by.

    A gradient is a weighted sum of nine heights, so its variance is w' R w rmse^2 with the weights w and the
    correlations R: general error propagation (Heuvelink 1998). Without correlation Horn's is rmse * sqrt(12) / (8 L).
    It is greatest, 0.549 rmse / L, where errors correlate over 1.355 cells of side L, not where they are independent
    (Oksanen and Sarjakoski 2005 found the same of slope); from 2.6 cells on it is less than without correlation. The
    formula of Zevenbergen and Thorne does worst without correlation, 0.707 rmse / L.
    """
    formula = kernels.horn if gradient == "horn" else kernels.zevenbergen_thorne
    # The gradient of a bump of 1 m on one cell is that cell's weight.
    weights = [[float(part[1, 1]) for part in formula(bump.reshape(3, 3), dx, dy)] for bump in np.eye(9)]
    row, col = np.divmod(np.arange(9), 3)
    apart = np.hypot(np.subtract.outer(row, row) * dy, np.subtract.outer(col, col) * dx)
    correlation = np.exp(-((apart / correlation_m) ** 2)) if correlation_m > 0.0 else np.eye(9)
    variance = max(float(w @ correlation @ w) for w in np.array(weights).T)
    return rmse_m * math.sqrt(variance)


def slope_error_deg(
    grade: Array, rmse_m: float, dx: float, dy: float, correlation_m: float = 0.0, gradient: GradientName = "horn"
) -> Array:
    """Standard error of the slope in degrees where the gradient's magnitude is `grade`: d(atan g) = dg / (1 + g^2).

    Other arguments: see `gradient_error`.
    """
    return np.degrees(gradient_error(rmse_m, dx, dy, correlation_m, gradient) / (1.0 + grade * grade))
