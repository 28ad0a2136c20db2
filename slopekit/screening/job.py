"""What is asked for: every input and setting of one piece of work, as one frozen value."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from slopekit.fleet.model import Fleet
    from slopekit.sources.frames import Frame


@dataclass(frozen=True, kw_only=True)
class Sources:
    """What the ground and the rules are read from."""

    elevation: Sequence[str]
    fleet: "Path | Mapping[str, Any] | Fleet | None"
    """None where blank limits and the default settings will do."""
    layers: "Mapping[str, str | Frame]"
    """Files or tables by the names of LAYER_INPUTS; a layer that is not there was not given."""
    corrections: "str | Frame | None" = None
    survey_date: date | None = None
    surface: str | None = None
    z_unit: str | None = None
    z_rmse: float | None = None
    cell: float | None = None
    prescreen: bool = False
    points: str | None = None
    """Folder of `slopekit points`: what the survey's points show beside the elevation."""
    held: object = None
    """Keeps what was given in memory on the disk for as long as the job is there."""


@dataclass(frozen=True, kw_only=True)
class Job(Sources):
    """Every input of a run over parcels."""

    parcels: "str | Frame"
    landforms: bool = False
    id_column: str | None = None
    workers: int | None = None
    rasters: Path | None = None
    realisations: int | None = None
    seed: int = 0


@dataclass(frozen=True, kw_only=True)
class Inventory(Sources):
    """Every input of an inventory of landforms."""

    area: "str | Frame | None" = None
    id_column: str | None = None
    workers: int | None = None


def named(job: Sources) -> "dict[str, str | Frame]":
    """The features that a job reads, by role."""
    parcels: dict[str, str | Frame] = {"parcels": job.parcels} if isinstance(job, Job) else {}
    if isinstance(job, Inventory) and job.area is not None:
        parcels = {"area": job.area}
    said: dict[str, str | Frame] = {} if job.corrections is None else {"corrections": job.corrections}
    return {**parcels, **job.layers, **said}
