"""Settings of the run-out: what stops a machine that is out of control, and how far round a parcel one looks.

No default here has a source: they are common practice, set with care.
"""

from dataclasses import dataclass
from typing import Annotated, ClassVar

from pydantic import ConfigDict, Field

USUAL_SPEED_KMH = 10.0
"""Working speed of a machine whose fleet file gives none (common practice, no source)."""


@dataclass(frozen=True)
class RunoutSettings:
    """A plain dataclass: the bounds act where a fleet file is loaded, not where kernels pass settings on."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    rolling: Annotated[float, Field(strict=True, gt=0.0, le=1.0)] = 0.0875
    """Loss of height by length of a machine that rolls unbraked. Default 0.0875, tan 5 degrees rounded (common
    practice, no source). Tyres on firm soil come down to 0.05 (ASAE/ASABE D497)."""

    rolls_from_deg: Annotated[float, Field(strict=True, ge=2.0, le=45.0)] = 5.0
    """Degrees. On ground steeper than this nothing is assumed to brake but rolling; from 2 degrees below it the tyres
    hold. Default 5 (common practice, no source)."""

    still_head_m: Annotated[float, Field(strict=True, ge=0.0, le=1.0)] = 0.05
    """Metres of head that count as a standstill: 3.6 km/h, and the noise of a survey. Default 0.05 (common practice, no
    source)."""

    look_m: Annotated[float, Field(strict=True, ge=30.0, le=2000.0)] = 150.0
    """Metres round a parcel within which hazards are looked for. Paths that leave it refuse. Default 150 (common
    practice, no source)."""

    floor_depth_m: Annotated[float, Field(strict=True, ge=0.0, le=10.0)] = 0.5
    """Metres. Connected cells within this height of a deep hollow's lowest cell are its floor. Default 0.5 (common
    practice, no source)."""
