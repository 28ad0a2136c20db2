"""Ground that holds everything at once, for the properties."""

from typing import Any

import numpy as np
import shapely
from ground_maker import NORTH, SHORT_LOOK, WEST, Array, box, fleet_of
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.fleet.model import Fleet

ROWS, COLS = 250, 262

TWO_CONDITIONS = {"dry": {"friction": 0.35, "limit_factor": 1.0}, "wet": {"friction": 0.2, "limit_factor": 0.8}}


def golden_heights(*, ties: bool = True, seed: int = 20240531) -> Array:
    """Rough ground (ROWS, COLS), m: a valley side with a pond, a wall, a basin; with `ties`, equally steep ways."""
    random = np.random.default_rng(seed)
    row, col = np.mgrid[:ROWS, :COLS].astype(float)
    z = 120.0 + 0.03 * col + 0.04 * row
    for scale, height in ((4.0, 0.15), (12.0, 0.7), (30.0, 2.5)):
        noise = ndimage.gaussian_filter(random.normal(size=z.shape), scale)
        z += height * noise / noise.std()
    z += random.normal(scale=0.02, size=z.shape)
    if ties:
        # Planes and a cone on round numbers: exactly equal falls to several neighbours.
        z[135:160, 90:115] = np.round(z[147, 102]) + 0.0625 * (row + col - 249.0)[135:160, 90:115]
        hill = np.hypot(row - 105.0, col - 160.0) < 12.0
        z[hill] = np.round(8.0 * (z[105, 160] + 3.0 - 0.25 * np.hypot(row - 105.0, col - 160.0)))[hill] / 8.0
    # A basin 1.5 m deep below its rim, about 20 m wide.
    away = np.hypot(row - 150.0, col - 165.0)
    rim = z[150, 165] - 0.5
    z = np.where(
        away < 11.0, np.minimum(z, rim - 1.5 + 1.5 * (away / 11.0) ** 2 + 0.02 * random.normal(size=z.shape)), z
    )
    # A pond, flattened by the survey.
    pond = np.hypot((row - 95.0) / 9.0, (col - 105.0) / 14.0) < 1.0
    z[pond] = z[pond].min() - 0.2
    # A wall 1.3 m high that curves.
    z += (
        1.3
        * (row > 120.0 + 8.0 * np.sin(col / 15.0))
        * np.clip((col - 85.0) / 12.0, 0.0, 1.0)
        * np.clip((190.0 - col) / 12.0, 0.0, 1.0)
    )
    return z


def golden_parcel() -> shapely.MultiPolygon:
    """Two parts, one with a hole; no edge along the cells' edges."""
    outer = shapely.Polygon([(84.3, 81.7), (176.6, 87.2), (181.1, 140.4), (150.9, 170.8), (92.2, 166.1)])
    hole = shapely.Point(133.3, 112.8).buffer(7.7, quad_segs=3)
    small = shapely.Polygon([(183.4, 150.2), (195.7, 153.9), (187.1, 168.3)])
    cells = shapely.MultiPolygon([shapely.difference(outer, hole), small])
    west, _, _, north = box(0.0, 0.0, 1.0, 1.0).bounds
    # Sixty-fourths are exact, so that turning the parcel loses nothing.
    return shapely.transform(
        cells, lambda xy: np.round(64.0 * np.stack([west + xy[:, 0], north - xy[:, 1]], axis=1)) / 64.0
    )


def golden_entrances() -> list[shapely.Geometry]:
    """A gate at a corner of four cells, a frontage along one side of the parcel, and a gate to its small part."""
    frontage = shapely.LineString([(176.6, 95.0), (181.1, 140.4)])
    moved = shapely.transform(frontage, lambda xy: np.stack([WEST + xy[:, 0], NORTH - xy[:, 1]], axis=1))
    gates = shapely.Point(WEST + 92.0, NORTH - 160.0), shapely.Point(WEST + 190.0, NORTH - 152.0)
    return [gates[0], shapely.set_precision(moved, 1.0 / 64.0), gates[1]]


GOLDEN_WIDTHS = (1.3, np.nan, 1.3)
"""Of the entrances; the ride-on of `fleet_of` is 1.5 m wide."""


def golden_fleet(**settings: Any) -> Fleet:
    """Two conditions, a machine held to one way of working on part of the ground, two machines of one class."""
    return fleet_of(
        (10.0, 15.0, 20.0, 30.0),
        conditions=TWO_CONDITIONS,
        settings={**SHORT_LOOK, **settings},
        ride_on={"across_deg": 7.0, "up_down_deg": 12.0},
        walk_behind={"above_hazard": True},
        small_walk_behind={
            "class": "walk-behind",
            "width_m": 0.5,
            "speed_kmh": 3.0,
            "across_deg": 25.0,
            "up_down_deg": 16.0,
        },
    )


def turned(a: NDArray[Any], way: int) -> NDArray[Any]:
    """`a` (rows, cols, ...) after `way` % 4 quarter turns to the left, then mirrored for 4 to 7."""
    out = np.rot90(a, way % 4)
    return np.ascontiguousarray(out[:, ::-1] if way >= 4 else out)


def turned_back(a: NDArray[Any], way: int) -> NDArray[Any]:
    return np.rot90(a[:, ::-1] if way >= 4 else a, -(way % 4))


def turned_shape(shape: shapely.Geometry, way: int, *, undo: bool = False) -> shapely.Geometry:
    """What `turned` does to the golden ground, done to a shape on it."""

    def turn(xy: Array) -> Array:
        col, row = xy[:, 0] - WEST, NORTH - xy[:, 1]
        width, height = (ROWS, COLS) if undo and way % 2 else (COLS, ROWS)
        if undo and way >= 4:
            col = width - col
        for _ in range(-way % 4 if undo else way % 4):
            row, col, width, height = width - col, row, height, width
        if not undo and way >= 4:
            col = width - col
        return np.stack([WEST + col, NORTH - row], axis=1)

    return shapely.transform(shape, turn)
