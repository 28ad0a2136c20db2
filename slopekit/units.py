"""Conversions between the units that crews, surveys and the library use. Inside the library: metres, degrees, m/s."""

import math

# International yard and pound agreement (1959): 1 ft = 0.3048 m exactly. US survey foot: 1200/3937 m exactly
# (deprecated by NIST and NOAA at the end of 2022, still in many state plane grids).
METRES_PER_UNIT: dict[str, float] = {"metre": 1.0, "foot": 0.3048, "us-survey-foot": 1200.0 / 3937.0}

STANDARD_GRAVITY = 9.80665  # m/s2, CGPM 1901

_ALIASES = {
    "metre": "metre", "meter": "metre", "metres": "metre", "meters": "metre", "m": "metre",
    "foot": "foot", "feet": "foot", "ft": "foot", "international foot": "foot", "foot_international": "foot",
    "us-survey-foot": "us-survey-foot", "us survey foot": "us-survey-foot", "us survey feet": "us-survey-foot",
    "us_survey_foot": "us-survey-foot", "us-ft": "us-survey-foot", "ftus": "us-survey-foot",
    "foot_us": "us-survey-foot", "us foot": "us-survey-foot", "survey foot": "us-survey-foot",
}  # fmt: skip


def unit_name(text: str) -> str | None:
    """The library's name for a length unit as files and people spell it, or None when it is not known."""
    return _ALIASES.get(text.strip().lower())


def grade(degrees: float) -> float:
    """Rise over run of a slope in degrees."""
    return math.tan(math.radians(degrees))


def percent(degrees: float) -> float:
    """Slope in percent (100 * rise / run) of a slope in degrees."""
    return 100.0 * math.tan(math.radians(degrees))


def hv_ratio(degrees: float) -> float:
    """Run per unit rise: 3.0 for a 3:1 face. Infinite on level ground."""
    rise = math.tan(math.radians(degrees))
    return math.inf if rise <= 0.0 else 1.0 / rise


def hv_text(degrees: float) -> str:
    """Slope as horizontal to vertical, such as '3.2:1'; 'level' from 100:1 on."""
    ratio = hv_ratio(degrees)
    return "level" if ratio >= 100.0 else f"{ratio:.1f}:1"
