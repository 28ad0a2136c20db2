"""What the ground takes from a machine that is out of control: loss of height by plan length, cell by cell."""

import numpy as np
from numpy.typing import NDArray

from slopekit.runout.settings import RunoutSettings

Array = NDArray[np.float64]

SMOOTHED_M = 2.0
"""Sigma of the Gaussian that smooths the ground for it, m."""
RAMP_DEG = 2.0
"""From `rolls_from_deg` down over so many degrees the tyres come to hold, so that noise does not permit."""


def resistance(slope_deg: Array, friction: float, settings: RunoutSettings) -> Array:
    """Loss of height by plan length on ground of a slope (degrees) that a machine out of control crosses.

    On ground steeper than `rolls_from_deg` nothing is assumed to brake but rolling; from `RAMP_DEG` below it the
    `friction` of the condition; between the two a ramp. Ground whose slope is not known lets a machine roll.
    """
    roll = min(settings.rolling, friction)
    holds = np.clip((settings.rolls_from_deg - slope_deg) / RAMP_DEG, 0.0, 1.0)
    return roll + (friction - roll) * np.nan_to_num(holds, nan=0.0)
