"""Basins and berms of a region as records, whatever the windows that they were read in."""

import hashlib
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.fleet.model import Fleet
from slopekit.grid import Bounds, Grid, Window, grown
from slopekit.hazards.bodies import Place
from slopekit.hazards.find import find_hazards, find_steps
from slopekit.kernels.patches import with_neighbours
from slopekit.landforms.basins import NO_PARENT, Basin, basin_mask, find_basins, floor_mask
from slopekit.landforms.berms import Berm, find_berms, reach_m
from slopekit.sources.elevation import Elevation
from slopekit.sources.layers import Layers
from slopekit.sources.raster import outlines, shared
from slopekit.terrain.settings import TerrainSettings
from slopekit.terrain.surface import local_gradient, surface

Record = dict[str, Any]
Records = dict[str, list[Record]]
Bool = NDArray[np.bool_]

# What tells the records of a layer apart.
KEYS = {
    "basins": ("basin",), "basin_floors": ("basin",), "berms": ("berm",), "berm_sides": ("berm", "side"),
    "stage_storage": ("basin", "level"),
}  # fmt: skip
LAYERS = tuple(KEYS)
# Cells along one side of the blocks that a large region is read in. No answer depends on it.
BLOCK = 1024
# Metres. Greatest length and width of a basin. What is larger is a valley or a lake, and asks for wider windows.
WIDEST_M = 600.0


@dataclass(frozen=True)
class _Ground:
    """One window with what was found on it."""

    grid: Grid
    place: Place
    basins: list[Basin]
    berms: list[Berm]


def widest_m(terrain: TerrainSettings) -> float:
    """Metres. Greatest length and width of a basin."""
    return min(WIDEST_M, terrain.max_margin_m)


def blocks_of(region: shapely.Geometry, grid: Grid, side: int = BLOCK) -> Iterator[shapely.Geometry]:
    """The parts of a region (CRS units) in squares of `side` cells of `grid`, row by row."""
    window = grid.covering(region.bounds, block=side)
    for row in range(window.row, window.row + window.height, side):
        for col in range(window.col, window.col + window.width, side):
            part = shapely.intersection(region, shapely.box(*grid.part(Window(row, col, side, side)).bounds))
            if part.area > 0.0:
                yield part


def landforms_of(elevation: Elevation, region: shapely.Geometry, layers: Layers, fleet: Fleet) -> Records:
    """Records of the layers of `LAYERS` for every basin and berm that shares ground with `region` (CRS units).

    Basins are no longer or wider than `WIDEST_M`, or than `max_margin_m` where that is less. So much ground round the
    region is read at once, since no smaller window tells whether a hollow lies in a larger one. The window grows, up to
    `max_margin_m`, until all berms lie whole in it; one that goes on beyond is shown as far as it was seen.
    """
    survey = elevation.survey
    metres, most, reach = survey.grid.metres_per_unit, fleet.terrain.max_margin_m, reach_m(fleet.landforms)
    # Beyond its edge there is nothing to see. This far out the window's border does not count.
    data = grown(survey.working.bounds, reach, metres)
    seen = widest_m(fleet.terrain)
    while True:
        bounds = _common(grown(region.bounds, seen + reach, metres), data)
        ground = _read(elevation, bounds, layers, fleet)
        near = shared(region, ground.grid)
        basins = [b for b in ground.basins if near[b.window.slices][basin_mask(b)].any()]
        berms = [b for b in ground.berms if near.ravel()[b.cells].any()]
        if seen >= most or bounds == data or _settled(ground, basins, berms, reach):
            break
        seen = min(most, 2.0 * seen)
    return _records(ground, basins, berms)


def merged(found: Iterable[tuple[str, Records]]) -> Records:
    """One record for each landform, though several regions touch it, sorted by name.

    found: name of a region ('' for none) and its records.
    """
    out: dict[str, dict[tuple[Any, ...], Record]] = {layer: {} for layer in LAYERS}
    touched: dict[str, dict[str, None]] = {}
    for region, records in found:
        for layer, keys in KEYS.items():
            for record in records[layer]:
                out[layer].setdefault(tuple(record[key] for key in keys), record)
        for record in (*records["basins"], *records["berms"]):
            touched.setdefault(record.get("berm") or record["basin"], {})[region] = None
    for layer in ("basins", "berms"):
        for (name,), record in out[layer].items():
            record["parcels"] = ",".join(region for region in touched[name] if region)
    return {layer: [record for _, record in sorted(kept.items())] for layer, kept in out.items()}


