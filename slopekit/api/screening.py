"""Screen parcels: from a job to its result."""

import logging
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, Unpack

from slopekit.api.given import Elevations, Features, Fleets, Known, features, id_of, job_from, whole
from slopekit.api.guard import Guard, make_folder
from slopekit.api.inputs import check_inputs, inputs_of, open_job, read_layers
from slopekit.api.result import Result
from slopekit.api.spoken import speaks_python
from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.outputs.manifest import take_away
from slopekit.outputs.rasters import band_paths
from slopekit.screening import batch
from slopekit.screening.job import Job
from slopekit.screening.job_json import JOB, job_to_json
from slopekit.screening.realisations import Draws
from slopekit.sources.parcels import read_parcels

log = logging.getLogger("slopekit")


class Screening(Known, total=False):
    """What may be asked of a screening."""

    id_column: str | None
    """Column of the parcels' ids; without it the index of a table where it has a name, else numbers from 1."""
    landforms: bool
    """Also list basins and berms."""
    realisations: int | None
    """Draw the survey's error so often, 1 to 1000, and tell how often each zone is above a hazard."""
    seed: int
    """Start of the draws."""
    workers: int | None
    """Processes; by default one a core."""
    progress: Callable[[int, int], None] | None
    """Called with the parcels done and in all."""


_OWN = ("id_column", "landforms", "realisations", "seed", "workers", "progress")


@speaks_python
def screen(elevation: "Elevations | None", parcels: Features, fleet: Fleets, **known: Unpack[Screening]) -> Result:
    """Divide parcels into zones by the machines that no rule refuses there, with the reason for each refusal.

    elevation: bare ground: a path, or a list of them, as `slopekit screen` takes it; an open rasterio dataset; a
    `Raster`; a DataArray with CRS and coordinates (extra `xarray`). What is no file is kept on the disk as one while
    the result lives. None: that of `points`. parcels: polygons in any CRS, as a path or a GeoDataFrame. fleet: your
    machines and limits, as a path, a dict with the keys of the file, or a `Fleet`. known: see `Screening`, `Known` and
    `Reading`; lengths are metres. A limit that is not given refuses, and so does ground that is not known.

    Raises InputError, one sentence that names the input, the value and the fix; then nothing was made. Nothing here
    says that ground can be worked without danger: read `Result.cautions`.

    >>> import slopekit as sk
    >>> data = sk.demo_data()
    >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", id_column="parcel_id",
    ...                    water=data / "water.gpkg", z_rmse_m=0.05, workers=1)
    >>> sorted(set(result.zones.parcel_id))
    ['basin', 'level-lawns', 'pond-lawns', 'terrace']
    """
    own: dict[str, Any] = {name: known.get(name) for name in _OWN}
    whole("realisations", own["realisations"], 1, 1000)
    whole("seed", own["seed"], 0)
    whole("workers", own["workers"], 1)
    job = job_from(
        Job,
        elevation,
        fleet,
        {name: value for name, value in known.items() if name not in own},
        parcels=features("parcels", parcels),
        id_column=id_of(parcels, own["id_column"]),
        landforms=bool(own["landforms"]),
        realisations=own["realisations"],
        seed=own["seed"] or 0,
        workers=own["workers"],
    )
    machines, read = check_inputs(job)
    return screen_job(job, machines, Guard((), read), own["progress"])


def screen_job(job: Job, fleet: Fleet, guard: Guard, progress: Callable[[int, int], None] | None = None) -> Result:
    """Read parcels and layers, and screen every parcel.

    guard: of the job's files; it learns of the rasters, and is asked again when all is done.
    """
    with open_job(job) as elevation:
        parcels = read_parcels(job.parcels, job.id_column, elevation.survey.grid.crs)
        layers = read_layers(job, elevation.survey)
        bands: list[Path] = []
        if job.rasters is not None:
            make_folder(job.rasters)
            bands = band_paths(job.rasters, [parcel.id for parcel in parcels])
            guard.add(bands)
        count = len(parcels)
        file = os.path.basename(str(job.parcels))
        log.info("Screening %d parcel%s of %s.", count, "" if count == 1 else "s", file)
        tables = batch.screen(
            elevation,
            parcels,
            fleet,
            layers,
            workers=job.workers,
            rasters=job.rasters,
            landforms=job.landforms,
            draws=None if job.realisations is None else Draws(job.realisations, job.seed),
            inputs={**inputs_of(job), JOB: job_to_json(job, "screen")},
            progress=progress,
        )
    try:
        guard.again()
    except InputError:
        # These were put in place one by one, and are as wrong as the rest would be.
        take_away(bands)
        raise
    return Result(tables, job, fleet, tuple(guard.inputs), tuple(parcels), layers, elevation.survey)
