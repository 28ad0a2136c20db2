"""The folder that `slopekit points` writes, as a screening takes it."""

import csv
import math
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.windows import Window as Cut

from slopekit.errors import InputError
from slopekit.grid import Grid
from slopekit.hazards.shapes import FROM_POINTS
from slopekit.sources.checksum import checksum
from slopekit.sources.files import short_name
from slopekit.sources.layers import Layer, Layers, PointEvidence
from slopekit.sources.units_of import same_crs
from slopekit.sources.vectors import LINES, POLYGONS, as_text, read_features, to_working_crs

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

GROUND, RETURNS, STEPS, NOTES = "ground.tif", "returns.tif", "steps.tif", "points_notes.csv"
PACKAGES = {
    "point_walls": "walls.gpkg",
    "point_water": "water.gpkg",
    "point_canopy": "canopy.gpkg",
    "point_exclude": "exclude.gpkg",
}
_BESIDE_M = 1.5
NOT_ASSESSED = "not assessed"
"""The kind of canopy that no pulse got under."""
CLASSIFIED = "water by class"
"""The kind of water that needs no more proof; all other kinds are possible water."""


def bound_on(steps: Path | None, grid: Grid) -> Array:
    """On the cells of `grid`, what no step within some 2 m is higher than (m): the highest of the raster's cells that a
    cell meets, and of those beside them, NaN where one of them tells nothing or there is no raster. A window of points
    tells of steps near its middle only, and the grid may show a wall beside its place. Raises InputError where the
    raster cannot be read."""
    out = np.full(grid.shape, np.nan)
    if steps is None:
        return out
    try:
        with rasterio.open(steps) as file:
            a, e, west, north = file.transform.a, file.transform.e, file.transform.c, file.transform.f
            hair = 1e-6
            left = np.floor((grid.west + np.arange(grid.width) * grid.step_x - west) / a + hair).astype(int)
            right = np.ceil((grid.west + (np.arange(grid.width) + 1) * grid.step_x - west) / a - hair).astype(int)
            top = np.floor((grid.north - np.arange(grid.height) * grid.step_y - north) / e + hair).astype(int)
            base = np.ceil((grid.north - (np.arange(grid.height) + 1) * grid.step_y - north) / e - hair).astype(int)
            beside = math.ceil(_BESIDE_M / (a * grid.metres_per_unit) - 0.5)
            left, top, right, base = left - beside, top - beside, right + beside, base + beside
            cut = Cut(int(left[0]), int(top[0]), int(right[-1] - left[0]), int(base[-1] - top[0]))
            cells = file.read(1, window=cut, boundless=True, fill_value=np.nan).astype(np.float64)
    except RasterioError as error:
        raise InputError(f"{steps}: this cannot be read, so make the folder of points anew.") from error
    cells = _highest(cells, top - top[0], base - top[0], 0)
    out[:] = _highest(cells, left - left[0], right - left[0], 1)
    return out


def _highest(cells: Array, first: Ints, end: Ints, axis: int) -> Array:
    """Along an axis, the highest of the cells from each `first` up to its `end`; NaN where one is NaN."""
    out = np.take(cells, first, axis=axis)
    for more in range(1, int((end - first).max())):
        at = np.minimum(first + more, end - 1)
        out = np.maximum(out, np.take(cells, at, axis=axis))
    return out


def points_elevation(folder: str) -> str:
    """The bare ground of a folder of points."""
    return os.path.join(folder, GROUND)


def files_of_points(folder: str) -> list[str]:
    """What is read of a folder beside its ground. Raises InputError where it is none of ours or not whole."""
    if not os.path.isdir(folder):
        raise InputError(f"{folder}: there is no such folder, so check --points or make it with 'slopekit points'.")
    files = [os.path.join(folder, name) for name in (STEPS, *PACKAGES.values(), NOTES)]
    for file in files:
        if not os.path.isfile(file):
            raise InputError(
                f"{folder}: {os.path.basename(file)} is missing in it, so make the folder anew with 'slopekit points'."
            )
    return files


