"""What is asked for: every input and setting of one piece of work, as one frozen value."""

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from slopekit.fleet.model import Fleet
    from slopekit.sources.frames import Frame

# Which geometries each layer may hold, and the column that is kept.
LAYER_KINDS: dict[str, tuple[Literal["polygon", "line", "any", "entrance"], str | None]] = {
    "water": ("polygon", None),
    "walls": ("line", None),
    "hazards": ("any", "kind"),
    "dry": ("polygon", None),
    "exclude": ("polygon", None),
    "soft": ("polygon", None),
    "canopy": ("polygon", None),
    "entrances": ("entrance", None),
    "drives": ("polygon", None),
}

COMMAND = "command"
"""What the notes call the line that made a result."""

_WORDS = ("id_column", "corrections", "survey_date", "surface", "z_unit", "z_rmse", "cell", "points")


@dataclass(frozen=True, kw_only=True)
class Sources:
    """What the ground and the rules are read from."""

    elevation: Sequence[str]
    fleet: "Path | Mapping[str, Any] | Fleet | None"
    """None where blank limits and the default settings will do."""
    layers: "Mapping[str, str | Frame]"
    """Files or tables by the names of LAYER_KINDS; a layer that is not there was not given."""
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


def line_of(job: Job) -> str | None:
    """The command line of `screen` for a job, without what does not change its zones; None where something that it
    rests on is no file."""
    features = named(job)
    if (
        job.held is not None
        or not isinstance(job.fleet, Path)
        or not all(isinstance(v, str) for v in features.values())
    ):
        return None
    words = ["screen", *job.elevation, "--parcels", str(job.parcels), "--fleet", str(job.fleet)]
    for name, path in job.layers.items():
        words += [f"--{name}", str(path)]
    for name in _WORDS:
        value = getattr(job, name)
        words += [] if value is None else [f"--{name.replace('_', '-')}", str(value)]
    return shlex.join([*words, *(["--prescreen"] if job.prescreen else [])])


def job_of(line: str, fleet: "Path | Mapping[str, Any] | Fleet") -> Job:
    """The job of a line that `line_of` made, with another fleet. Raises ValueError for another line."""
    words = shlex.split(line)[1:]
    elevation: list[str] = []
    said: dict[str, str] = {}
    prescreen = False
    while words:
        word = words.pop(0)
        if word == "--prescreen":
            prescreen = True
        elif word.startswith("--") and words:
            said[word[2:].replace("-", "_")] = words.pop(0)
        else:
            elevation.append(word)
    said.pop("fleet", None)
    layers: dict[str, str | Frame] = {name: said.pop(name) for name in LAYER_KINDS if name in said}
    unknown = set(said) - {"parcels", *_WORDS}
    if unknown or "parcels" not in said or not elevation:
        raise ValueError(f"not a line of 'slopekit screen': {line}")
    day, rmse, cell = said.get("survey_date"), said.get("z_rmse"), said.get("cell")
    return Job(
        elevation=elevation,
        parcels=said["parcels"],
        fleet=fleet,
        layers=layers,
        corrections=said.get("corrections"),
        survey_date=None if day is None else date.fromisoformat(day),
        surface=said.get("surface"),
        z_unit=said.get("z_unit"),
        z_rmse=None if rmse is None else float(rmse),
        cell=None if cell is None else float(cell),
        prescreen=prescreen,
        points=said.get("points"),
        id_column=said.get("id_column"),
    )
