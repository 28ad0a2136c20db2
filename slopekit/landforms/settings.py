"""Settings of the landforms: which hollows are basins."""

from dataclasses import dataclass
from typing import Annotated, ClassVar

from pydantic import ConfigDict, Field


@dataclass(frozen=True)
class LandformSettings:
    """A plain dataclass: the bounds act where a fleet file is loaded, not where kernels pass settings on."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    basin_depth_m: Annotated[float, Field(strict=True, gt=0.0, le=100.0)] = 0.3
    """Metres. Least depth below the spill level of a hollow that is reported as a basin. Default 0.3."""

    basin_area_m2: Annotated[float, Field(strict=True, gt=0.0, le=1000000.0)] = 50.0
    """Square metres. Least area at the spill level of a hollow that is reported as a basin. Default 50."""
