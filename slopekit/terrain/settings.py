"""Settings of the ground: how slope is measured, and which hollows are noise.

A default beside which no source stands is common practice, no source.
"""

from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field

GradientName = Literal["horn", "zevenbergen-thorne"]


@dataclass(frozen=True)
class TerrainSettings:
    """A plain dataclass: the bounds act where a fleet file is loaded, not where kernels pass settings on."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    machine_scale_m: Annotated[float, Field(strict=True, ge=0.0, le=5.0)] = 0.75
    """Metres. Standard deviation of the Gaussian that smooths the ground before a limit is compared. Default 0.75;
    0 compares the local slope alone."""

    noise_allowance_deg: Annotated[float, Field(strict=True, ge=0.0, le=10.0)] = 2.5
    """Degrees. The most by which the compared slope may lie below the local slope. Default 2.5; 0 is the strict
    setting."""

    gradient: GradientName = "horn"
    """Formula for the gradient: Horn (1981) or Zevenbergen and Thorne (1987). Default Horn."""

    marginal_z: Annotated[float, Field(strict=True, ge=0.0, le=5.0)] = 1.645
    """Standard errors of the slope within which ground counts as too near a limit to call. Default 1.645, one-sided
    95 % of the normal distribution (arithmetic)."""

    error_correlation_m: Annotated[float, Field(strict=True, ge=0.0, le=20.0)] = 1.5
    """Metres. Distance d over which the survey's vertical errors correlate by exp(-(d / this)^2). Default 1.5: on cells
    of 1 m within 1 % of the distance that tilts them most. 0: errors are independent. A long one tilts little, so it
    must not be typed to make doubt go away."""

    shallow_depth_m: Annotated[float, Field(strict=True, ge=0.0, le=5.0)] = 0.3
    """Metres. A hollow no deeper than this up to its spill level is noise: it has no floor, and is filled for the
    wetness index. Default 0.3."""

    shallow_area_m2: Annotated[float, Field(strict=True, ge=0.0, le=1000.0)] = 25.0
    """Square metres. The same for a hollow no larger than this. Default 25."""

    max_margin_m: Annotated[float, Field(strict=True, gt=0.0, le=20000.0)] = 2000.0
    """Metres. How far round a parcel ground may decide whether a hollow is closed: past it water drains. More is read
    than the look only where it changes a refusal. Default 2000."""
