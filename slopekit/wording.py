"""Figures and standing sentences in words, so that every note, map and sheet says them alike."""

DECIDE = "The operator's manual, local codes and rules, licensed practice and the site supervisor decide."
"""Whom every caution defers to."""
CAUTION = f"Permitted means only: not refused by any rule that was evaluated. Walk the ground first. {DECIDE}"
"""The caution where there is room for one line."""


def metres_words(value: float) -> str:
    """A length (m, 0 or more): whole metres from 10 on, tenths from 1 on, centimetres below; never a bare nothing."""
    if value >= 9.95:
        return f"{value:.0f} m"
    if value >= 0.995:
        return f"{value:.1f} m"
    return f"{100.0 * value:.0f} cm" if value >= 0.01 else "under 1 cm"


def area_words(value: float) -> str:
    """An area (m2) in whole square metres."""
    return f"{value:.0f} m2" if value >= 1.0 else "under 1 m2"


def speed_words(value: float) -> str:
    """A speed (km/h, 0 or more) in whole km/h."""
    return f"{value:.0f} km/h" if value >= 1.0 else "under 1 km/h"


def degrees_words(value: float) -> str:
    """A slope (degrees) in whole degrees."""
    return plain_degrees(round(value)) if round(value) else "under 1 degree"


def plain_degrees(value: float) -> str:
    """Degrees as they are typed: '1 degree', '2.5 degrees'."""
    return f"{value:g} degree{'' if value == 1 else 's'}"


def bearing_words(value: float) -> str:
    """A bearing (degrees, clockwise from north) in whole degrees, from 0 to 359."""
    return plain_degrees(round(value) % 360)


def percent_words(value: float) -> str:
    """A figure in whole percent, never as nothing."""
    return "under 1 %" if value < 1.0 else f"{value:.0f} %"


def part_words(share: float) -> str:
    """A part of a whole (0 to 1) in percent, never as nothing, nor as all of it before it is."""
    return "over 99 %" if 0.99 < share < 1.0 else percent_words(100.0 * share)