def with_points(layers: Layers, folder: str, grid: Grid) -> Layers:
    """The layers with what a folder of points adds. What the user gave stays, whatever the points show.

    Raises InputError as `files_of_points`, and for files that cannot be read.
    """
    files = files_of_points(folder)
    at = {layer: os.path.join(folder, name) for layer, name in PACKAGES.items()}
    kinds, water = _polygons(at["point_water"], grid)
    classified = [shape for kind, shape in zip(kinds, water, strict=True) if kind == CLASSIFIED]
    possible = [shape for kind, shape in zip(kinds, water, strict=True) if kind != CLASSIFIED]
    covers, canopy = _polygons(at["point_canopy"], grid)
    unseen = [shape for kind, shape in zip(covers, canopy, strict=True) if kind == NOT_ASSESSED]
    _, exclude = _polygons(at["point_exclude"], grid)
    steps = Path(folder) / STEPS
    evidence = PointEvidence(
        *_walls(at["point_walls"], grid),
        Layer.of("possible water of the points", possible),
        Layer.of("canopy of the points that no pulse got under", unseen),
        steps if _on_crs(steps, grid) else None,
        tuple(_notes(os.path.join(folder, NOTES))),
        checksum(files),
    )
    return replace(
        layers,
        water=_joined(layers.water, classified, FROM_POINTS),
        canopy=_joined(layers.canopy, canopy),
        exclude=_joined(layers.exclude, exclude),
        points=evidence,
    )


def _joined(given: Layer | None, more: list[object], kind: str | None = None) -> Layer | None:
    """A layer with more shapes, which are of a kind where one is named."""
    if not more:
        return given
    before = [] if given is None else list(given.geometries)
    kinds = None if kind is None else [*([""] * len(before)), *([kind] * len(more))]
    return Layer.of("points" if given is None else given.name, [*before, *more], kinds)


def _polygons(path: str, grid: Grid) -> tuple[list[str], list[object]]:
    features, crs = read_features(path, empty=True)
    kinds = [as_text(kind) for kind in features.columns.get("kind", [])]
    labels = [f"feature {n}" for n in range(1, len(features.geometries) + 1)]
    return kinds, list(to_working_crs(features, crs, grid.crs, POLYGONS, "polygons", labels)) if labels else []


def _walls(path: str, grid: Grid) -> tuple[Layer, Array]:
    features, crs = read_features(path, empty=True)
    labels = [f"feature {n}" for n in range(1, len(features.geometries) + 1)]
    if not labels:
        return Layer.of(short_name(path), []), np.empty(0)
    shapes = to_working_crs(features, crs, grid.crs, LINES, "lines", labels)
    columns = [features.columns.get(name) for name in ("height", "error_m")]
    heights = [np.asarray(column, dtype=np.float64) for column in columns if column is not None]
    if len(heights) != 2 or not all(np.isfinite(column).all() for column in heights):
        raise InputError(f"{path}: 'height' or 'error_m' is not whole, so make the folder of points anew.")
    lines, owner = shapely.get_parts(shapes, return_index=True)
    return Layer.of(short_name(path), list(lines), heights=heights[0][owner]), heights[1][owner]


def _on_crs(steps: Path, grid: Grid) -> bool:
    try:
        with rasterio.open(steps) as file:
            upright = file.transform.b == 0.0 and file.transform.d == 0.0
            return upright and file.crs is not None and same_crs(file.crs.to_wkt(), grid.crs)
    except RasterioError as error:
        raise InputError(f"{steps}: this cannot be read, so make the folder of points anew.") from error


def _notes(path: str) -> list[dict[str, str]]:
    try:
        with open(path, newline="", encoding="utf-8-sig") as file:
            rows = [(row["topic"], row["name"], row["value"]) for row in csv.DictReader(file)]
    except (OSError, UnicodeDecodeError, csv.Error, KeyError) as error:
        raise InputError(f"{path}: this cannot be read, so make the folder of points anew.") from error
    # Among the notes of a screening, what the points rest on is of the ground.
    return [
        {"topic": "ground", "name": f"points: {name}", "value": value}
        if topic == "points"
        else {"topic": topic, "name": name, "value": value}
        for topic, name, value in rows
    ]
