"""Metres of edge that have to be trimmed along each zone."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

# A shore or wall is given to the nearest zone within this distance, m: zones follow cells and the lines do not.
_BESIDE_M = 3.0
# Lines are looked at in pieces this long, m.
_PIECE_M = 1.0
# A piece this near the parcel's line, m, lies on it and is counted there.
_SAME_M = 0.5


def edge_lengths(
    zones: Any, worked: NDArray[np.bool_], metres_per_unit: float, lines: Sequence[shapely.Geometry] = ()
) -> NDArray[np.float64]:
    """Metres to trim along the parcel line, along exclusions, and along `lines`, for each zone.

    zones: table with parcel_id, machine_class and geometry. The zones of a parcel share the vertices of their common
    lines; an exclusion need not, since a zone's line that matches no other is an edge too. worked: (zones,), whether
    anybody may work it. lines: shores, walls and the like in the zones' CRS; each stretch counts for the nearest worked
    zone within 3 m, and not where it lies on an edge that counts already. Exclusions have no edge of their own: 0.
    """
    geometry = np.asarray(zones.geometry)
    excluded = np.asarray(zones["machine_class"]) == "excluded"
    owner, ends = _segments(geometry)
    trimmed = _outer(owner, ends, np.asarray(zones["parcel_id"], dtype=str), excluded)
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    out = np.bincount(owner[trimmed], weights=length[trimmed], minlength=geometry.size).astype(np.float64)
    if len(lines) and geometry.size:
        counted = shapely.linestrings(ends[trimmed].reshape(-1, 2, 2))
        out += _beside(geometry, worked & ~excluded, lines, counted, metres_per_unit)
    return out * metres_per_unit


def _outer(
    owner: NDArray[np.int64], ends: NDArray[np.float64], parcel_id: NDArray[Any], excluded: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Pieces of boundary that no other zone of the parcel shares, or only an exclusion."""
    parcels = np.unique(parcel_id, return_inverse=True)[1]
    # Both zones on a line between them have it, in opposite directions; on the parcel's line it has one owner only.
    key = np.column_stack([parcels[owner], _either_way(ends)])
    same = np.unique(key, axis=0, return_inverse=True)[1].ravel()
    count = np.bincount(same)
    by_excluded = np.bincount(same, weights=excluded[owner]) > 0
    return ((count[same] == 1) | by_excluded[same]) & ~excluded[owner]


def _beside(
    geometry: NDArray[Any],
    worked: NDArray[np.bool_],
    lines: Sequence[shapely.Geometry],
    counted: NDArray[Any],
    metres_per_unit: float,
) -> NDArray[np.float64]:
    """CRS units of `lines` beside each zone."""
    pieces = shapely.segmentize(np.asarray(lines, dtype=object), _PIECE_M / metres_per_unit)
    _, ends = _segments(pieces)
    # A line that two bodies share is one line.
    ends = np.unique(_either_way(ends), axis=0)
    middle = shapely.points((ends[:, 0] + ends[:, 2]) / 2.0, (ends[:, 1] + ends[:, 3]) / 2.0)
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    if counted.size:
        near = shapely.STRtree(counted).query(middle, predicate="dwithin", distance=_SAME_M / metres_per_unit)[0]
        length[near] = 0.0
    places = np.flatnonzero(worked)
    tree = shapely.STRtree(geometry[places])
    which, nearest = tree.query_nearest(middle, max_distance=_BESIDE_M / metres_per_unit, all_matches=False)
    return np.bincount(places[nearest], weights=length[which], minlength=geometry.size).astype(np.float64)


def _either_way(ends: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pieces from their western, then southern end on, so that both directions are the same."""
    low_first = (ends[:, 0] < ends[:, 2]) | ((ends[:, 0] == ends[:, 2]) & (ends[:, 1] <= ends[:, 3]))
    return np.where(low_first[:, None], ends, ends[:, [2, 3, 0, 1]])


def _segments(geometry: NDArray[Any]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Each straight piece of each boundary or line: number of the geometry, and x, y of both ends."""
    parts, of_part = shapely.get_parts(geometry, return_index=True)
    polygons = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    rings, of_ring = shapely.get_rings(parts[polygons], return_index=True)
    runs = np.concatenate([rings, parts[~polygons]])
    of_run = np.concatenate([of_part[polygons][of_ring], of_part[~polygons]])
    points, of_point = shapely.get_coordinates(runs, return_index=True)
    joined = of_point[1:] == of_point[:-1]
    ends = np.column_stack([points[:-1], points[1:]])[joined]
    return of_run[of_point[:-1][joined]], ends
