"""Field capacity: the ground that a machine covers in an hour, C = S * w * E (ASAE EP496)."""

from slopekit.fleet.figures import Range

SQUARE_METRES_PER_HECTARE = 10_000.0


def hectares_per_hour(speed_kmh: float, width_m: float, efficiency: float) -> float:
    """Field capacity in ha/h: km/h * m * E / 10. efficiency: 0 to 1 (ASAE EP496)."""
    return speed_kmh * width_m * efficiency / 10.0


def field_capacity(speed_kmh: Range, width_m: float, efficiency: Range) -> Range:
    """Field capacity in m2/h. The low end takes the low speed and the low efficiency together, and so on."""
    low, expected, high = (
        hectares_per_hour(speed, width_m, part) * SQUARE_METRES_PER_HECTARE
        for speed, part in zip(speed_kmh.ends, efficiency.ends, strict=True)
    )
    return Range(low, expected, high)
