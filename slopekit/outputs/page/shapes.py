"""Geometries as packed whole numbers: tenths of a metre from a corner of the page's ground."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from slopekit.outputs.page.packed import packed, packed_signed
from slopekit.sources.local_crs import local_crs
from slopekit.sources.units_of import metres_per_unit

STEP_M = 0.1


@dataclass(frozen=True)
class Frame:
    """Where the page's metres begin, and the CRS that they are measured in."""

    crs: str
    west: float
    south: float
    metres_per_unit: float

    def steps(self, coordinates: NDArray[np.float64]) -> NDArray[np.int64]:
        """(n, 2) CRS units to whole steps east and north of the corner."""
        from_corner = coordinates - np.array([self.west, self.south])
        out: NDArray[np.int64] = np.rint(from_corner * (self.metres_per_unit / STEP_M)).astype(np.int64)
        return out

    def moved(self, layer: gpd.GeoDataFrame) -> NDArray[Any]:
        """The geometries of a layer in this frame's CRS."""
        return np.asarray(layer.geometry.to_crs(self.crs).to_numpy(), dtype=object)


def frame_of(parcels: gpd.GeoDataFrame) -> Frame:
    """A frame that holds all parcels, in their CRS where its lengths are those on the ground, else in a local one."""
    west, south, east, north = parcels.total_bounds
    given = pyproj.CRS(parcels.crs).to_wkt()
    crs = local_crs(given, np.array([[(west + east) / 2.0, (south + north) / 2.0]]), [""])[0]
    west, south, _, _ = parcels.geometry.to_crs(crs).total_bounds
    return Frame(crs, float(west), float(south), metres_per_unit(crs))


def polygons(shapes: NDArray[Any], frame: Frame) -> dict[str, str]:
    """`rings`: how many each shape has, holes included; `points`: how many each ring has, its last one left out;
    `steps`: from each point to the next, east and north, on over rings and shapes."""
    parts, of = shapely.get_parts(shapes, return_index=True)
    rings, of_part = shapely.get_rings(parts, return_index=True)
    count = np.bincount(of[of_part], minlength=len(shapes))
    steps, of_ring = _steps(rings, frame)
    # A ring ends where it began: its last point says nothing.
    last = np.append(of_ring[1:] != of_ring[:-1], True) if len(of_ring) else np.zeros(0, bool)
    return {"rings": packed(count), **_told(steps[~last], of_ring[~last], len(rings))}


def lines(shapes: NDArray[Any], frame: Frame) -> dict[str, str]:
    """`lines`: how many each shape has; `points` and `steps` as in `polygons`."""
    parts, of = shapely.get_parts(shapes, return_index=True)
    steps, of_line = _steps(parts, frame)
    return {"lines": packed(np.bincount(of, minlength=len(shapes))), **_told(steps, of_line, len(parts))}


def points(shapes: Sequence[Any], frame: Frame) -> str:
    """From each point to the next, east and north."""
    return packed_signed(_differences(frame.steps(shapely.get_coordinates(shapes))))


def _steps(lines: NDArray[Any], frame: Frame) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Points in steps and the number of their line, without those that fall on the one before or lie on the straight
    line between their neighbours."""
    coordinates, of = shapely.get_coordinates(lines, return_index=True)
    steps = frame.steps(coordinates)
    if not len(of):
        return steps, of
    new = np.append(True, (of[1:] != of[:-1]) | (steps[1:] != steps[:-1]).any(axis=1))
    steps, of = steps[new], of[new]
    before, after = np.diff(steps, axis=0)[:-1], np.diff(steps, axis=0)[1:]
    straight = before[:, 0] * after[:, 1] == before[:, 1] * after[:, 0]
    onward = (before * after).sum(axis=1) > 0
    bends = np.ones(len(steps), bool)
    bends[1:-1] = ~(straight & onward & (of[2:] == of[:-2]))
    return steps[bends], of[bends]


def _told(steps: NDArray[np.int64], of: NDArray[np.int64], count: int) -> dict[str, str]:
    return {"points": packed(np.bincount(of, minlength=count)), "steps": packed_signed(_differences(steps))}


def _differences(steps: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.diff(steps, axis=0, prepend=np.zeros((1, 2), np.int64))
