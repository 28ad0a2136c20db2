"""One parcel, start to finish. Read this first: it goes from the ground to the zones in the order of the work."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.access.access import Access, find_access
from slopekit.access.routes import Terrain
from slopekit.errors import InputError
from slopekit.evidence import hazard_records, way_records, ways_of
from slopekit.fields import MACHINE_CLASSES
from slopekit.fleet.model import Fleet
from slopekit.grid import Grid
from slopekit.ground import ReadGround, WindowGround, look_round, read_ground, wetness_of
from slopekit.labour.starts import start_records
from slopekit.labour.ways_in import route_records
from slopekit.permits.judge import ACROSS, BIT, UP_DOWN, Ground, Verdict, judge
from slopekit.realise import Draws, hazard_realisations, realisations_share
from slopekit.runout.run_out import HAZARDS
from slopekit.runout.speed import speed_of_head
from slopekit.sources.elevation import Elevation, Survey
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.parcels import Parcel
from slopekit.sources.raster import burn, burn_layer, shared
from slopekit.terrain.surface import aspect_deg, gradient_in, slope_deg
from slopekit.terrain.uncertainty import slope_error_deg
from slopekit.terrain.wetness import is_wet
from slopekit.zones.describe import Measures, cells_by_row, central, excluded_record, is_spot, zone_records
from slopekit.zones.join import Rows, join_patches
from slopekit.zones.keys import cell_keys, governing_machines
from slopekit.zones.shapes import multi, row_shapes
from slopekit.zones.words import entrance_sentence, parcel_note, realisations_sentence, rejection_sentence

Record = dict[str, Any]


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
    survey = elevation.survey
    if ground is None:
        ground = read_ground(elevation, [parcel.geometry], fleet)
    window = look_round(ground, parcel.geometry, layers, fleet, survey)
    grid = window.surface.grid
    view = window.run.view
    rules, measures = ground_of_view(window, layers, fleet, survey)
    part = grid.part(view)
    z = window.surface.z[view.slices]
    if np.isnan(z).all():
        raise InputError(
            f"Parcel '{parcel.id}' has no elevation under it in {_names(survey)}: check that it lies inside the raster "
            "and that their CRSs are right."
        )
    verdict = judge(rules, fleet)
    terrain = Terrain(z, measures.p, measures.q, rules.limit_deg, rules.dx, rules.dy)
    access, verdict = find_access(verdict, rules, terrain, parcel.geometry, part, layers, fleet)
    excluded = _union(layers.exclude, parcel.geometry)
    region = shapely.difference(parcel.geometry, excluded) if excluded is not None else parcel.geometry
    rows = _rows(region, part, measures.hazard, verdict, fleet, z)
    shapes = row_shapes(rows.row, len(rows.spot), region, part)
    square_metres = grid.metres_per_unit**2
    inside = burn([region], part)
    ways = ways_of(rows.row, inside, window, fleet.runout.rolls_from_deg)
    numbered = zone_records(parcel.id, rows, shapes, inside, rules, measures, verdict, fleet, ways, square_metres)
    governors = governing_machines(numbered, verdict, fleet, rows.row >= 0)
    routes = [] if access is None else route_records(numbered, rows.row, inside, governors, access, verdict, part)
    starts, directions = start_records(numbered, rows.row, governors, verdict, fleet, part)
    spared = _spared(window, rows.row, inside, numbered)
    if draws is not None:
        masks = hazard_realisations(elevation, ground, window, parcel.geometry, layers, fleet, draws)
        share = realisations_share(rows.row, inside, masks)
        for number, zone in numbered.items():
            zone["realisations_share"] = float(share[number])
            zone["note"] += " " + realisations_sentence(zone["realisations_share"], draws.count)
    paths, profiles = way_records(numbered, ways, grid)
    unknown_m2 = _unknown_m2(numbered, rows.row, inside, verdict)
    zones = list(numbered.values())
    if excluded is not None:
        left_out = multi(shapely.intersection(parcel.geometry, excluded))
        if not left_out.is_empty:
            zones.append(excluded_record(parcel.id, left_out, fleet, square_metres))
    return ParcelResult(
        {
            "zones": zones,
            "parcels": [_parcel_record(parcel, zones, window, access, unknown_m2, fleet, square_metres)],
            "paths": paths,
            "profiles": profiles,
            "routes": routes,
            "starts": starts,
            "directions": directions,
            "spared": spared,
            **hazard_records(parcel.id, part, paths, window, layers, square_metres),
        },
        part,
        rules,
        measures,
        verdict,
        0 if access is None else len(access.numbers),
    )


def _spared(
    window: WindowGround, row: NDArray[np.int32], inside: NDArray[np.bool_], zones: dict[int, Record]
) -> list[Record]:
    """Say in the notes of the zones which rejections free ground of them, and give their numbers."""
    out = []
    for one, cells in window.spared:
        freed = np.unique(row[cells[window.run.view.slices] & inside & (row >= 0)])
        if freed.size:
            out.append({"number": one.number})
        for number in freed.tolist():
            zones[number]["note"] += " " + rejection_sentence(one)
    return out


def ground_of_view(window: WindowGround, layers: Layers, fleet: Fleet, survey: Survey) -> tuple[Ground, Measures]:
    """The part of the window that the parcel's answer looks at."""
    top, run, hazards = window.surface, window.run, window.hazards
    view = run.view
    at = view.slices
    part = top.grid.part(view)
    compared = top.limit_grade[at]
    soft = window.floors.soft[at] | burn_layer(layers.soft, part, all_touched=True)
    wetness, wet_from = wetness_of(window, view, fleet), fleet.soft_ground.wetness_from
    if wetness is not None and wet_from is not None:
        soft |= is_wet(wetness, wet_from)
    ground = Ground(
        dx=part.dx,
        dy=part.dy,
        limit_deg=slope_deg(compared),
        heads=run.heads,
        water=hazards.water[at],
        other=hazards.other[at],
        drop=hazards.drop[at],
        short=hazards.short[at],
        stand_off=hazards.stand_off[at],
        soft=soft,
        canopy=burn_layer(layers.canopy, part, all_touched=True),
        no_go=burn_layer(layers.no_go, part, all_touched=True),
        blocked=burn_layer(layers.exclude, part),
    )
    error = (
        None
        if survey.rmse_m is None
        else slope_error_deg(
            compared, survey.rmse_m, part.dx, part.dy, fleet.terrain.error_correlation_m, fleet.terrain.gradient
        )
    )
    heads = np.stack([run.head(kind)[run.slippery] for kind in HAZARDS])
    # The first of two that take the same head is named.
    nearest = np.where((heads < np.inf).any(axis=0), heads.argmin(axis=0), -1).astype(np.int8)
    lengths = np.stack([run.length(kind) for kind in HAZARDS])
    length = np.take_along_axis(lengths, np.maximum(nearest, 0)[None], axis=0)[0]
    gradient = gradient_in(top, view, fleet.terrain)
    return ground, Measures(*gradient, nearest, heads.min(axis=0), length, error, wetness)


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
    open_ways = np.concatenate([verdict.ways & ACROSS != 0, verdict.ways & UP_DOWN != 0])
    return join_patches(key, open_ways, verdict.worked(len(fleet.conditions)), burn([region], grid), z, least)


def _unknown_m2(zones: dict[int, Record], row: NDArray[np.int32], inside: NDArray[np.bool_], verdict: Verdict) -> float:
    """Area of the cells where ground that is not known refuses somebody: in each zone the part of its cells."""
    unknown = np.bitwise_or.reduce(verdict.reasons, axis=0) & BIT["unknown_ground"] != 0
    cells = cells_by_row(row, max(zones, default=-1) + 1)
    held = {number: central(cells[number], inside) for number in zones}
    return math.fsum(z["plan_m2"] * float(unknown.ravel()[held[number]].mean()) for number, z in zones.items())


def _parcel_record(
    parcel: Parcel,
    zones: list[Record],
    window: WindowGround,
    access: Access | None,
    unknown_m2: float,
    fleet: Fleet,
    square_metres: float,
) -> Record:
    grid = window.surface.grid
    judged = [z for z in zones if z["machine_class"] != "excluded"]
    plan = math.fsum(z["plan_m2"] for z in judged)
    surface = [z["surface_m2"] for z in zones]
    marginal = [z["marginal_share"] for z in judged]
    spots = sum(is_spot(z["zone_id"]) for z in zones)
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
