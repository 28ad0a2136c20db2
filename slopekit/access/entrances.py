"""Which entrances lie at a parcel, and the cells of it that they lead to."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from slopekit.access.routes import Entrance
from slopekit.grid import Grid

# Cells that are nearer by less than this, m, are equally near.
_EQUAL_M = 1e-6


@dataclass(frozen=True, eq=False)
class Gate:
    """An entrance as it was given."""

    shape: shapely.Geometry
    """A point, or a line along a frontage; CRS units."""
    width_m: float | None
    """Clear width, None where not given."""
    number: int
    """From 1, in its file."""


def entrances_at(
    gates: Iterable[Gate], region: shapely.Geometry, cells: NDArray[np.bool_], grid: Grid, reach_m: float
) -> tuple[Entrance, ...]:
    """The entrances within `reach_m` metres of `region` (CRS units), one for each cell that they lead to.

    cells: (rows, cols), the region's cells on `grid`. A point leads to the nearest cell, and to all that are equally
    near. A line does so at every half cell along the part of it that lies within reach.
    """
    found = np.argwhere(cells)
    if not found.size:
        return ()
    tree = cKDTree((found + 0.5) * (grid.dy, grid.dx))
    metres = grid.metres_per_unit
    out = []
    for gate in gates:
        shape = shapely.segmentize(gate.shape, min(grid.step_x, grid.step_y) / 2.0)
        points = shapely.points(shapely.get_coordinates(shape))
        near = points[shapely.distance(points, region) * metres <= reach_m]
        if not near.size:
            continue
        x, y = shapely.get_coordinates(near).T
        place = np.column_stack([(grid.north - y) * metres, (x - grid.west) * metres])
        least, _ = tree.query(place)
        leads_to = np.unique(np.concatenate(tree.query_ball_point(place, least + _EQUAL_M)).astype(np.int64))
        out += [Entrance((int(i), int(j)), gate.width_m, gate.number) for i, j in found[leads_to]]
    return tuple(out)
