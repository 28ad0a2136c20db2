"""The units that a page speaks in. Its data are metric; page.js multiplies."""

from typing import Any

# International yard and pound agreement (1959): 1 ft = 0.3048 m exactly. A mile has 5280 ft, an acre 43 560 sq ft.
_FOOT_M = 0.3048

SYSTEMS: dict[str, dict[str, Any]] = {
    "metric": {
        "length": ["m", 1.0],
        "speed": ["km/h", 1.0],
        "small_area": ["m2", 1.0],
        "large_area": ["ha", 1e-4],
        "large_from_m2": 10_000.0,
    },
    "us": {
        "length": ["ft", 1.0 / _FOOT_M],
        "speed": ["mph", 1.0 / (5.28 * _FOOT_M)],
        "small_area": ["sq ft", 1.0 / _FOOT_M**2],
        "large_area": ["acres", 1.0 / (43_560.0 * _FOOT_M**2)],
        "large_from_m2": 43_560.0 * _FOOT_M**2,
    },
}
