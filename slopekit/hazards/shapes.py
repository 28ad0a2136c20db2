"""Crest lines as geometry, for the layers that a person looks at."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.grid import Grid
from slopekit.hazards.pieces import Pieces

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Ints = NDArray[np.int32]

GIVEN, FLAT, POSSIBLE = "given", "inferred from flat cells", "possible water"
FROM_POINTS = "from points"
GROUND, CONFIRMED = "ground", "confirmed on site"


@dataclass(frozen=True)
class Shape:
    geometry: shapely.Geometry
    origin: str
    height_m: float = np.nan
    length_m: float = np.nan
    """Of a drop that the ground shows, from end to end, whole even where the shape is cut."""
    number: int = 0
    """Of the body that it is a part of (see `Hazards`); 0 for what was given."""


def crest_lines(crest: Ints, pieces: Pieces, grid: Grid) -> list[Shape]:
    """Crest lines of the ground with their greatest height.

    crest: (rows, cols), number of the drop on its upper edge, 0 elsewhere. pieces: of the ground's crests, their
    label on the same cells. Each makes one feature for each drop that it runs along, so that each drop has its name:
    lines through the centres of the cells.
    """
    out = []
    held = crest > 0
    pairs, label = np.unique(np.stack([pieces.label[held], crest[held]]), axis=1, return_inverse=True)
    own = np.zeros(crest.shape, np.int32)
    own[held] = label + 1
    segments = _segments(own)
    owner = own[segments[:, 0], segments[:, 1]]
    x = grid.west + (segments[:, 1::2] + 0.5) * grid.step_x
    y = grid.north - (segments[:, 0::2] + 0.5) * grid.step_y
    lines = shapely.linestrings(np.stack([x, y], axis=2))
    lone = held.copy()
    lone[segments[:, 0], segments[:, 1]] = lone[segments[:, 2], segments[:, 3]] = False
    for run, (piece, number) in enumerate(pairs.T.tolist(), 1):
        parts = [*lines[owner == run], *_dashes((own == run) & lone, grid)]
        geometry = shapely.line_merge(shapely.multilinestrings(parts))
        out.append(Shape(geometry, GROUND, float(pieces.height_m[piece]), float(pieces.length_m[piece]), int(number)))
    return out


def _segments(own: Ints) -> NDArray[np.int64]:
    """Row, column, row, column of the links between neighbouring cells of the same number over 0; diagonal only where
    no straight way goes."""
    found = []
    mask = own > 0
    for di, dj in ((0, 1), (1, 0), (1, 1), (1, -1)):
        rows, cols = mask.shape
        a = own[: rows - di, max(0, -dj) : cols - max(0, dj)]
        b = own[di:, max(0, dj) : cols - max(0, -dj)]
        link = (a > 0) & (a == b)
        if di and dj:
            beside = mask[: rows - 1, max(0, dj) : cols - max(0, -dj)] | mask[1:, max(0, -dj) : cols - max(0, dj)]
            link &= ~beside
        i, j = np.nonzero(link)
        j = j + max(0, -dj)
        found.append(np.stack([i, j, i + di, j + dj], axis=1))
    return np.concatenate(found)


def _dashes(cells: Bool, grid: Grid) -> list[shapely.LineString]:
    """Crest cells that join no other, each drawn as wide as it is."""
    out = []
    for i, j in np.argwhere(cells).tolist():
        x, y = grid.centre(i, j)
        out.append(shapely.LineString([(x - grid.step_x / 2, y), (x + grid.step_x / 2, y)]))
    return out
