"""From a job to what it reads: checked, opened, read, and named in the notes."""

import os
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from slopekit.errors import InputError
from slopekit.fleet.load import blank_fleet, load_fleet
from slopekit.fleet.model import Fleet
from slopekit.paths import refuse_special
from slopekit.schema.inputs import CELL, LAYER_INPUTS
from slopekit.screening.job import Sources, named
from slopekit.sources.behind import rasters_behind, vectors_behind
from slopekit.sources.checksum import checksum, local_file
from slopekit.sources.corrections import read_corrections, with_corrections
from slopekit.sources.elevation import Elevation, Survey, open_elevation
from slopekit.sources.files import is_virtual, named_parts, rasters_of, short_name
from slopekit.sources.frames import Frame
from slopekit.sources.layers import Layers, read_layer
from slopekit.sources.point_results import files_of_points, with_points
from slopekit.sources.raster import session
from slopekit.sources.remote import check_local, local_rasters, remote_notes


def check_inputs(job: Sources) -> tuple[Fleet, list[str]]:
    """The fleet, and the names of all that the job reads on this machine, in archives too.

    Raises InputError for what would fail later."""
    if job.survey_date is not None and job.survey_date > date.today():
        raise InputError(f"The survey date {job.survey_date} lies in the future, so correct --survey-date.")
    fleet = fleet_of(job.fleet)
    points = [] if job.points is None else files_of_points(job.points)
    rasters = local_rasters(job.elevation)
    for option, name in files(named(job)).items():
        file = file_of(name)
        refuse_special(file)
        check_local([file])
        if not is_virtual(file) and not os.path.exists(file):
            raise InputError(f"{file}: there is no such file, so check the path after --{option}.")
    with session():
        behind = rasters_behind(rasters)
    read = [*job.elevation, *behind, *points, *files_beside_elevation(job)]
    return fleet, [file for file in read if os.path.exists(file) or local_file(file) is not None]


def fleet_of(given: "Path | Mapping[str, Any] | Fleet | None") -> Fleet:
    """The fleet of a file, a dict or a model. Raises InputError as `load_fleet`."""
    if given is None:
        return blank_fleet()
    return given if isinstance(given, Fleet) else load_fleet(given)


def files(features: Mapping[str, str | Frame]) -> dict[str, str]:
    """Those that are files, by role."""
    return {role: name for role, name in features.items() if isinstance(name, str)}


def files_beside_elevation(job: Sources) -> list[str]:
    """Every file that the job reads but the elevation."""
    own = [str(job.fleet)] if isinstance(job.fleet, Path) else []
    return [*vectors_behind(map(file_of, files(named(job)).values())), *own]


def file_of(name: str) -> str:
    """The file of a name such as 'site.gpkg|layername=parcels'."""
    return named_parts(name)[0]


def open_job(job: Sources) -> Elevation:
    """The elevation of a job, open for reading."""
    return open_elevation(
        job.elevation,
        z_unit=job.z_unit,
        z_rmse_m=job.z_rmse,
        cell_m=job.cell,
        survey_date=job.survey_date,
        surface=job.surface,
        prescreen=job.prescreen,
    )


def read_layers(job: Sources, survey: Survey) -> Layers:
    """The layers of a job in the survey's CRS, with what its corrections add."""
    grid = survey.grid
    read: dict[str, Any] = {}
    for name, source in job.layers.items():
        row = LAYER_INPUTS[name]
        read[name] = read_layer(
            source,
            grid.crs,
            metres_per_unit=grid.metres_per_unit,
            geometry=row.geometry,
            column=row.text_column,
            coarse=CELL in row.columns,
        )
    layers = Layers(**read)
    if job.points is not None:
        layers = with_points(layers, job.points, grid)
    if job.corrections is None:
        return layers
    said = read_corrections(job.corrections, grid.crs, metres_per_unit=grid.metres_per_unit)
    return with_corrections(layers, said, survey.checksum)


def inputs_of(job: Sources) -> dict[str, str]:
    """Name and fingerprint of all that is read but the elevation, which the survey describes itself, and what is
    remote."""
    features = named(job)
    given: dict[str, Any] = features if job.fleet is None else {**features, "fleet": job.fleet}
    if job.points is not None:
        given |= {f"points {os.path.basename(file)}": file for file in files_of_points(job.points)}
    return fingerprints(given) | remote_notes([*job.elevation, *rasters_of(job.elevation), *files(features).values()])


def fingerprints(given: Mapping[str, Any]) -> dict[str, str]:
    """Name and fingerprint of files and tables by role; of a dict or a model, whose values stand in the notes, that."""
    out = {}
    for role, one in given.items():
        if isinstance(one, str | Path):
            out[role] = f"{short_name(str(one))} ({checksum(vectors_behind([file_of(str(one))]))})"
        elif isinstance(one, Frame):
            out[role] = f"a table ({one.checksum()})"
        else:
            out[role] = "values, no file"
    return out
