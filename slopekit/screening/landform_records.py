"""Basins, bodies of water and berms of a region as records, whatever the windows that they were read in."""

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
from slopekit.hazards.lakes import rim_cells
from slopekit.kernels.patches import with_neighbours
from slopekit.landforms.basins import NO_PARENT, Basin, basin_mask, find_basins, floor_mask
from slopekit.landforms.berms import Berm, find_berms, reach_m
from slopekit.landforms.records import basin_record, berm_record, or_none, rounded
from slopekit.screening.given import given_on
from slopekit.screening.water_bodies import WaterBody, named_water
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
    "stage_storage": ("basin", "level"), "water_bodies": ("body",),
}  # fmt: skip
LAYERS = tuple(KEYS)
# Layers that tell which parcels a landform touches.
_PLACED = ("basins", "berms", "water_bodies")
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
    water: NDArray[np.int32]
    """(rows, cols): number of the body of water, 0 for none."""
    bodies: dict[int, WaterBody]
    """By number."""
    basin: NDArray[np.int32]
    """(rows, cols): number of the least basin, 0 for none."""


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
    """Records of the layers of `LAYERS` for every basin, body of water and berm that shares ground with `region` (CRS
    units).

    Basins are no longer or wider than `WIDEST_M`, or than `max_margin_m` where that is less. So much ground round the
    region is read at once, since no smaller window tells whether a hollow lies in a larger one. The window grows, up to
    `max_margin_m`, until all berms and bodies of water lie whole in it; what goes on beyond is shown as far as it was
    seen.
    """
    survey = elevation.survey
    metres, most, reach = survey.grid.metres_per_unit, fleet.terrain.max_margin_m, reach_m(fleet.landforms)
    cells = survey.working
    reach = max(reach, (rim_cells(cells.dx, cells.dy) + 1) * max(cells.dx, cells.dy))
    # Beyond its edge there is nothing to see. This far out the window's border does not count.
    data = grown(survey.working.bounds, reach, metres)
    seen = widest_m(fleet.terrain)
    while True:
        bounds = _common(grown(region.bounds, seen + reach, metres), data)
        ground = _read(elevation, bounds, layers, fleet)
        near = shared(region, ground.grid)
        basins = [b for b in ground.basins if near[b.window.slices][basin_mask(b)].any()]
        berms = [b for b in ground.berms if near.ravel()[b.cells].any()]
        water = sorted(set(np.unique(ground.water[near]).tolist()) - {0})
        if seen >= most or bounds == data or _settled(ground, basins, berms, water, reach):
            break
        seen = min(most, 2.0 * seen)
    return _records(ground, basins, berms, water)


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
        for layer in _PLACED:
            for record in records[layer]:
                touched.setdefault(record[KEYS[layer][0]], {})[region] = None
    for layer in _PLACED:
        for (name,), record in out[layer].items():
            record["parcels"] = tuple(region for region in touched[name] if region)
    return {layer: [record for _, record in sorted(kept.items())] for layer, kept in out.items()}


def _common(one: Bounds, other: Bounds) -> Bounds:
    return max(one[0], other[0]), max(one[1], other[1]), min(one[2], other[2]), min(one[3], other[3])


def _settled(ground: _Ground, basins: list[Basin], berms: list[Berm], water: list[int], reach: float) -> bool:
    """Whether the berms and the water, and what the records tell of one another, are as in any wider window."""
    grid = ground.grid
    if any(ground.bodies[n].open for n in {*water, *(berm.water for berm in berms if berm.water)}):
        return False
    rows, cols = math.ceil(reach / grid.dy), math.ceil(reach / grid.dx)
    inner = np.zeros(grid.shape, bool)
    inner[rows : grid.height - rows, cols : grid.width - cols] = True
    rims = np.zeros(grid.shape, bool)
    for basin in basins:
        around, rim = _rim(basin)
        rims[around] |= rim
    beside = {berm.basin for berm in berms} | {_basin_of(n, ground) for n in water}
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
    given = given_on(layers, top.grid, survey.checksum, fleet.hazards.stand_off_m).hazards
    hazards = find_hazards(patch.z, patch.grid, top.z, top.grid, steps, ask_water, given, fleet.hazards, place)
    water, bodies = named_water(hazards, top.z, top.grid, layers)
    p, q = local_gradient(top.z, top.grid, fleet.terrain)
    basins = find_basins(top.z, p, q, top.grid, hazards.water, fleet.landforms, fleet.runout, widest_m(fleet.terrain))
    number = np.zeros(top.grid.shape, np.int32)
    # The innermost basin of each cell: outer ones are larger.
    for basin in sorted(basins, key=lambda b: -b.area_m2):
        number[basin.window.slices][basin_mask(basin)] = basin.number
    berms = find_berms(top.z, p, q, top.grid, fleet.landforms, number, water)
    return _Ground(top.grid, place, basins, berms, water, bodies, number)


def _basin_of(water: int, ground: _Ground) -> int:
    """Number of the least basin that most of a body of water lies in, NO_PARENT for none."""
    at = ground.bodies[water].at
    return int(np.bincount(ground.basin[at][ground.water[at] == water]).argmax())


def _records(ground: _Ground, basins: list[Basin], berms: list[Berm], water: list[int]) -> Records:
    names = {b.number: _basin_name(b, ground) for b in ground.basins if not b.cut}
    on_berm = np.zeros(ground.grid.shape, bool)
    for berm in ground.berms:
        on_berm.ravel()[berm.cells] = True
    out: Records = {layer: [] for layer in LAYERS}
    for basin in basins:
        name = names[basin.number]
        out["basins"].append(
            {"basin": name, "inside": names.get(basin.parent, "") if basin.parent != NO_PARENT else ""}
            | basin_record(basin, _part_of_rim(basin, on_berm))
            | {"geometry": _outline(basin_mask(basin), basin.window, ground.grid)}
        )
        floor = floor_mask(basin)
        if floor.any():
            out["basin_floors"].append(
                {
                    "basin": name,
                    "area_m2": basin.floor.area_m2,
                    "slope_deg": or_none(basin.floor.slope_deg),
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
        beside = {"basin": names.get(berm.basin, ""), "water": ground.bodies[berm.water].name if berm.water else ""}
        out["berms"].append({"berm": name, **beside, **berm_record(berm, ground.grid)})
        for side, face in (("left", berm.left), ("right", berm.right)):
            if face.cells.size:
                mask = np.zeros(ground.grid.shape, bool)
                mask.ravel()[face.cells] = True
                out["berm_sides"].append(
                    {
                        "berm": name,
                        "side": side,
                        "height_m": rounded(face.height_m),
                        "hv": or_none(rounded(face.hv)),
                        "steepest_hv": or_none(rounded(face.steepest_hv)),
                        "area_m2": face.cells.size * ground.grid.cell_m2,
                        "geometry": _outline(mask, Window(0, 0, *ground.grid.shape), ground.grid),
                    }
                )
    for number in water:
        body = ground.bodies[number]
        out["water_bodies"].append(
            {
                "body": body.name,
                "basin": names.get(_basin_of(number, ground), ""),
                "origin": body.origin,
                "area_m2": body.area_m2,
                "level_m": or_none(body.level_m),
                "open_end": body.open,
                "geometry": body.geometry,
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
