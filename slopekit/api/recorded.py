"""The job that the file of a result keeps, ready to be done again, and whether its inputs are still what they were."""

import os
from collections.abc import Mapping
from pathlib import Path, PureWindowsPath
from typing import Any

from slopekit.api.given import Fleets, Name
from slopekit.api.given import fleet as fleet_given
from slopekit.api.inputs import file_of, fingerprints, inputs_of
from slopekit.api.screened import Screened
from slopekit.errors import InputError
from slopekit.screening.job import Job, Sources
from slopekit.screening.job_json import JOB, job_from_json
from slopekit.screening.notes import elevation_note
from slopekit.sources.elevation import Survey
from slopekit.sources.files import is_virtual
from slopekit.sources.frames import Frame
from slopekit.sources.results import read_result

_OWN = (JOB, "fleet", "fleet settings", "slopekit", "remote sources")
"""Inputs in the notes that may differ between two screenings of the same ground."""


def job_of(result: Name, run_notes: Any = None, fleet: Fleets | None = None) -> Job:
    """The job of the file of a screening or of a portfolio, its inputs under the names by which they are found now.

    An input is looked for where it was, seen from the result; then as it was named, from the working directory; then
    beside the result. run_notes: those of the file, read when not given. fleet: instead of the one that it tells of.
    Raises InputError for an input that is in none of these places, and for one that only the session had that made the
    result.
    """
    here = str(result)
    notes = read_result(here, ())["run_notes"] if run_notes is None else run_notes
    said = notes.loc[(notes["topic"] == "inputs") & (notes["name"] == JOB), "value"]
    if said.empty:
        raise InputError(f"{here}: the result does not say how it was made, so make it with 'slopekit screen'.")
    given = None if fleet is None else fleet_given(fleet)
    try:
        job = job_from_json(str(said.iloc[0]), lambda role, name, start: _found(here, role, name, start), given)
    except InputError as error:
        raise InputError(f"{here}: {error}") from error
    if not isinstance(job, Job):
        raise InputError(f"{here}: this is no screening of parcels, so name the result of one.")
    return job


def corrections_of(result: Name | Screened, run_notes: Any) -> str | Frame | None:
    """The corrections that a result was made with, as they are found now; None where there were none.

    run_notes: those of the result. Raises InputError where they are gone, or not what they were.
    """
    rows = run_notes[run_notes["topic"] == "inputs"]
    told = dict(zip(rows["name"], rows["value"], strict=True))
    if "corrections" not in told:
        return None
    if isinstance(result, Screened):
        here, source = "the result", result.job.corrections
    else:
        here = str(result)

        def find(role: str, name: str, start: str | None) -> str:
            return _found(here, role, name, start) if role == "corrections" else name

        try:
            source = job_from_json(str(told[JOB]), find, {}).corrections
        except InputError as error:
            raise InputError(f"{here}: {error}") from error
    if source is None or fingerprints({"corrections": source})["corrections"] != told["corrections"]:
        raise InputError(
            f"{here}: the corrections it was made with ({told['corrections']}) have changed since, so screen the "
            "parcels again first."
        )
    return source


def _found(result: str, role: str, name: str, start: str | None) -> str:
    """Raises InputError, without the name of the result."""
    if is_virtual(name):
        return name
    folder, (file, mark, layer) = Path(result).parent, name.partition("|layername=")
    # Made on Windows, it may have \ between folders.
    beside = folder / PureWindowsPath(file).name
    places = [*([] if start is None else [folder / start / file]), Path(file), folder / file, beside]
    for place in places:
        if os.path.exists(place):
            return f"{place}{mark}{layer}"
    fix = ", or give another --fleet" if role == "fleet" else ""
    raise InputError(
        f"{file_of(name)} ({role}), which it was made from, is neither where it was nor beside the result, so put it "
        f"there{fix}."
    )


def changed_since(run_notes: Any, now: Mapping[str, str]) -> str:
    """The first input by whose change a result has grown old; '' where all are what they were.

    now: name and fingerprint of the inputs by role.
    """
    rows = run_notes[(run_notes["topic"] == "inputs") & ~run_notes["name"].isin(_OWN)]
    changed = dict(zip(rows["name"], rows["value"], strict=True)).items() - now.items()
    return min(changed)[0] if changed else ""


def inputs_now(job: Sources, survey: Survey) -> dict[str, str]:
    """Name and fingerprint of all that a job reads, by role, as the notes have them."""
    return {**inputs_of(job), "elevation": elevation_note(survey)}
