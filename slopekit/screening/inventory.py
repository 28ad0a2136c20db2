"""Every basin and berm of an area, block by block: what `slopekit landforms` writes."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd
import shapely

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.pool import cores, run
from slopekit.schema.tables import conform, table_of
from slopekit.screening.landform_records import BLOCK, Records, blocks_of, landforms_of, merged
from slopekit.screening.notes import landform_notes
from slopekit.sources.elevation import Elevation
from slopekit.sources.layers import Layers
from slopekit.sources.parcels import Parcel
from slopekit.sources.raster import session

Tables = dict[str, Any]


@dataclass(frozen=True)
class _Job:
    elevation: Elevation
    fleet: Fleet
    layers: Layers


def inventory(
    elevation: Elevation,
    areas: Sequence[Parcel] | None,
    fleet: Fleet,
    layers: Layers | None = None,
    *,
    workers: int | None = None,
    inputs: Mapping[str, str] | None = None,
    progress: Callable[[int, int], None] | None = None,
    block: int = BLOCK,
) -> Tables:
    """The basins and berms that share ground with the areas, as one table a layer of the registry.

    areas: parcels or a district; None for all of the raster. fleet: its settings count, not its machines. workers:
    processes, by default one a core. inputs: file names by role, for the notes. progress: called with the blocks done
    and in all. block: cells along one side of the blocks that ground is read in; no answer depends on it. Raises
    InputError.
    """
    grid = elevation.survey.working
    raster = shapely.box(*grid.bounds)
    named = [("", raster)] if areas is None else [(a.id, shapely.intersection(a.geometry, raster)) for a in areas]
    for name, region in named:
        if not region.area > 0.0:
            raise InputError(
                f"Area '{name}' has no elevation under it in {', '.join(elevation.survey.names)}: check that it lies "
                "inside the raster and that their CRSs are right."
            )
    items = [(name, part) for name, region in named for part in blocks_of(region, grid, block)]
    job = _Job(elevation, fleet, layers or Layers())
    found: dict[int, tuple[str, Records]] = {}
    for number, name, records in run(_landforms, job, list(enumerate(items)), min(workers or cores(), len(items))):
        found[number] = (name, records)
        if progress is not None:
            progress(len(found), len(items))
    forms = merged(found[number] for number in sorted(found))
    tables: Tables = {layer: table_of(layer, records, grid.crs) for layer, records in forms.items()}
    tables["run_notes"] = pd.DataFrame(landform_notes(elevation.survey, fleet, inputs or {}, date.today()))
    return conform(tables, ())


def _landforms(job: _Job, item: tuple[int, tuple[str, shapely.Geometry]]) -> tuple[int, str, Records]:
    number, (name, region) = item
    with session():
        return number, name, landforms_of(job.elevation, region, job.layers, job.fleet)
