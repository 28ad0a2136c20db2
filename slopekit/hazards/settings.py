"""Settings of the hazards: what counts as a drop, as water, and how far to stay from both."""

from dataclasses import dataclass
from typing import Annotated, ClassVar

from pydantic import ConfigDict, Field


@dataclass(frozen=True)
class HazardSettings:
    """A plain dataclass: the bounds act where a fleet file is loaded, not where kernels pass settings on."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    drop_grade_deg: Annotated[float, Field(strict=True, gt=0.0, lt=90.0)] = 40.0
    """Degrees. A step to a neighbouring cell this steep or steeper is part of a drop. Default 40
    (common practice, no source)."""

    drop_height_m: Annotated[float, Field(strict=True, gt=0.0, le=10.0)] = 0.9
    """Metres. Least total fall of a run of steep steps that counts as a drop. Default 0.9: the 3 ft (0.914 m) retaining
    wall of OSHA, Dangers of Roll-Overs of Riding Mowers, and a little. A wall that the survey smears counts from 95 %
    of it, since noise takes some off."""

    drop_length_m: Annotated[float, Field(strict=True, ge=0.0, le=20.0)] = 3.0
    """Metres. A drop shorter than this along its crest keeps its stand-off, but ground above it is not refused for it:
    it is a boulder, a stump or a shrub left in the survey as often as a wall. Default 3 (common practice, no source).
    """

    smear_cells: Annotated[float, Field(strict=True, ge=1.0, le=3.0)] = 3.0
    """Cells over which the survey may have smeared a wall. With less than 3, fewer low banks are taken for walls, and
    walls that are smeared wider are missed. Default 3 (made ground and real grids, see docs/detection.md; no published
    rate)."""

    flat_area_m2: Annotated[float, Field(strict=True, gt=0.0, le=100000.0)] = 100.0
    """Square metres. Connected cells of equal elevation over this area are taken for water. Default 100 (common
    practice, no source)."""

    stand_off_m: Annotated[float, Field(strict=True, ge=0.0, le=100.0)] = 1.524
    """Metres. Within this distance of water or of the top of a drop no operator may sit or stand on a machine.
    Default 1.524 (5 ft, OSHA, Dangers of Roll-Overs of Riding Mowers)."""