def _common(one: Bounds, other: Bounds) -> Bounds:
    return max(one[0], other[0]), max(one[1], other[1]), min(one[2], other[2]), min(one[3], other[3])


def _settled(ground: _Ground, basins: list[Basin], berms: list[Berm], reach: float) -> bool:
    """Whether the berms, and what the records of basins and berms tell of one another, are as in any wider window."""
    grid = ground.grid
    rows, cols = math.ceil(reach / grid.dy), math.ceil(reach / grid.dx)
    inner = np.zeros(grid.shape, bool)
    inner[rows : grid.height - rows, cols : grid.width - cols] = True
    rims = np.zeros(grid.shape, bool)
    for basin in basins:
        around, rim = _rim(basin)
        rims[around] |= rim
    beside = {berm.basin for berm in berms}
    if any(b.cut for b in ground.basins if b.number in beside):
        return False
    near = {berm.number for berm in berms}
    return all(inner.ravel()[b.cells].all() for b in ground.berms if b.number in near or rims.ravel()[b.cells].any())


def _read(elevation: Elevation, bounds: Bounds, layers: Layers, fleet: Fleet) -> _Ground:
    survey = elevation.survey
    patch = elevation.read(bounds)
    top = surface(patch.z, patch.grid, survey.block, fleet.terrain)
    place = Place(survey.checksum, *top.grid.offset_on(survey.working))
    ask_water = survey.z_step_m is None
    steps = find_steps(patch.z, patch.grid, fleet.hazards)
    hazards = find_hazards(patch.z, patch.grid, top.z, top.grid, steps, ask_water, layers, fleet.hazards, place)
    water = hazards.water
    p, q = local_gradient(top.z, top.grid, fleet.terrain)
    basins = find_basins(top.z, p, q, top.grid, water, fleet.landforms, fleet.runout, widest_m(fleet.terrain))
    number = np.zeros(top.grid.shape, np.int32)
    # The innermost basin of each cell: outer ones are larger.
    for basin in sorted(basins, key=lambda b: -b.area_m2):
        number[basin.window.slices][basin_mask(basin)] = basin.number
    berms = find_berms(top.z, p, q, top.grid, fleet.landforms, number)
    return _Ground(top.grid, place, basins, berms)


def _records(ground: _Ground, basins: list[Basin], berms: list[Berm]) -> Records:
    names = {b.number: _basin_name(b, ground) for b in ground.basins if not b.cut}
    on_berm = np.zeros(ground.grid.shape, bool)
    for berm in ground.berms:
        on_berm.ravel()[berm.cells] = True
    out: Records = {layer: [] for layer in LAYERS}
    for basin in basins:
        name = names[basin.number]
        out["basins"].append(
            {"basin": name, "inside": names.get(basin.parent, "") if basin.parent != NO_PARENT else ""}
            | _basin_record(basin, _part_of_rim(basin, on_berm))
            | {"geometry": _outline(basin_mask(basin), basin.window, ground.grid)}
        )
        floor = floor_mask(basin)
        if floor.any():
            out["basin_floors"].append(
                {
                    "basin": name,
                    "area_m2": basin.floor.area_m2,
                    "slope_deg": _or_none(basin.floor.slope_deg),
                    "soft_m2": basin.floor.soft_m2,
                    "wet": basin.wet,
                    "geometry": _outline(floor, basin.window, ground.grid),
                }
            )
        out["stage_storage"] += [
            {"basin": name, "level": level, **stage._asdict()} for level, stage in enumerate(basin.stages)
        ]
    for berm in berms:
        name = _berm_name(berm, ground)
        out["berms"].append({"berm": name, "basin": names.get(berm.basin, ""), **_berm_record(berm, ground.grid)})
        for side, face in (("left", berm.left), ("right", berm.right)):
            if face.cells.size:
                mask = np.zeros(ground.grid.shape, bool)
                mask.ravel()[face.cells] = True
                out["berm_sides"].append(
                    {
                        "berm": name,
                        "side": side,
                        "height_m": _rounded(face.height_m),
                        "hv": _or_none(_rounded(face.hv)),
                        "steepest_hv": _or_none(_rounded(face.steepest_hv)),
                        "area_m2": face.cells.size * ground.grid.cell_m2,
                        "geometry": _outline(mask, Window(0, 0, *ground.grid.shape), ground.grid),
                    }
                )
    return out


