"""What the map needs to know and does not draw: relief, names of zones, places for labels."""

import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import shapely

from slopekit.grid import Grid


def hillshade(z: np.ndarray, grid: Grid) -> np.ndarray:
    """Cosine between the ground's normal and a light in the north-west at 45 degrees; relief doubled to be seen.

    `z` in metres on `grid`; NaN where the ground or a neighbour is missing.
    """
    south, east = np.gradient(2.0 * z, grid.dy, grid.dx)
    lit = (east + south) / math.sqrt(2.0)
    return math.sqrt(0.5) * (1.0 + lit) / np.sqrt(1.0 + east**2 + south**2)


def round_length(most: float) -> float:
    """The greatest 1, 2 or 5 times a power of ten that is not over `most`."""
    power = 10.0 ** math.floor(math.log10(most))
    return max(m * power for m in (1.0, 2.0, 5.0) if m * power <= most)


def short_id(zone_id: str, parcel_id: str) -> str:
    """A zone's own part of its id, z or s and a number, for a map that shows the parcel's id already."""
    return zone_id.removeprefix(parcel_id).lstrip(" -_/.:")


def spots_of(zones: Any) -> np.ndarray:
    """Boolean array: which rows of the zones table gather spots."""
    pairs = zip(zones["zone_id"], zones["parcel_id"], strict=True)
    return np.array([short_id(zone, parcel).startswith("s") for zone, parcel in pairs], dtype=bool)


def wrapped(sentence: str, room: float, width: Callable[[str], float], bullet: str = "•") -> list[str]:
    """The lines of a sentence with a bullet before it, none wider than `room` but for a word that is; `width` measures.

    Without a bullet the lines are not indented either.
    """
    space = width("x x") - 2 * width("x")
    indent = "  " if bullet else ""
    lines, line, used = [], bullet, width(bullet)
    for word in sentence.split():
        wide = space + width(word)
        if used + wide > room and line.strip():
            lines.append(line)
            line, used = indent, len(indent) * space
        line, used = f"{line} {word}" if bullet or line else word, used + wide
    return [*lines, line]


def label_places(shape: Any, top: bool) -> Iterator[tuple[float, float, float, float]]:
    """Places to try for the name of a shape, best first: x, y, and steps to the right and up from there.

    A line is named beside its middle; a polygon inside, near its `top` or its middle and then further off.
    """
    largest = max(shapely.get_parts(shape), key=lambda part: part.length)
    if largest.geom_type == "LineString":
        point = largest.interpolate(0.5, normalized=True)
        yield from ((point.x, point.y, right, up) for right, up in ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 2), (-1, -2)))
        return
    west, south, east, north = largest.bounds
    for share in (0.12, 0.3, 0.5, 0.7, 0.88) if top else (0.5, 0.3, 0.7, 0.12, 0.88):
        y = north - share * (north - south)
        band = largest.intersection(shapely.LineString([(west, y), (east, y)]))
        point = max(shapely.get_parts(band), key=lambda part: part.length).centroid
        yield from ((point.x, point.y, 0.0, up) for up in (0.0, -2.0, 2.0))
