"""Classified points to layers: read this first. Two passes over the points, one over the cells between them."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.grid import Bounds, Grid
from slopekit.kernels.ground_cells import ground_of_cells
from slopekit.points.classes import Classes
from slopekit.points.cover import left_out, low_trees
from slopekit.points.gather import Cells, boxes_of, gather, grid_of
from slopekit.points.notes import Facts, point_notes
from slopekit.points.settings import PointSettings
from slopekit.points.steps import second_pass
from slopekit.points.walls import wall_records
from slopekit.points.water import CLASSIFIED, POSSIBLE, find_water
from slopekit.sources.point_files import PointSurvey
from slopekit.sources.raster import outlines

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Record = dict[str, Any]

LOW_TREES, UNSEEN = "low trees", "not assessed"
BUILDING, BRIDGE = "building", "bridge"


@dataclass(frozen=True, eq=False)
class PointLayers:
    """What the points show. Arrays are on `grid`, records have the fields of the registry and a geometry."""

    grid: Grid
    ground: Array
    """Bare ground, m, NaN where not known."""
    returns: NDArray[np.uint8]
    """Ground returns of each cell, up to 255; 0 where the ground is filled or missing."""
    steps: NDArray[np.float32]
    """No step at the cell is higher than this (m, 99 %); NaN where the points cannot tell."""
    seen: Bool
    """Cells of which the survey tells: with returns, or with some close by; see `points.water.Water`."""
    layers: Mapping[str, list[Record]]
    notes: list[dict[str, str]]


def survey_points(
    survey: PointSurvey,
    classes: Classes,
    settings: PointSettings,
    folder: Path,
    boxes: Sequence[Bounds] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> PointLayers:
    """The layers of a survey, or of the ground in some boxes (working CRS).

    folder: empty, on a disk with room for 16 to 32 bytes a point. progress: called with steps done and in all. Memory
    goes with the cells of the area, 70 to 100 bytes each, and not with the points. Raises InputError as `gather`.
    """
    grid = grid_of(survey, settings.cell_m, boxes)
    half = progress and (lambda done, total: progress(done, 2 * total))
    cells, stripes = gather(survey, grid, boxes, classes, folder, half)
    ground = ground_of_cells(cells.counts[1], cells.ground_xy, cells.ground_z, cells.used, cells.size, settings.gap_m)
    rest = progress and (lambda done, total: progress(total + done, 2 * total))
    found = second_pass(cells, stripes, ground, settings, rest)
    surveyed = _surveyed(survey, cells)
    water = find_water(cells, ground, surveyed, settings)
    low, unseen = low_trees(found.canopy, cells)
    building, bridge = left_out(cells)
    layers = {
        "point_walls": wall_records(found.nodes, grid),
        "point_water": _patches({CLASSIFIED: water.classified, POSSIBLE: water.possible}, grid),
        "point_canopy": _patches({LOW_TREES: low, UNSEEN: unseen}, grid),
        "point_exclude": _patches({BUILDING: building, BRIDGE: bridge}, grid),
    }
    for record in layers["point_water"]:
        record["level_m"] = _level(record["geometry"], ground, grid)
    told = np.isfinite(found.bound)
    facts = Facts(
        cells=cells,
        water=water,
        ground_share=float(np.isfinite(ground).sum() / max(1, cells.used.sum())),
        filled_share=float((np.isfinite(ground) & (cells.counts[1] == 0)).sum() / max(1, cells.used.sum())),
        asked_share=found.asked / max(1, int(cells.used.sum())),
        told_share=float(told.sum() / max(1, cells.used.sum())),
    )
    notes = point_notes(survey, classes, settings, facts, {name: len(records) for name, records in layers.items()})
    return PointLayers(grid, ground, found.returns, found.bound, water.seen, layers, notes)


def _surveyed(survey: PointSurvey, cells: Cells) -> Bool:
    out = np.zeros(cells.grid.shape, bool)
    for window in boxes_of(survey, cells.grid):
        if window.height > 0 and window.width > 0:
            out[window.slices] = True
    return out & cells.used


def _patches(masks: Mapping[str, Bool], grid: Grid) -> list[Record]:
    """A record for each 4-connected patch of each mask. Earlier masks go first where they overlap."""
    label = np.zeros(grid.shape, np.int32)
    for number, mask in enumerate(masks.values(), 1):
        label[mask & (label == 0)] = number
    shapes, numbers = outlines(label, grid)
    kinds = list(masks)
    square = grid.metres_per_unit**2
    return [
        {"kind": kinds[number - 1], "area_m2": shape.area * square, "geometry": shapely.multipolygons([shape])}
        for shape, number in zip(shapes, numbers, strict=True)
    ]


def _level(geometry: shapely.Geometry, ground: Array, grid: Grid) -> float | None:
    """The lowest ground within 3 m, m: about where the water's level is."""
    reach = 3.0 / grid.metres_per_unit
    window = grid.within(grid.covering(geometry.buffer(reach).bounds))
    part = ground[window.slices]
    known = part[np.isfinite(part)]
    return float(known.min()) if known.size else None
