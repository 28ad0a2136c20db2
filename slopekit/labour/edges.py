"""Metres of edge that have to be trimmed along each zone."""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.hazards.shapes import GIVEN
from slopekit.labour.shores import without_steps

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# A shore or wall is given to the nearest zone within this distance, m: zones follow cells and the lines do
# not (common practice, no source).
_BESIDE_M = 3.0
# Lines are looked at in pieces this long, m.
_PIECE_M = 1.0
# A piece this near the parcel's line, m, lies on it and is counted there.
_SAME_M = 0.5
# Corners this near each other, m, are one: cutting and projecting leave far smaller gaps between zones that share one.
_CORNER_M = 1e-4


def edge_lengths(zones: Any, worked: NDArray[np.bool_], metres_per_unit: float, lines: Any = None) -> Array:
    """Metres to trim along the parcel line, along exclusions, and along `lines`, for each zone.

    zones: table with parcel_id, machine_class and geometry. The zones of a parcel share the corners of their common
    lines to a tenth of a millimetre; an exclusion need not, since a zone's line that matches no other is an edge too.
    worked: (zones,), whether anybody may work it. lines: table of shores, walls and the like with parcel_id, origin
    and geometry, in the zones' CRS. A line counts for its own parcel: each stretch for the nearest worked zone within
    3 m, and not where it lies on an edge that counts already. Lines that the survey shows, which are all but those of
    the origin "given", follow cells and are measured without their steps (see `without_steps`). Exclusions have no edge
    of their own: 0.
    """
    geometry = np.asarray(zones.geometry)
    excluded = np.asarray(zones["machine_class"]) == "excluded"
    parcel = np.asarray(zones["parcel_id"], dtype=str)
    owner, ends = _sides(geometry)
    corner = _CORNER_M / metres_per_unit
    trimmed = _outer(owner, ends, np.unique(parcel, return_inverse=True)[1], excluded, corner)
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    out = np.bincount(owner[trimmed], weights=length[trimmed], minlength=geometry.size).astype(np.float64)
    if lines is not None and len(lines) and geometry.size:
        pieces = _pieces(lines, metres_per_unit)
        places = np.flatnonzero(worked & ~excluded)
        out += _beside(geometry, parcel, places, pieces, (parcel[owner[trimmed]], ends[trimmed]), metres_per_unit)
    return out * metres_per_unit


def _outer(owner: Ints, ends: Array, parcel: Ints, excluded: NDArray[np.bool_], corner: float) -> NDArray[np.bool_]:
    """Sides that no other zone of the parcel shares, or only an exclusion."""
    # Both zones on a line between them have it, in opposite directions; on the parcel's line it has one owner only.
    same = _same(parcel[owner], ends, corner)
    count = np.bincount(same)
    by_excluded = np.bincount(same, weights=excluded[owner]) > 0
    return ((count[same] == 1) | by_excluded[same]) & ~excluded[owner]


def _beside(
    geometry: NDArray[Any],
    parcel: NDArray[Any],
    places: Ints,
    pieces: tuple[NDArray[Any], Array, Array],
    counted: tuple[NDArray[Any], Array],
    metres_per_unit: float,
) -> Array:
    """CRS units of lines beside each zone.

    places: zones that are worked. pieces: parcel, ends and length of each piece of the lines. counted: parcel and ends
    of the sides that count already.
    """
    of, ends, length = pieces
    middle = shapely.points((ends[:, 0] + ends[:, 2]) / 2.0, (ends[:, 1] + ends[:, 3]) / 2.0)
    if len(counted[1]):
        tree = shapely.STRtree(shapely.linestrings(counted[1].reshape(-1, 2, 2)))
        which, near = tree.query(middle, predicate="dwithin", distance=_SAME_M / metres_per_unit)
        length = length.copy()
        length[which[of[which] == counted[0][near]]] = 0.0
    tree = shapely.STRtree(geometry[places])
    which, near = tree.query(middle, predicate="dwithin", distance=_BESIDE_M / metres_per_unit)
    own = of[which] == parcel[places[near]]
    which, near = which[own], near[own]
    # The nearest of each piece; of equals the first in the table.
    away = shapely.distance(middle[which], geometry[places[near]])
    order = np.lexsort((near, away, which))
    first = order[np.unique(which[order], return_index=True)[1]]
    return np.bincount(places[near[first]], weights=length[which[first]], minlength=geometry.size).astype(np.float64)


def _pieces(lines: Any, metres_per_unit: float) -> tuple[NDArray[Any], Array, Array]:
    """Parcel, ends and length that counts of each short piece; a line that two bodies of a parcel share is one line."""
    drawn = np.asarray(lines["origin"], dtype=str) == GIVEN
    shapes, parcel = np.asarray(lines.geometry), np.asarray(lines["parcel_id"], dtype=str)
    cut = shapely.segmentize(shapes[drawn], _PIECE_M / metres_per_unit)
    owner, ends = _sides(cut)
    found = [(parcel[drawn][owner], ends, np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1]))]
    runs, of_run = _runs(shapes[~drawn])
    for run, of in zip(runs, parcel[~drawn][of_run], strict=True):
        ends, length = without_steps(run, metres_per_unit)
        found.append((np.full(len(length), of), ends, length))
    of, ends, length = (np.concatenate(part) for part in zip(*found, strict=True))
    same = _same(np.unique(of, return_inverse=True)[1], ends, _CORNER_M / metres_per_unit)
    first = np.unique(same, return_index=True)[1]
    return of[first], ends[first], length[first]


def _same(group: Ints, ends: Array, corner: float) -> Ints:
    """Number of each piece; pieces of one group with the same ends, in either direction, have the same number.

    Ends are the same where no step from one coordinate of the group to the next in size is more than `corner`, which
    holds in whatever order they come.
    """
    groups = np.concatenate([group, group])
    x, y = (_numbered(groups, np.concatenate([ends[:, k], ends[:, k + 2]]), corner) for k in (0, 1))
    one, other = np.split(x * (y.max(initial=0) + 1) + y, 2)
    return np.unique(np.stack([group, np.minimum(one, other), np.maximum(one, other)]), axis=1, return_inverse=True)[
        1
    ].ravel()


def _numbered(group: Ints, value: Array, gap: float) -> Ints:
    """A number for each value, the same for those of a group between which no gap is wider than `gap`."""
    order = np.lexsort((value, group))
    apart = (np.diff(group[order]) > 0) | (np.diff(value[order]) > gap)
    out = np.zeros(len(value), np.int64)
    out[order[1:]] = np.cumsum(apart)
    return out


def _sides(geometry: NDArray[Any]) -> tuple[Ints, Array]:
    """Each straight piece of each boundary or line: number of the geometry, and x, y of both ends."""
    runs, of_run = _runs(geometry)
    points, of_point = shapely.get_coordinates(runs, return_index=True)
    joined = of_point[1:] == of_point[:-1]
    ends = np.column_stack([points[:-1], points[1:]])[joined]
    return of_run[of_point[:-1][joined]], ends


def _runs(geometry: NDArray[Any]) -> tuple[NDArray[Any], Ints]:
    """Rings and lines of each geometry, and its number."""
    parts, of_part = shapely.get_parts(geometry, return_index=True)
    polygons = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    rings, of_ring = shapely.get_rings(parts[polygons], return_index=True)
    runs = np.concatenate([rings, parts[~polygons]])
    return runs, np.concatenate([of_part[polygons][of_ring], of_part[~polygons]])