def _part_of_rim(basin: Basin, on_berm: Bool) -> float:
    """Part of the cells round a basin that belong to berms."""
    around, rim = _rim(basin)
    return float(on_berm[around][rim].mean())


def _rim(basin: Basin) -> tuple[tuple[slice, slice], Bool]:
    """The basin's window with a cell more on each side, which is there, and in it the cells round the basin."""
    w = basin.window
    mask = np.pad(basin_mask(basin), 1)
    return Window(w.row - 1, w.col - 1, w.height + 2, w.width + 2).slices, with_neighbours(mask) & ~mask


def _basin_record(basin: Basin, berm_beside: float) -> Record:
    side, shape = basin.side, basin.shape
    parts = [shape.rectangularity, shape.side_regularity, shape.floor_flatness, berm_beside]
    return {
        "depth_m": basin.depth_m,
        "area_m2": basin.area_m2,
        "volume_m3": basin.volume_m3,
        "low_z_m": basin.low_m,
        "spill_z_m": basin.spill_m,
        "spill_x": basin.spill_xy[0],
        "spill_y": basin.spill_xy[1],
        "perimeter_m": basin.perimeter_m,
        "approach_m": basin.approach_m,
        "floor_m2": basin.floor.area_m2,
        "floor_slope_deg": _or_none(basin.floor.slope_deg),
        "soft_m2": basin.floor.soft_m2,
        "side_hv": _or_none(side.hv_median),
        "side_hv_p90": _or_none(side.hv_p90),
        "side_hv_steepest": _or_none(side.hv_steepest),
        "side_over_4_1": _or_none(side.over_4_1),
        "side_over_3_1": _or_none(side.over_3_1),
        "side_over_2_1": _or_none(side.over_2_1),
        "wet": basin.wet,
        "water_m2": basin.water_m2,
        "rectangularity": _or_none(shape.rectangularity),
        "side_regularity": _or_none(shape.side_regularity),
        "floor_flatness": _or_none(shape.floor_flatness),
        "berm_beside": berm_beside,
        # A part that cannot be told counts as none.
        "built_likeness": math.fsum(0.0 if math.isnan(part) else part for part in parts) / len(parts),
        "beside_void": basin.beside_void,
    }


def _berm_record(berm: Berm, grid: Grid) -> Record:
    x = grid.west + (berm.crest[:, 1] + 0.5) * grid.step_x
    y = grid.north - (berm.crest[:, 0] + 0.5) * grid.step_y
    points = _rounded(np.stack([x, y], axis=1))
    if berm.closed:
        points = np.concatenate([points, points[:1]])
    out: Record = {
        "length_m": _rounded(berm.length_m),
        "height_m": _rounded(berm.height_m),
        "crest_width_m": _rounded(berm.crest_width_m),
        "width_m": _rounded(berm.width_m),
        "volume_m3": _rounded(berm.volume_m3),
        "closed": berm.closed,
        "open_end": berm.cut,
        "geometry": shapely.multilinestrings([shapely.linestrings(points)]),
    }
    for side, face in (("left", berm.left), ("right", berm.right)):
        out |= {
            f"{side}_height_m": _rounded(face.height_m),
            f"{side}_greatest_m": _rounded(face.greatest_m),
            f"{side}_hv": _or_none(_rounded(face.hv)),
            f"{side}_steepest_hv": _or_none(_rounded(face.steepest_hv)),
        }
    return out


def _basin_name(basin: Basin, ground: _Ground) -> str:
    """The same in every window, and another one in another survey."""
    row, col = basin.low_cell
    return _name("b", ground, f"{ground.place.row + row} {ground.place.col + col} {basin.area_m2:.3f}")


def _berm_name(berm: Berm, ground: _Ground) -> str:
    # Points on simple fractions of a cell keep clear of the steps.
    points = np.floor(100.0 * (berm.crest + [ground.place.row, ground.place.col]) + 0.2718).astype(int)
    return _name("k", ground, str(min(map(tuple, points.tolist()))))


def _name(prefix: str, ground: _Ground, where: str) -> str:
    return f"{prefix}-{hashlib.sha256(f'{ground.place.survey} {where}'.encode()).hexdigest()[:8]}"


def _outline(mask: Bool, window: Window, grid: Grid) -> shapely.MultiPolygon:
    polygons, _ = outlines(mask.astype(np.int32), grid.part(window))
    return shapely.MultiPolygon(list(polygons))


def _rounded(value: Any) -> Any:
    """Without the last digits, which depend on where the window begins."""
    return np.round(value, 6)


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value
