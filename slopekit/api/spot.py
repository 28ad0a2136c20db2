"""One spot in words."""

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Unpack

from slopekit.api.given import Elevations, Features, Fleets, Known, Name, features, id_of, is_name, job_from
from slopekit.api.guard import Guard
from slopekit.api.inputs import check_inputs, open_job, read_layers
from slopekit.api.recorded import changed_since, inputs_now, job_of
from slopekit.api.result import Result
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import check_ending, put
from slopekit.errors import InputError
from slopekit.explain.records import spot_tables
from slopekit.explain.why import Explanation
from slopekit.explain.why import why as explain
from slopekit.fleet.model import Fleet
from slopekit.labour.bid import IF_THERE, other_permits
from slopekit.screening.job import Sources
from slopekit.sources.frames import Frame
from slopekit.sources.parcels import read_parcels
from slopekit.sources.results import is_result, read_result


@speaks_python
def why(
    elevation: "Elevations | Result",
    x: float,
    y: float,
    fleet: Fleets | None = None,
    *,
    crs: str | None = None,
    parcels: Features | None = None,
    id_column: str | None = None,
    **known: Unpack[Known],
) -> Explanation:
    """Every rule at one spot, with its numbers: print it, or take `facts()`.

    elevation, fleet, known: as in `screen`. Or a `Result`, or the file of one, in place of the elevation: it names all
    else that it was made from, and a file needs the fleet where it was made with one that is no file. x, y: east and
    north, or longitude and latitude, in `crs`, by default that of the elevation's grid. parcels: those of the
    screening; hazards are looked for round the one that holds the spot, without it round the spot alone. Needed with
    entrances. Raises InputError for a spot without heights, an unknown CRS, an input of a result that has gone or
    changed since, other limits than those of its screening, and as `screen`.

    >>> import slopekit as sk
    >>> data = sk.demo_data()
    >>> spot = sk.why(data / "office_park.tif", 400310.5, 6200310.5, data / "fleet.toml")
    >>> spot.spot.parcel is None
    True
    """
    said = {"parcels": parcels, "id_column": id_column, **known}
    more = [name for name, value in said.items() if value is not None and value is not False]
    if isinstance(elevation, Result):
        _refuse_more("the result", more if fleet is None else ["fleet", *more])
        return elevation.why(x, y, crs)
    if is_name(elevation) and is_result(elevation):
        return explain_result(elevation, (x, y), crs, fleet, more)
    if fleet is None:
        raise InputError("fleet: the machines are not given, so give fleet as a path, a dict or a Fleet.")
    job = job_from(Sources, elevation, fleet, known)
    machines, _ = check_inputs(job)
    places = None if parcels is None else features("parcels", parcels)
    return explain_job(job, machines, (x, y), crs, places, None if parcels is None else id_of(parcels, id_column))


def explain_job(
    job: Sources,
    fleet: Fleet,
    at: tuple[float, float],
    crs: str | None,
    parcels: str | Frame | None,
    id_column: str | None,
) -> Explanation:
    """Read what the job names, and explain the spot `at` (see `why`)."""
    with open_job(job) as elevation:
        grid = elevation.survey.grid
        places = () if parcels is None else read_parcels(parcels, id_column, grid.crs)
        return explain(elevation, *at, fleet, read_layers(job, elevation.survey), crs, places)


def explain_result(
    result: Name, at: tuple[float, float], crs: str | None, fleet: Fleets | None, more: Iterable[str] = ()
) -> Explanation:
    """Explain the spot `at` from the file of a screening and what it names (see `why`).

    more: arguments or options that were given beside it, which is refused.
    """
    here = os.fspath(result)
    _refuse_more(here, more)
    tables = read_result(here, (), IF_THERE)
    notes = tables["run_notes"]
    if "sources" in tables:
        raise InputError(
            f"{here}: a portfolio takes each parcel's heights from another survey, so name the elevation of this one, "
            "as its layer 'sources' tells, and all else that was given."
        )
    job = job_of(here, notes, fleet)
    if job.fleet is None:
        raise InputError(f"{here}: the file does not hold the machines, so give --fleet too.")
    try:
        machines, _ = check_inputs(job)
        with open_job(job) as elevation:
            changed = changed_since(notes, inputs_now(job, elevation.survey))
    except InputError as error:
        raise InputError(f"{here}: what it was made from cannot be read again: {error}") from error
    differs = other_permits(notes, machines)
    if differs:
        raise InputError(f"{here}: the fleet has other limits than the screening ({differs}), so give its own --fleet.")
    if changed:
        raise InputError(
            f"{here}: the {changed} it was made from has changed since, so screen the parcels again first."
        )
    return explain_job(job, machines, at, crs, job.parcels, job.id_column)


def check_layers(out: Path, read: Iterable[str], overwrite: bool) -> None:
    """Raise, before the work, what `write_layers` raises."""
    check_ending(out, (".gpkg",), "the layers of an answer are written")
    Guard([out], read, overwrite)


def write_layers(found: Explanation, out: Path, read: Iterable[str], overwrite: bool, units: str) -> None:
    """Write the answer as layers: the spot, the path to each thing that a machine must not get to, and their profiles.

    out: .gpkg, in the CRS of the elevation's grid. read: what the answer was made from. Raises InputError for another
    ending and for a file that may not be replaced, OutputError for a place that cannot take it.
    """
    check_layers(out, read, overwrite)
    put(out, spot_tables(found, units), (), read, overwrite)


def _refuse_more(here: str, more: Iterable[str]) -> None:
    listed = ", ".join(more)
    if listed:
        raise InputError(f"{here}: a result names what it was made from, so leave out {listed}.")


__all__ = ["Explanation", "check_layers", "explain_job", "explain_result", "why", "write_layers"]
