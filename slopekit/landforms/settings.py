"""Settings of the landforms: which hollows are basins, which raised forms are berms, what is a channel.

All defaults here are common practice, no source.
"""

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

    stage_levels: Annotated[int, Field(strict=True, ge=10, le=200)] = 10
    """Levels of a basin's stage-storage table above the lowest point, evenly spaced up to the spill level. Default
    10."""

    approach_percent: Annotated[float, Field(strict=True, gt=0.0, le=100.0)] = 25.0
    """Percent. Ground no steeper than this can be driven on into a basin, as `approach_m` counts it: a figure for the
    inventory, no limit of any machine. Default 25, which is 4:1."""

    berm_height_m: Annotated[float, Field(strict=True, ge=0.1, le=20.0)] = 0.5
    """Metres. Least height above both sides of a raised form that is reported as a berm. Default 0.5."""

    berm_width_m: Annotated[float, Field(strict=True, ge=5.0, le=200.0)] = 50.0
    """Metres. Greatest width between the toes of a berm; what is wider is a hill. Default 50."""

    berm_elongation: Annotated[float, Field(strict=True, ge=1.0, le=100.0)] = 3.0
    """Least length of a berm in widths between its toes. Default 3."""

    channel_depth_m: Annotated[float, Field(strict=True, ge=0.2, le=5.0)] = 0.4
    """Metres. Least depth below the ground on both sides of a line of low ground that is a channel. Default 0.4."""

    channel_width_m: Annotated[float, Field(strict=True, ge=2.0, le=20.0)] = 8.0
    """Metres. Greatest width of a channel between its sides. Default 8."""

    channel_length_m: Annotated[float, Field(strict=True, ge=5.0, le=50.0)] = 20.0
    """Metres. Least length of a channel from end to end. Default 20."""
