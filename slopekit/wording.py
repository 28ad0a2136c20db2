"""Figures and standing sentences in words, so that every note, map and sheet says them alike."""

import math
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

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


def hours_words(value: float) -> str:
    """Hours in tenths, never as nothing."""
    return f"{value:.1f} h" if value >= 0.05 else "under 0.1 h"


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


# Exact, by the international yard and pound agreement (1959): 1 ft = 0.3048 m, 1 mi = 5280 ft, 1 acre = 43 560 sq ft.
FOOT_M = 0.3048
ACRE_M2 = 43_560.0 * FOOT_M**2
MILE_KM = 5.28 * FOOT_M


def hectares_words(value: float) -> str:
    """An area (m2) in hectares from 1 ha on, in whole square metres below."""
    return f"{value / 10_000.0:.2f} ha" if value >= 9_999.5 else area_words(value)


def feet_words(value: float) -> str:
    """A length (m, 0 or more): whole feet from 10 on, tenths from 1 on, inches below; never a bare nothing."""
    feet = value / FOOT_M
    if feet >= 0.995:
        return f"{feet:.0f} ft" if feet >= 9.95 else f"{feet:.1f} ft"
    return f"{12.0 * feet:.0f} in" if feet >= 1.0 / 12.0 else "under 1 in"


def acres_words(value: float) -> str:
    """An area (m2) in acres from a tenth of an acre on, in whole square feet below."""
    if value >= 0.1 * ACRE_M2:
        return f"{value / ACRE_M2:.2f} acres"
    feet = value / FOOT_M**2
    return f"{feet:.0f} sq ft" if feet >= 1.0 else "under 1 sq ft"


def miles_words(value: float) -> str:
    """A speed (km/h, 0 or more) in whole miles an hour."""
    miles = value / MILE_KM
    return f"{miles:.0f} mph" if miles >= 1.0 else "under 1 mph"


# A speed that may not be reached, or from which on something happens: it must not promise more room than there is.
_LEAST = re.compile(r"\b(from|under) $", re.IGNORECASE)
# A figure, or several to one unit as in '1 x 1 m' and '7 to 9 km/h', and the unit.
_FIGURES = re.compile(r"(?<![\w.,])(\d[\d,]*(?:\.\d+)?(?: (?:x|to) \d[\d,]*(?:\.\d+)?)*) (m2|m3|km/h|ha|cm|m)(?![\w/])")
_NUMBER = re.compile(r"\d[\d,]*(?:\.\d+)?")
_US: dict[str, tuple[float, str]] = {
    "cm": (0.01 * 12.0 / FOOT_M, "in"),
    "m": (1.0 / FOOT_M, "ft"),
    "m2": (1.0 / FOOT_M**2, "sq ft"),
    "m3": (1.0 / FOOT_M**3, "cu ft"),
    "ha": (10_000.0 / ACRE_M2, "acres"),
    "km/h": (1.0 / MILE_KM, "mph"),
}


def us_sentence(sentence: str, own: Collection[str] = ()) -> str:
    """A sentence with its metric figures in feet, acres, square feet and miles an hour, to three digits. A speed from
    which on something happens is rounded down.

    own: names and words of the user's that it may hold; these stay as they are.
    """
    kept = sorted(filter(_FIGURES.search, own), key=len, reverse=True)
    stay = [found.span() for found in re.finditer("|".join(map(re.escape, kept)), sentence)] if kept else []

    def shown(found: re.Match[str]) -> str:
        if any(begin < found.end() and found.start() < end for begin, end in stay):
            return found[0]
        factor, unit = _US[found[2]]
        least = unit == "mph" and _LEAST.search(sentence, 0, found.start()) is not None
        digits = _three_digits_down if least else _three_digits
        return f"{_NUMBER.sub(lambda n: digits(float(n[0].replace(',', '')) * factor), found[1])} {unit}"

    return _FIGURES.sub(shown, sentence)


def _as_it_is(sentence: str, own: Collection[str] = ()) -> str:
    return sentence


def _three_digits(value: float) -> str:
    return f"{float(f'{value:.3g}'):,.10g}"


def _three_digits_down(value: float) -> str:
    unit = 10.0 ** (math.floor(math.log10(value)) - 2) if value > 0.0 else 1.0
    return _three_digits(math.floor(value / unit + 1e-9) * unit)


@dataclass(frozen=True)
class Units:
    """The units in which figures are shown to people. Columns in files stay metric."""

    length: Callable[[float], str]
    """Words of a length in metres."""
    area: Callable[[float], str]
    """Words of an area in square metres."""
    speed: Callable[[float], str]
    """Words of a speed in km/h."""
    sentence: Callable[..., str]
    """A sentence that was written with metric figures, as `us_sentence` takes it."""
    bar: tuple[float, str]
    """Metres in the unit of a scale bar, and its sign."""
    columns: Mapping[str, tuple[float, str]]
    """By metric unit the factor that brings a column of figures to the unit in which it is shown, and that unit. A
    column has one unit, and in square feet no patch is too small to show."""


UNITS: dict[str, Units] = {
    "metric": Units(metres_words, hectares_words, speed_words, _as_it_is, (1.0, "m"), {}),
    "us": Units(
        feet_words, acres_words, miles_words, us_sentence, (FOOT_M, "ft"), {unit: _US[unit] for unit in ("m", "m2")}
    ),
}
"""By the name that people choose."""
