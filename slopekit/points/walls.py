"""Places on the lines of steps joined to lines, with the higher ground on their left."""

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.grid import Grid
from slopekit.kernels.step_windows import Z_99

Array = NDArray[np.float64]
Record = dict[str, object]

_PIECE = 6
"""Places in one feature: a wall's height changes along it."""
_ALONG = 0.5
"""Cosine between the normals of two neighbouring places of one line."""
SURE, LIKELY = "ground returns on both sides", "with returns that the survey left unclassified"
# Neighbours, straight ones first: a corner is crossed only where no straight way goes.
_STRAIGHT, _CORNERS = ((0, 1), (1, 0)), ((1, 1), (1, -1))


def wall_records(nodes: Array, grid: Grid) -> list[Record]:
    """Records of layer `point_walls`, geometry included. nodes: (n, `NODE`), see `kernels.step_windows`.

    Each feature holds up to six places, with the medians of their heights and of their errors: that of one
    of them. Where a part of it is higher by more than twice that error, its height is that of the part.
    """
    out: list[Record] = []
    for chain in _chains(nodes):
        for first in range(0, max(1, len(chain) - 1), _PIECE - 1):
            piece = nodes[chain[first : first + _PIECE]]
            line = _line(piece, grid)
            error = float(Z_99 * np.median(piece[:, 7]))
            out.append(
                {
                    "height": _height(piece[:, 6], error),
                    "error_m": error,
                    "length_m": line.length * grid.metres_per_unit,
                    "returns_above": int(piece[:, 9].min()),
                    "returns_below": int(piece[:, 10].min()),
                    "residual_m": float(piece[:, 8].max()),
                    "sure": LIKELY if piece[:, 11].any() else SURE,
                    "geometry": line,
                }
            )
    return out


def _height(heights: Array, error: float) -> float:
    """The median (m), or the highest median of three places on end where that is higher by more than twice the error:
    a wall that runs into a kerb stays a wall."""
    usual = float(np.median(heights))
    part = max(float(np.median(heights[k : k + 3])) for k in range(max(1, len(heights) - 2)))
    return part if part - usual > 2.0 * error else usual


def _line(piece: Array, grid: Grid) -> shapely.LineString:
    """Through the places of a piece, the upper side on its left; a lone place is drawn a cell long."""
    places, normals = piece[:, 2:4], piece[:, 4:6]
    if len(piece) == 1:
        # East and south: turning the way to the upper side by a quarter to the right, seen on the map.
        half = 0.5 * grid.dx * np.array([-normals[0, 1], normals[0, 0]])
        places = np.stack([places[0] - half, places[0] + half])
    else:
        ahead = places[-1] - places[0]
        middle = normals.mean(axis=0)
        # On the map, y up, the left of (a, b) is (-b, a).
        if ahead[1] * middle[0] - ahead[0] * middle[1] < 0.0:
            places = places[::-1]
    x = grid.west + places[:, 0] / grid.metres_per_unit
    y = grid.north - places[:, 1] / grid.metres_per_unit
    return shapely.LineString(np.column_stack([x, y]))


def _chains(nodes: Array) -> list[list[int]]:
    """Numbers of the nodes of each line, in the order along it. Each node is in one line, but for forks, where several
    end."""
    at = {(int(i), int(j)): n for n, (i, j) in enumerate(nodes[:, :2])}
    beside: list[list[int]] = [[] for _ in nodes]

    def join(a: int, b: int) -> None:
        if float(nodes[a, 4:6] @ nodes[b, 4:6]) >= _ALONG:
            beside[a].append(b)
            beside[b].append(a)

    for (i, j), n in at.items():
        for di, dj in _STRAIGHT:
            other = at.get((i + di, j + dj))
            if other is not None:
                join(n, other)
    for (i, j), n in at.items():
        for di, dj in _CORNERS:
            other = at.get((i + di, j + dj))
            if other is not None and (i, j + dj) not in at and (i + di, j) not in at:
                join(n, other)
    out: list[list[int]] = []
    used: set[tuple[int, int]] = set()

    def walk(start: int, following: int) -> list[int]:
        chain, here, ahead = [start], start, following
        while True:
            used.add((min(here, ahead), max(here, ahead)))
            chain.append(ahead)
            onward = [k for k in beside[ahead] if (min(k, ahead), max(k, ahead)) not in used]
            if len(beside[ahead]) != 2 or not onward:
                return chain
            here, ahead = ahead, onward[0]

    # Ends and forks first, then what is left: closed rings.
    for n in sorted(range(len(nodes)), key=lambda n: len(beside[n]) == 2):
        if not beside[n]:
            out.append([n])
        for k in beside[n]:
            if (min(n, k), max(n, k)) not in used:
                out.append(walk(n, k))
    return out
