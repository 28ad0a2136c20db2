"""A job as the JSON that its result keeps, and back, so that the same can be asked again.

Paths stand as they were given, and `from` tells where relative ones begin, seen from the folder of the result. Of an
address no user, query or password is kept. What was held in memory is told, and cannot be had back. Settings that
change no answer are left out.
"""

import contextlib
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import fields
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slopekit.errors import InputError
from slopekit.paths import HELD
from slopekit.schema.inputs import LAYER_INPUTS
from slopekit.screening.job import Inventory, Job, Sources
from slopekit.sources.files import is_virtual, without_keys
from slopekit.sources.frames import Frame

if TYPE_CHECKING:
    from slopekit.fleet.model import Fleet

JOB = "job"
"""What the notes call it, among the inputs."""
VERSION = 1
_AGAIN = "so screen the parcels again"

Find = Callable[[str, str, str | None], str]
"""From role, name and `from` to the name under which an input is found now."""


def job_to_json(job: Sources, asked: str) -> str:
    """asked: the command, screen, portfolio or landforms."""
    told: dict[str, Any] = {"job": asked, "version": VERSION}
    told["elevation"] = [_kept(name) for name in job.elevation]
    for field in fields(job):
        value = getattr(job, field.name)
        if field.name in _INPUTS and value is not None:
            told[field.name] = _kept(value)
        elif field.name in _SETTINGS and value != field.default:
            told[field.name] = value.isoformat()[:10] if isinstance(value, date) else value
    told["layers"] = {name: _kept(one) for name, one in job.layers.items()}
    return _dumped(told)


def from_here(text: str, result: Path) -> str:
    """The JSON of a job of this folder, for a result that is written to a path."""
    told = json.loads(text)
    given = [*told["elevation"], *told["layers"].values(), *(told.get(name) for name in _INPUTS)]
    if any(isinstance(name, str) and not is_virtual(name) and not os.path.isabs(name) for name in given):
        with contextlib.suppress(ValueError):  # another drive
            told["from"] = Path(os.path.relpath(os.getcwd(), os.path.dirname(os.path.abspath(result)))).as_posix()
    return _dumped(told)


def without_job(run_notes: Any) -> Any:
    """The notes for files that are handed on: the job names places on this machine."""
    return run_notes[(run_notes["topic"] != "inputs") | (run_notes["name"] != JOB)].reset_index(drop=True)


def job_from_json(text: str, find: Find, fleet: "Path | Mapping[str, Any] | Fleet | None" = None) -> Job | Inventory:
    """The job that a result keeps. fleet: instead of the one that it tells of.

    Raises InputError, a sentence without the name of the result, for text that this slopekit did not write, and for
    what only the session had that made the result.
    """
    try:
        told = json.loads(text)
        version, asked = told.pop("version"), told.pop("job")
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(f"what it keeps of its job is not JSON of slopekit, {_AGAIN}.") from error
    if version != VERSION:
        raise InputError(f"its job is of version {version} and this slopekit reads version {VERSION}, {_AGAIN}.")
    start = told.pop("from", None)

    def found(role: str, name: object) -> str:
        if isinstance(name, dict):
            raise InputError(
                f"it was made from {name['held']} ({role}), which it does not hold, so ask where that is at hand."
                if set(name) == {"held"}
                else f"of {name['address']} ({role}) it keeps no user, query or password, so name all inputs anew."
            )
        return find(role, _text(name), start)

    try:
        kind = _KINDS[asked]
        given = {name: read(told.pop(name)) for name, read in _SETTINGS.items() if name in told}
        layers = _object(told.pop("layers"))
        if fleet is not None:
            told.pop("fleet", None)
        elif "fleet" in told:
            fleet = Path(found("fleet", told.pop("fleet")))
        elevation = [found("elevation", name) for name in told.pop("elevation")]
        given |= {name: found(name, told.pop(name)) for name in _INPUTS if name in told}
        if told or not elevation or not set(layers) <= set(LAYER_INPUTS):
            raise ValueError(", ".join([*told, *layers]))
        return kind(
            elevation=elevation, fleet=fleet, layers={name: found(name, one) for name, one in layers.items()}, **given
        )
    except (KeyError, ValueError, TypeError, AttributeError) as error:
        raise InputError(f"what it keeps of its job cannot be read ({error}), {_AGAIN}.") from error


def _dumped(told: dict[str, Any]) -> str:
    # In ASCII, so that the name of any file fits; a number of numpy is one of Python.
    return json.dumps(told, default=lambda number: number.item())


def _kept(given: Any) -> str | dict[str, str]:
    if not isinstance(given, str | Path):
        return {"held": "a table in memory" if isinstance(given, Frame) else "values in memory"}
    name = str(given)
    if HELD in name:
        return {"held": "an array in memory"}
    kept = without_keys(name)
    return name if kept == name else {"address": kept}


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{value!r} is no text")
    return value


def _number(value: Any) -> float:
    if type(value) not in (int, float):
        raise ValueError(f"{value!r} is no number")
    return float(value)


def _whole(value: Any) -> int:
    if type(value) is not int:
        raise ValueError(f"{value!r} is no whole number")
    return value


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"{value!r} is neither true nor false")
    return value


def _object(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ValueError(f"{value!r} is no object")
    return value


_KINDS: dict[str, type[Job] | type[Inventory]] = {"screen": Job, "portfolio": Job, "landforms": Inventory}
_INPUTS = ("parcels", "area", "fleet", "corrections", "points")
"""Beside the elevation and the layers."""
_SETTINGS: dict[str, Callable[[Any], Any]] = {
    "id_column": _text,
    "survey_date": date.fromisoformat,
    "surface": _text,
    "z_unit": _text,
    "z_rmse": _number,
    "cell": _number,
    "prescreen": _flag,
    "landforms": _flag,
    "realisations": _whole,
    "seed": _whole,
}
