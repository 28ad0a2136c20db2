"""Settings that the company types into the fleet file and that the layers above the fleet read.

All defaults here are common practice, no source; `AUTO_ZONE_M2` was tried on real ground besides.
"""

from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field

AUTO_ZONE_M2 = 50.0, 0.04, 400.0
"""Least zone under "auto" (m2), its part of the parcel, and the most that it grows to. Chosen on real ground: the least
area that leaves at most 6 zones a hectare on steep and 4 on gentle ground, on every parcel of 1 ha or more that was
tried."""


@dataclass(frozen=True)
class ZoneSettings:
    """A plain dataclass: the bounds act where a fleet file is loaded."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    min_zone_m2: Annotated[float, Field(strict=True, ge=0.0, le=100000.0)] | Literal["auto"] = 50.0
    """Square metres. A smaller patch joins a neighbour that permits nothing it forbids. Default 50; "auto"
    goes by the size of the parcel alone, so that zones are few."""

    split_by: Literal["class", "machines"] = "class"
    """What keeps zones apart: the machine class, or the whole set of permitted machines. Default class."""

    def least_m2(self, parcel_m2: float) -> float:
        """Least area (m2) of a zone of a parcel of that area (m2)."""
        if self.min_zone_m2 != "auto":
            return float(self.min_zone_m2)
        least, part, most = AUTO_ZONE_M2
        return min(most, max(least, part * parcel_m2))


@dataclass(frozen=True)
class SoftGroundSettings:
    """A plain dataclass: the bounds act where a fleet file is loaded."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    pressure_limit_kpa: Annotated[float | None, Field(strict=True, gt=0.0, le=1000.0)] = None
    """Kilopascal. A machine that presses harder is refused on soft ground. Default not given: every machine is."""

    wetness_from: Annotated[float | None, Field(strict=True, ge=0.0, le=30.0)] = None
    """Topographic wetness index from which ground counts as soft, no unit. Default not given: it is not asked for."""

    wetness_length_m: Annotated[float, Field(strict=True, gt=0.0, le=1000.0)] = 100.0
    """Metres. How far uphill ground counts for the index. Default 100."""


@dataclass(frozen=True)
class SurveySettings:
    """A plain dataclass: the bounds act where a fleet file is loaded."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    max_age_years: Annotated[float | None, Field(strict=True, gt=0.0, le=200.0)] = None
    """Years. An older survey brings a warning on every output. Default not given: no age is judged."""


@dataclass(frozen=True)
class RouteSettings:
    """A plain dataclass: the bounds act where a fleet file is loaded."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    entrance_reach_m: Annotated[float, Field(strict=True, ge=0.0, le=50.0)] = 5.0
    """Metres. An entrance this near to a parcel, or nearer, leads into it. Default 5."""

    slope_cost: Annotated[float, Field(strict=True, ge=0.0, le=100.0)] = 2.0
    """No unit. A route over ground of grade g counts 1 + slope_cost x g times its length. It only chooses: 2."""

    level_deg: Annotated[float, Field(strict=True, ge=0.0, le=5.0)] = 2.0
    """Degrees. Ground no steeper than this counts as level: driven over at will, and without a foot. Default 2."""
