"""One parcel, start to finish. Read this first: it goes from the ground to the zones in the order of the work."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.access.access import Access, find_access
from slopekit.access.routes import Terrain
from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.grid import Grid, Window
from slopekit.labour.routes_in import route_records
from slopekit.labour.starts import start_records
from slopekit.permits.judge import ACROSS, BIT, UP_DOWN, Ground, Verdict, fitted
from slopekit.runout.speed import speed_of_head
from slopekit.runout.way import Way
from slopekit.schema.classes import MACHINE_CLASSES
from slopekit.screening.evidence import hazard_records, path_records, paths_of, starts_of, whole_bodies
from slopekit.screening.given import gates_of
from slopekit.screening.ground import ReadGround
from slopekit.screening.looks import Piece
from slopekit.screening.realisations import Draws, hazard_realisations, realisations_share
from slopekit.screening.sight import Seen, Sight
from slopekit.sources.elevation import Elevation, Survey
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.parcels import Parcel
from slopekit.sources.raster import outlines, rasterize, shared
from slopekit.terrain.surface import aspect_deg, slope_deg
from slopekit.zones.describe import Measures, cells_by_row, central, excluded_record, zone_records
from slopekit.zones.join import Rows, join_patches
from slopekit.zones.keys import cell_keys, governing_machines, somebody_works
from slopekit.zones.refusals import refusal_records
from slopekit.zones.shapes import multi, row_shapes
from slopekit.zones.words import (
    CLEARED_SENTENCE,
    UNSEEN_SENTENCE,
    entrance_sentence,
    parcel_note,
    realisations_sentence,
    rejection_sentence,
)

Record = dict[str, Any]
Cell = tuple[int, int]


@dataclass(frozen=True)
class ParcelResult:
    """Records of one parcel by layer, geometry included, and the ground that they rest on."""

    records: dict[str, list[Record]]
    grid: Grid
    """The working cells of the parcel and a strip round it."""
    ground: Ground
    measures: Measures
    verdict: Verdict
    """All on `grid`."""
    entrances: int
    """Entrances that lie at the parcel."""


def screen_parcel(
    elevation: Elevation,
    parcel: Parcel,
    fleet: Fleet,
    layers: Layers,
    ground: ReadGround | None = None,
    draws: Draws | None = None,
) -> ParcelResult:
    """Zones, hazards and evidence of one parcel.

    ground: ground that holds what the parcel's answer rests on, of neighbours too; read when not given. draws:
    realisations of the survey's error, if any are asked for. Raises InputError where the raster has nothing for the
    parcel, or where draws need what is not known of the survey.
    """
    sight = Sight(elevation, parcel.geometry, layers, fleet, ground)
    scene = sight.scene()
    part, rules, measures, z = scene.grid, scene.ground, scene.measures, scene.z
    if np.isnan(z).all():
        if layers.points is not None:
            raise InputError(
                f"Parcel '{parcel.id}' has no elevation under it that the points show in {layers.points.folder}: make "
                "the folder for all parcels, or screen this one without --points."
            )
        raise InputError(
            f"Parcel '{parcel.id}' has no elevation under it in {_names(elevation.survey)}: check that it lies inside "
            "the raster and that their CRSs are right."
        )
    verdict = fitted(scene.verdict, rules.blocked, rules.dx, rules.dy, fleet)
    terrain = Terrain(z, measures.p, measures.q, rules.limit_deg, rules.dx, rules.dy)
    access = None
    # Without entrances nothing is refused for want of a route.
    if layers.entrances is not None:
        gates = gates_of(layers.entrances, parcel.geometry, part, fleet.routes.entrance_reach_m)
        within = shared(parcel.geometry, part)
        access, verdict = find_access(verdict, rules, terrain, parcel.geometry, within, part, gates, fleet)
    excluded = _union(layers.exclude, parcel.geometry)
    region = shapely.difference(parcel.geometry, excluded) if excluded is not None else parcel.geometry
    rows = _rows(region, part, measures.hazard, verdict, fleet, z)
    shapes = row_shapes(*outlines(rows.row + np.int32(1), part), len(rows.spot), region, part)
    square_metres = part.metres_per_unit**2
    inside = rasterize([region], part)
    starts = starts_of(rows.row, inside, measures.head, z)
    found = [_shown(parcel.id, one, starts, sight, draws) for one in sight.again()]
    ways = {number: way for one in found for number, way in one.ways.items()}
    numbered = zone_records(parcel.id, rows, shapes, inside, rules, measures, verdict, fleet, ways, square_metres)
    governors = governing_machines(numbered, verdict, fleet, rows.row >= 0)
    routes: list[Record] = []
    told: list[Mapping[int, str]] = []
    if access is not None:
        routes, said = route_records(numbered, rows.row, inside, governors, access, verdict, part)
        told.append(said)
    first_passes, directions, said = start_records(numbered, rows.row, governors, verdict, fleet, part)
    judged = inside & (rows.row >= 0)
    freed = [(one, np.unique(rows.row[cells & judged]).tolist()) for one, cells in scene.spared]
    told += [said, *(dict.fromkeys(numbers, rejection_sentence(one)) for one, numbers in freed)]
    unseen = scene.unseen & (np.bitwise_or.reduce(verdict.reasons, axis=0) & BIT["low_clearance"] != 0)
    for cells, sentence in ((scene.cleared, CLEARED_SENTENCE), (unseen, UNSEEN_SENTENCE)):
        told.append(dict.fromkeys(np.unique(rows.row[cells & judged]).tolist(), sentence))
    if draws is not None:
        share = realisations_share(rows.row, inside, _masks([(one.piece, one.masks) for one in found], part.shape))
        for number, zone in numbered.items():
            zone["realisations_share"] = float(share[number])
        told.append({n: realisations_sentence(float(share[n]), draws.count) for n in numbered})
    for number, zone in numbered.items():
        zone["note"] = " ".join([*zone["note"], *(said[number] for said in told if number in said)])
    lines = [path_records(numbered, one.ways, one.grid) for one in found]
    unknown_m2 = _unknown_m2(numbered, rows.row, inside, verdict)
    zones = list(numbered.values())
    if excluded is not None:
        left_out = multi(shapely.intersection(parcel.geometry, excluded))
        if not left_out.is_empty:
            zones.append(excluded_record(parcel.id, left_out, fleet, square_metres))
    return ParcelResult(
        {
            "zones": zones,
            "parcels": [_parcel_record(parcel, zones, part, access, unknown_m2, fleet, square_metres)],
            "paths": [record for paths, _ in lines for record in paths],
            "profiles": [record for _, profiles in lines for record in profiles],
            "refusals": refusal_records(numbered, rows.row, verdict),
            "routes": routes,
            "starts": first_passes,
            "directions": directions,
            "spared": [{"number": one.number} for one, numbers in freed if numbers],
            **whole_bodies([one.hazards for one in found]),
        },
        part,
        rules,
        measures,
        verdict,
        0 if access is None else len(access.numbers),
    )


@dataclass(frozen=True)
class _Shown:
    """What one look has to show of the zones that begin in it."""

    piece: Piece
    grid: Grid
    """Of the look."""
    ways: dict[int, Way]
    hazards: dict[str, list[Record]]
    masks: list[NDArray[np.uint8]]
    """Of the realisations, bit by bit: fifty of them on a large parcel must not take fifty bytes a cell."""


def _shown(parcel_id: str, one: Seen, starts: Mapping[int, Cell], sight: Sight, draws: Draws | None) -> _Shown:
    piece, window, fleet = one.piece, one.window, sight.fleet
    (rows, cols), (first_row, first_col) = piece.to, (at.start for at in piece.source)
    here = {
        number: (row - rows.start + first_row, col - cols.start + first_col)
        for number, (row, col) in starts.items()
        if rows.start <= row < rows.stop and cols.start <= col < cols.stop
    }
    ways = paths_of(here, window, fleet.runout.rolls_from_deg)
    view = window.surface.grid.part(window.run.view)
    part = view.part(Window(first_row, first_col, rows.stop - rows.start, cols.stop - cols.start))
    hazards = hazard_records(parcel_id, part, list(ways.values()), window, sight.layers, part.metres_per_unit**2)
    masks: list[NDArray[np.uint8]] = []
    if draws is not None:
        drawn = hazard_realisations(sight.elevation, one.read, window, one.look.region, fleet, draws)
        masks = [np.packbits(mask[piece.source]) for mask in drawn]
    return _Shown(piece, window.surface.grid, ways, hazards, masks)


def _masks(
    parts: Sequence[tuple[Piece, list[NDArray[np.uint8]]]], shape: tuple[int, int]
) -> Iterator[NDArray[np.bool_]]:
    """One mask of the whole parcel for each realisation."""
    for drawn in zip(*(masks for _, masks in parts), strict=True):
        out = np.zeros(shape, bool)
        for (piece, _), bits in zip(parts, drawn, strict=True):
            at = out[piece.to]
            at[...] = np.unpackbits(bits, count=at.size).reshape(at.shape)
        yield out


def _union(layer: Layer | None, region: shapely.Geometry) -> shapely.Geometry | None:
    found = [] if layer is None else [g for g, _ in layer.within(region.bounds)]
    return shapely.union_all(found) if found else None


def _rows(
    region: shapely.Geometry,
    grid: Grid,
    hazard: NDArray[np.int8],
    verdict: Verdict,
    fleet: Fleet,
    z: NDArray[np.float64],
) -> Rows:
    key = cell_keys(verdict, fleet, shared(region, grid), hazard)
    least = fleet.zones.least_m2(region.area * grid.metres_per_unit**2) / grid.cell_m2
    # A machine with a way to work each cell of a patch, and no way for all of them, is permitted on the patch.
    permitted = np.concatenate([verdict.reasons == 0, verdict.ways & ACROSS != 0, verdict.ways & UP_DOWN != 0])
    somebody = somebody_works(verdict, len(fleet.conditions))
    return join_patches(key, permitted, somebody, rasterize([region], grid), z, least)


def _unknown_m2(zones: dict[int, Record], row: NDArray[np.int32], inside: NDArray[np.bool_], verdict: Verdict) -> float:
    """Area of the cells where ground that is not known refuses somebody: in each zone the part of its cells."""
    unknown = np.bitwise_or.reduce(verdict.reasons, axis=0) & BIT["unknown_ground"] != 0
    cells = cells_by_row(row, max(zones, default=-1) + 1)
    held = {number: central(cells[number], inside) for number in zones}
    return math.fsum(z["plan_m2"] * float(unknown.ravel()[held[number]].mean()) for number, z in zones.items())


def _parcel_record(
    parcel: Parcel,
    zones: list[Record],
    grid: Grid,
    access: Access | None,
    unknown_m2: float,
    fleet: Fleet,
    square_metres: float,
) -> Record:
    judged = [z for z in zones if z["machine_class"] != "excluded"]
    plan = math.fsum(z["plan_m2"] for z in judged)
    surface = [z["surface_m2"] for z in zones]
    marginal = [z["marginal_share"] for z in judged]
    spots = sum(z["spot"] for z in zones)
    assessed = bool(judged) and None not in marginal
    out: Record = {
        "parcel_id": parcel.id,
        "plan_m2": parcel.geometry.area * square_metres,
        "surface_m2": None if None in surface else math.fsum(surface),
        "zones": len(zones) - spots,
        "spots": spots,
        "unknown_m2": unknown_m2,
        "marginal_share": math.fsum(z["plan_m2"] * z["marginal_share"] for z in judged) / plan
        if assessed and plan
        else None,
        "look_m": fleet.runout.look_m,
        "note": parcel_note(
            unknown_m2,
            assessed,
            max(grid.dx, grid.dy),
            None if access is None else entrance_sentence(access.numbers, access.closed, fleet.routes.entrance_reach_m),
        ),
        "geometry": multi(parcel.geometry),
    }
    for code in (*MACHINE_CLASSES, "none", "excluded"):
        name = code.replace("-", "_").replace(" ", "_") + "_m2"
        out[name] = math.fsum(z["plan_m2"] for z in zones if z["machine_class"] == code)
    return out


def raster_bands(result: ParcelResult) -> dict[str, NDArray[Any]]:
    """Arrays of the layer `rasters`, on the result's grid; missing where the ground was not traced."""
    measures = result.measures
    return {
        "slope": slope_deg(np.hypot(measures.p, measures.q)),
        "machine_slope": result.ground.limit_deg,
        "aspect": aspect_deg(measures.p, measures.q),
        "hazard": (measures.hazard + 1).astype(np.uint8),
        "speed_to_hazard": np.where(np.isfinite(measures.head), speed_of_head(measures.head), np.nan),
    }


def _names(survey: Survey) -> str:
    first = survey.names[0]
    return first if len(survey.names) == 1 else f"{first} and {len(survey.names) - 1} more"
