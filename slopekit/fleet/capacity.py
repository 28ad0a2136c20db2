"""Field capacity: the ground that a machine covers in an hour, C = S * w * E (ASAE EP496)."""

from slopekit.fleet.figures import Range
from slopekit.units import METRES_PER_UNIT

SQUARE_METRES_PER_HECTARE = 10_000.0
# 1 mile = 5280 ft and 1 acre = 43 560 ft2, by definition.
_FEET_PER_MILE = 5280.0
_SQUARE_FEET_PER_ACRE = 43_560.0

KMH_PER_MPH = _FEET_PER_MILE * METRES_PER_UNIT["foot"] / 1000.0
SQUARE_METRES_PER_ACRE = _SQUARE_FEET_PER_ACRE * METRES_PER_UNIT["foot"] ** 2


def hectares_per_hour(speed_kmh: float, width_m: float, efficiency: float) -> float:
    """Field capacity in ha/h: km/h * m * E / 10. efficiency: 0 to 1 (ASAE EP496)."""
    return speed_kmh * width_m * efficiency / 10.0


def acres_per_hour(speed_mph: float, width_ft: float, efficiency: float) -> float:
    """Field capacity in acre/h: mph * ft * E / 8.25, where 8.25 = 43 560 / 5280. efficiency: 0 to 1 (ASAE EP496)."""
    return speed_mph * width_ft * efficiency / (_SQUARE_FEET_PER_ACRE / _FEET_PER_MILE)


def field_capacity(speed_kmh: Range, width_m: float, efficiency: Range) -> Range:
    """Field capacity in m2/h. The low end takes the low speed and the low efficiency together, and so on."""
    low, expected, high = (
        hectares_per_hour(speed, width_m, part) * SQUARE_METRES_PER_HECTARE
        for speed, part in zip(speed_kmh.ends, efficiency.ends, strict=True)
    )
    return Range(low, expected, high)
