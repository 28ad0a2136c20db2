"""How fast a machine must be to arrive at the hazard below."""

import numpy as np
from numpy.typing import NDArray

from slopekit.units import STANDARD_GRAVITY

Array = NDArray[np.float64]


def head_of_speed(speed_kmh: float) -> float:
    """Energy head v^2 / (2 g) in metres of a speed in km/h."""
    return (speed_kmh / 3.6) ** 2 / (2.0 * STANDARD_GRAVITY)


def speed_of_head(head_m: Array | float) -> Array:
    """Speed in km/h of an energy head in metres; inf stays inf."""
    return np.asarray(3.6 * np.sqrt(2.0 * STANDARD_GRAVITY * head_m))
