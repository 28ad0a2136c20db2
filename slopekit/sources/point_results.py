"""The folder that `slopekit points` writes, as a screening takes it."""

import csv
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.errors import RasterioError

from slopekit.errors import InputError
from slopekit.grid import Grid
from slopekit.hazards.shapes import FROM_POINTS
from slopekit.sources.checksum import checksum
from slopekit.sources.files import short_name
from slopekit.sources.layers import Layer, Layers, PointEvidence
from slopekit.sources.units_of import same_crs
from slopekit.sources.vectors import LINES, POLYGONS, as_text, read_features, to_working_crs

Array = NDArray[np.float64]

GROUND, RETURNS, STEPS, SEEN = RASTERS = "ground.tif", "returns.tif", "steps.tif", "seen.tif"
NOTES = "points_notes.csv"
PACKAGES = {
    "point_walls": "walls.gpkg",
    "point_water": "water.gpkg",
    "point_canopy": "canopy.gpkg",
    "point_exclude": "exclude.gpkg",
}
NOT_ASSESSED = "not assessed"
"""The kind of canopy that no pulse got under."""
CLASSIFIED = "water by class"
"""The kind of water that needs no more proof; all other kinds are possible water."""


def points_elevation(folder: str) -> str:
    """The bare ground of a folder of points."""
    return os.path.join(folder, GROUND)


def files_of_points(folder: str) -> list[str]:
    """What is read of a folder beside its ground. Raises InputError where it is none of ours or not whole."""
    if not os.path.isdir(folder):
        raise InputError(f"{folder}: there is no such folder, so check --points or make it with 'slopekit points'.")
    files = [os.path.join(folder, name) for name in (GROUND, STEPS, SEEN, *PACKAGES.values(), NOTES)]
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
        Path(folder),
        _on_crs(steps, grid),
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
