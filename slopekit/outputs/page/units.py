"""The units that a page speaks in. Its data are metric; page.js multiplies."""

from typing import Any

from slopekit.wording import ACRE_M2, FOOT_M, MILE_KM

SYSTEMS: dict[str, dict[str, Any]] = {
    "metric": {
        "length": ["m", 1.0],
        "speed": ["km/h", 1.0],
        "small_area": ["m2", 1.0],
        "large_area": ["ha", 1e-4],
        "large_from_m2": 10_000.0,
    },
    "us": {
        "length": ["ft", 1.0 / FOOT_M],
        "speed": ["mph", 1.0 / MILE_KM],
        "small_area": ["sq ft", 1.0 / FOOT_M**2],
        "large_area": ["acres", 1.0 / ACRE_M2],
        "large_from_m2": ACRE_M2,
    },
}
