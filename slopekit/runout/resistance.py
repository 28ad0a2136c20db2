"""What the ground takes from a machine that is out of control: loss of height by plan length, cell by cell."""

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.kernels.gradient import gaussian, horn
from slopekit.kernels.seen_plane import REACH, seen_gradient
from slopekit.runout.settings import RunoutSettings

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

SMOOTHED_M = 2.0
"""Sigma of the Gaussian that smooths the ground for it, m."""
RAMP_DEG = 2.0
"""From `rolls_from` down over so many degrees the tyres come to hold, so that noise on the slope does not permit."""


def ground_slope_deg(z: Array, edge: Bool, face: Bool, sheer_grade: float, dx: float, dy: float) -> Array:
    """Slope (degrees, (rows, cols)) of the ground smoothed at 2 m; NaN where it is missing or cannot be told.

    z: m, NaN missing. edge, face: cells of the drops that were found in the ground; drawn lines are none of them, since
    they say nothing of slope. sheer_grade: grade of a drop. dx, dy: cell sides, m. The far side of a drop is left out,
    so that a wall does not make the ground beside it steep; so is missing ground.
    """
    p, q = horn(gaussian(z, SMOOTHED_M / dy, SMOOTHED_M / dx), dx, dy)
    up, right = math.ceil(REACH * SMOOTHED_M / dy) + 1, math.ceil(REACH * SMOOTHED_M / dx) + 1
    drop = edge | face
    beside = np.isnan(p)
    if drop.any():
        beside |= ndimage.maximum_filter(drop, (2 * up + 1, 2 * right + 1))
    if beside.any():
        seen = seen_gradient(z, edge, face, beside, SMOOTHED_M, sheer_grade, dx, dy)
        told = beside & ~face
        p[told], q[told] = seen[0][told], seen[1][told]
    return np.degrees(np.arctan(np.hypot(p, q)))


def resistance(slope_deg: Array, friction: float, settings: RunoutSettings) -> Array:
    """Loss of height by plan length on ground of a slope (degrees) that a machine out of control crosses.

    On ground steeper than `rolls_from_deg` nothing is assumed to brake but rolling; from `RAMP_DEG` below it the
    `friction` of the condition; between the two a ramp. Ground whose slope is not known lets a machine roll.
    """
    roll = min(settings.rolling, friction)
    holds = np.clip((settings.rolls_from_deg - slope_deg) / RAMP_DEG, 0.0, 1.0)
    return roll + (friction - roll) * np.nan_to_num(holds, nan=0.0)
