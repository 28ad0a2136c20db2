"""Basins, bodies of water and berms of an area."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Unpack

from slopekit.api.given import Elevations, Features, Fleets, Name, Reading, features, id_of, job_from, whole
from slopekit.api.guard import Guard
from slopekit.api.inputs import check_inputs, inputs_of, open_job, read_layers
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import Tables, check_ending, put
from slopekit.fleet.model import Fleet
from slopekit.outputs.landform_table import write_landform_table
from slopekit.screening.inventory import inventory
from slopekit.screening.job import Inventory
from slopekit.screening.job_json import JOB, job_to_json, without_job
from slopekit.sources.parcels import read_parcels


@dataclass(frozen=True, eq=False, repr=False)
class Landforms(Tables):
    """The landforms of an area. `repr` and `print` show how many, and every caution."""

    read: tuple[str, ...]
    """The files that it was made from, which it never replaces."""

    def __repr__(self) -> str:
        return "\n".join([*self.summary(), "", *self.cautions])

    def summary(self) -> list[str]:
        """Basins, bodies of water and berms in three lines, each piece of ground counted once."""
        basins, water, berms = self.layers["basins"], self.layers["water_bodies"], self.layers["berms"]
        wet = int(basins["wet"].sum())
        # A basin's volume holds that of the basins in it.
        outer = basins[~basins["inside"].isin(basins["basin"])]
        return [
            f"{len(basins)} basin{'' if len(basins) == 1 else 's'}, {wet} of them with water; "
            f"{outer['volume_m3'].sum():,.0f} m3 below their spill levels, basins inside others not added again",
            f"{len(water)} bod{'y' if len(water) == 1 else 'ies'} of water or possible water, "
            f"{water['area_m2'].sum():,.0f} m2",
            f"{len(berms)} berm{'' if len(berms) == 1 else 's'}, {berms['length_m'].sum():,.0f} m of crest",
        ]

    @speaks_python
    def write(self, path: Name, overwrite: bool = False) -> list[Path]:
        """Write every layer: .gpkg, which QGIS opens styled, or .parquet, one file a layer. Raises as
        `Result.write`."""
        return put(Path(path), self.layers, (), self.read, overwrite)

    @speaks_python
    def table(self, path: Name, overwrite: bool = False) -> tuple[Path, ...]:
        """Write one row a basin for people, as .csv, or as .xlsx with sheets. Raises as `Result.write`."""
        out = Path(path)
        check_ending(out, (".csv", ".xlsx"), "tables are written", "table")
        Guard([out], (), overwrite, others=self.read)
        return write_landform_table(out, {**self.layers, "run_notes": without_job(self.notes)}, overwrite)


@speaks_python
def landforms(
    elevation: "Elevations | None",
    area: Features | None = None,
    *,
    fleet: Fleets | None = None,
    water: Features | None = None,
    corrections: Features | None = None,
    id_column: str | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    **reading: Unpack[Reading],
) -> Landforms:
    """List every basin and berm that shares ground with an area, with areas (m2), depths (m) and volumes (m3).

    elevation, water, corrections, reading: as in `screen`. area: parcels or a district, as a path or a
    GeoDataFrame; all of the elevation without it. fleet: its settings count, not its machines; the defaults without it.
    id_column, workers: as in `screen`. progress: called with the blocks of ground done and in all. Raises InputError as
    `screen`.

    >>> import slopekit as sk
    >>> data = sk.demo_data()
    >>> found = sk.landforms(data / "office_park.tif", data / "parcels.gpkg", workers=1)
    >>> bool((found.layers["basins"].depth_m > 0).all())
    True
    """
    whole("workers", workers, 1)
    known = {"water": water, "corrections": corrections, **reading}
    job = job_from(
        Inventory,
        elevation,
        fleet,
        known,
        area=None if area is None else features("area", area),
        id_column=id_column if area is None else id_of(area, id_column),
        workers=workers,
    )
    settings, read = check_inputs(job)
    return list_job(job, settings, Guard((), read), progress)


def list_job(
    job: Inventory, fleet: Fleet, guard: Guard, progress: Callable[[int, int], None] | None = None
) -> Landforms:
    """Read what the job names, and list its landforms. guard: of the job's files, asked again when all is done."""
    with open_job(job) as elevation:
        survey = elevation.survey
        areas = None if job.area is None else read_parcels(job.area, job.id_column, survey.grid.crs)
        tables = inventory(
            elevation,
            areas,
            fleet,
            read_layers(job, survey),
            workers=job.workers,
            inputs={**inputs_of(job), JOB: job_to_json(job, "landforms")},
            progress=progress,
        )
    guard.again()
    return Landforms(tables, tuple(guard.inputs))
