"""Many parcels: neighbours share one window of ground, two or more processes share the work, one table a layer."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.grid import Bounds, grown
from slopekit.outputs.rasters import band_path, file_stems, write_band
from slopekit.pool import cores, run
from slopekit.schema.fields import FIELDS
from slopekit.schema.layers import PARCEL_LAYERS
from slopekit.schema.tables import conform, table_of
from slopekit.screening.corrections import correction_records
from slopekit.screening.ground import reach_m, read_ground
from slopekit.screening.landform_records import landforms_of, merged
from slopekit.screening.looks import looks_of
from slopekit.screening.notes import run_notes
from slopekit.screening.parcel import ParcelResult, raster_bands, screen_parcel
from slopekit.screening.realisations import Draws
from slopekit.sources.elevation import Elevation, Survey
from slopekit.sources.layers import Layers
from slopekit.sources.parcels import Parcel
from slopekit.sources.raster import session

Tables = dict[str, Any]

# Cells of one shared window. More saves little reading and costs about 250 bytes a cell.
_WINDOW_CELLS = 500_000
# A window of more working cells (about 12 GB), or of eight times as many native ones, is a mistake in the input.
_MOST_CELLS = 50_000_000
# Fewer parcels than this are done before a second process has started.
_WORTH_A_PROCESS = 8
_RASTERS = tuple(f for f in FIELDS if f.layer == "rasters")


@dataclass(frozen=True)
class Job:
    """What every process that screens parcels of one survey needs."""

    elevation: Elevation
    fleet: Fleet
    layers: Layers
    rasters: Path | None
    stems: Mapping[str, str]
    """Start of the raster file names by parcel id."""
    draws: Draws | None
    landforms: bool


def screen(
    elevation: Elevation,
    parcels: Sequence[Parcel],
    fleet: Fleet,
    layers: Layers | None = None,
    *,
    workers: int | None = None,
    rasters: Path | None = None,
    draws: Draws | None = None,
    landforms: bool = False,
    inputs: Mapping[str, str] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Tables:
    """Zones of every parcel, as one table a layer of the registry.

    workers: processes, by default one a core. rasters: folder for one COG a parcel and field. draws: realisations of
    the survey's error to make for each parcel. landforms: whether to list basins and berms too. inputs: file names by
    role, for the notes.
    progress: called with the parcels done and in all. Raises InputError; then nothing is returned.
    """
    if not parcels:
        raise InputError("There are no parcels to screen: check the parcels file and its filter.")
    working = elevation.survey.working
    reach = reach_of(elevation.survey, fleet)
    job = Job(elevation, fleet, layers or Layers(), rasters, file_stems([p.id for p in parcels]), draws, landforms)
    refuse_endless(parcels, reach, elevation)
    refuse_stray_entrances(parcels, job.layers, fleet, working.metres_per_unit)
    groups = neighbours(parcels, fleet, elevation)
    count = workers or cores()
    if len(parcels) < _WORTH_A_PROCESS:
        count = 1
    found: dict[str, dict[str, list[dict[str, Any]]]] = {}
    for results in run(screen_group, job, groups, min(count, len(groups))):
        found.update(results)
        if progress is not None:
            progress(len(found), len(parcels))
    tables = _tables([found[p.id] for p in parcels], fleet, working.crs)
    tables["corrections"] = _corrections(tables, found, job.layers, elevation.survey)
    if landforms:
        forms = merged((p.id, found[p.id]) for p in parcels)
        tables |= {layer: table_of(layer, records, working.crs) for layer, records in forms.items()}
    bodies = tables["water"].origin.value_counts().to_dict()
    notes = run_notes(elevation.survey, fleet, inputs or {}, bodies, draws, job.layers.given, date.today())
    tables["run_notes"] = pd.DataFrame([*notes, *(() if job.layers.points is None else job.layers.points.notes)])
    return conform(tables, fleet.conditions)


def reach_of(survey: Survey, fleet: Fleet) -> float:
    """Metres of ground round each parcel that its answer rests on."""
    return reach_m(fleet, max(survey.working.dx, survey.working.dy))


def screen_group(job: Job, group: list[Parcel]) -> dict[str, dict[str, list[dict[str, Any]]]]:
    """Records by parcel id of neighbours that share a window."""
    out: dict[str, dict[str, list[dict[str, Any]]]] = {}

    with session():
        # A parcel of several looks is alone in its group, and each look reads its own ground.
        several = len(looks_of(group[0].geometry, job.fleet, job.elevation.survey.working)) > 1
        shapes, points = [p.geometry for p in group], job.layers.points
        ground = None if several else read_ground(job.elevation, shapes, job.fleet, points)
        for parcel in group:
            result = screen_parcel(job.elevation, parcel, job.fleet, job.layers, ground, job.draws)
            if job.rasters is not None:
                _write_rasters(job.rasters, job.stems[parcel.id], result)
            out[parcel.id] = result.records
            if job.landforms:
                out[parcel.id] |= landforms_of(job.elevation, parcel.geometry, job.layers, job.fleet)
    return out


def _write_rasters(folder: Path, stem: str, result: ParcelResult) -> None:
    bands = raster_bands(result)
    for field in _RASTERS:
        write_band(band_path(folder, stem, field.name), bands[field.name], result.grid, field)


def refuse_endless(parcels: Sequence[Parcel], reach_m: float, elevation: Elevation) -> None:
    """Raise InputError for a parcel that reaches so far that it must be a mistake."""
    survey = elevation.survey
    for parcel in parcels:
        west, south, east, north = grown(parcel.geometry.bounds, reach_m, survey.grid.metres_per_unit)
        native = (east - west) * (north - south) / (survey.grid.step_x * survey.grid.step_y)
        if max(native / survey.block**2, native / 8) > _MOST_CELLS:
            side = max(east - west, north - south) * survey.grid.metres_per_unit
            raise InputError(
                f"Parcel '{parcel.id}' and its look reach over {side / 1000:,.0f} km, which is more ground than can "
                "be screened at once: check its shape and CRS, or split it."
            )


def _joint(bounds: Sequence[Bounds]) -> Bounds:
    west, south, east, north = zip(*bounds, strict=True)
    return min(west), min(south), max(east), max(north)


def neighbours(parcels: Sequence[Parcel], fleet: Fleet, elevation: Elevation) -> list[list[Parcel]]:
    """Parcels in groups that share a window where that reads less ground than a window each. What takes several looks
    has no window to share."""
    grid = elevation.survey.working
    reach = reach_of(elevation.survey, fleet) / grid.metres_per_unit

    def cells(bounds: Bounds) -> float:
        west, south, east, north = bounds
        return (east - west + 2 * reach) * (north - south + 2 * reach) / (grid.step_x * grid.step_y)

    groups: list[list[Parcel]] = []
    alone: list[list[Parcel]] = []
    joint: Bounds | None = None
    apart = 0.0
    for parcel in sorted(parcels, key=lambda p: (_along_curve(p, grid.bounds), p.id)):
        bounds = parcel.geometry.bounds
        if len(looks_of(parcel.geometry, fleet, grid)) > 1:
            alone.append([parcel])
            continue
        wider = bounds if joint is None else _joint([joint, bounds])
        if joint is not None and cells(wider) <= min(_WINDOW_CELLS, apart + cells(bounds)):
            groups[-1].append(parcel)
            joint, apart = wider, apart + cells(bounds)
        else:
            groups.append([parcel])
            joint, apart = bounds, cells(bounds)
    # The largest first, so that no process waits long for them.
    return [*alone, *groups]


def refuse_stray_entrances(parcels: Sequence[Parcel], layers: Layers, fleet: Fleet, metres_per_unit: float) -> None:
    """Raise InputError for entrances that all lie elsewhere, and for ground to drive on without entrances."""
    if layers.entrances is None:
        if layers.drives is not None:
            raise InputError(
                f"{layers.drives.name}: ground to drive over counts on routes from entrances only, so give --entrances "
                "too."
            )
        return
    reach = fleet.routes.entrance_reach_m
    shapes = [parcel.geometry for parcel in parcels]
    if not layers.entrances.tree.query(shapes, predicate="dwithin", distance=reach / metres_per_unit).size:
        raise InputError(
            f"{layers.entrances.name}: no entrance in it lies within {reach:g} m of any parcel, so check its CRS, draw "
            "the entrances at the parcels' edge, or raise routes.entrance_reach_m in the fleet file."
        )


def _along_curve(parcel: Parcel, bounds: Bounds) -> int:
    """Place of a parcel's centre along a Z-order curve (Morton 1966), which keeps neighbours together."""
    west, south, east, north = bounds
    w, s, e, n = parcel.geometry.bounds
    side = max(east - west, north - south)
    x, y = (int(min(max(v, 0.0), 1.0) * 0xFFFF) for v in (((w + e) / 2 - west) / side, ((s + n) / 2 - south) / side))
    return sum((x >> k & 1) << 2 * k | (y >> k & 1) << 2 * k + 1 for k in range(16))


def _tables(results: list[dict[str, list[dict[str, Any]]]], fleet: Fleet, crs: str) -> Tables:
    def joined(layer: str) -> list[dict[str, Any]]:
        return [record for result in results for record in result[layer]]

    return {layer: table_of(layer, joined(layer), crs, fleet.conditions) for layer in PARCEL_LAYERS}


def _corrections(
    tables: Tables, found: Mapping[str, dict[str, list[dict[str, Any]]]], layers: Layers, survey: Survey
) -> gpd.GeoDataFrame:
    freed: dict[int, list[str]] = {}
    for parcel, records in found.items():
        for one in records["spared"]:
            freed.setdefault(one["number"], []).append(parcel)
    bodies = {*tables["water"].body, *tables["drops"].body}
    made = correction_records(layers.corrections, (survey.checksum,), bodies, freed, survey.grid.metres_per_unit)
    return table_of("corrections", made, survey.grid.crs)
