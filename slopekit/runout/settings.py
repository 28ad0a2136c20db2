"""Settings of the run-out: what stops a machine that breaks loose, and how far it is followed.

No default here has a source: they are common practice, set with care.
"""

from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field


@dataclass(frozen=True)
class RunoutSettings:
    """A plain dataclass: the bounds act where a fleet file is loaded, not where kernels pass settings on."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    landing_length_m: Annotated[float, Field(strict=True, gt=0.0, le=1000.0)] = 6.0
    """Metres. Length of consecutive gentle ground that a path must cross to count as stopped. Default 6."""

    landing_slope_deg: Annotated[float, Field(strict=True, ge=0.0, le=45.0)] = 5.0
    """Degrees. Ground no steeper than this is gentle enough to stop on. Default 5."""

    max_run_m: Annotated[float, Field(strict=True, gt=0.0, le=10000.0)] = 150.0
    """Metres. A hazard farther along the path than this is reported as unknown. Default 150."""

    hazard_share: Annotated[float, Field(strict=True, ge=0.0, lt=1.0)] = 0.05
    """Part of the flow, 0 to 1. Ground is above a hazard when more than this ends in one. Default 0.05."""

    ways_down: Literal["fan", "shares"] = "fan"
    """What refuses ground above a hazard beside the shares of the steepest way. "fan": any path down within `fan_deg`
    of it. "shares": nothing. Default fan, the more careful."""

    fan_deg: Annotated[float, Field(strict=True, ge=0.0, le=67.5)] = 45.0
    """Degrees. How far a machine may stray from the steepest way to either side at every step. Default 45."""

    floor_depth_m: Annotated[float, Field(strict=True, ge=0.0, le=10.0)] = 0.5
    """Metres. Connected cells within this height of a deep hollow's lowest cell are its floor. Default 0.5."""
