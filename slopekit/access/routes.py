"""The ground that a machine may cross, the ways in and out, and the permitted ground that has none."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.fleet.model import Fleet
from slopekit.kernels.route import Routes, cells_between, least_cost
from slopekit.permits.judge import BIT, fit_diameter
from slopekit.units import grade

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Cell = tuple[int, int]

# Driving through is not working: slope has limits of its own here, and a machine need not turn on its way.
_ONLY_FOR_WORK = BIT["slope"] | BIT["narrow"] | BIT["no_route"]
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Crossing:
    """What one machine may drive over without working, under one condition."""

    up_deg: float
    down_deg: float
    across_deg: float
    width_m: float


@dataclass(frozen=True)
class Terrain:
    """The ground of a parcel and its strip, (rows, cols) each; NaN where not known."""

    z: Array
    """Elevation, m."""
    p: Array
    """Local gradient dz/dx, columns to the right."""
    q: Array
    """Local gradient dz/dy, rows downward."""
    compared_deg: Array
    """Slope that counts against limits, degrees."""
    dx: float
    dy: float


@dataclass(frozen=True)
class Entrance:
    """One cell where machines come in."""

    cell: Cell
    width_m: float | None = None
    """Clear width of its gate, m. None: nothing there is narrower than the ground beside it."""


@dataclass(frozen=True)
class Reach:
    """The ways of one machine under one condition."""

    into: Routes
    out: Routes
    shape: Cell
    reached: Bool
    """Cells that the middle of the machine can come to and leave again."""
    no_route: Bool
    """Permitted cells that it cannot come to, or not leave."""
    work: Bool
    """Reached cells round which the machine has room to work."""


@dataclass(frozen=True)
class Way:
    """The least-cost way between an entrance and one zone."""

    zone: int
    into: tuple[Cell, ...]
    """Row and column, entrance first."""
    out: tuple[Cell, ...]
    """Row and column, from the same cell of the zone to an entrance, which need not be the one it came in by."""
    into_m: float
    """Cost, m: plan length times the slope factor."""
    out_m: float


def crossing_of(fleet: Fleet, machine_id: str, condition_id: str) -> Crossing | None:
    """The working limits taken as crossing limits; None where a limit or the width is missing, which refuses.

    KeyError for an unknown id.
    """
    across, up_down = fleet.limits(machine_id, condition_id)
    width = fleet.machines[machine_id].width_m
    if across is None or up_down is None or width is None:
        return None
    return Crossing(up_down, up_down, across, width)


def crossable(reasons: NDArray[np.uint16], drop: Bool, blocked: Bool, terrain: Terrain, crossing: Crossing) -> Bool:
    """Cells that a machine may cross in some direction, (rows, cols).

    reasons: one machine's and condition's bits of `judge.Verdict`; every one but those of work (slope, narrow) keeps it
    off. drop: cells of drops. blocked: excluded ground. A slope over all of the crossing limits is never crossed.
    """
    steepest = max(crossing.up_deg, crossing.down_deg, crossing.across_deg)
    least = min(crossing.up_deg, crossing.down_deg, crossing.across_deg)
    level = (terrain.p == 0.0) & (terrain.q == 0.0)
    # Where the ground about is steeper than the cell itself the direction is not known: every limit must hold.
    limit = np.where(level, least, steepest)
    return ((reasons & ~_ONLY_FOR_WORK) == 0) & ~drop & ~blocked & (terrain.compared_deg <= limit)


def reach_of(
    permitted: Bool,
    open_ground: Bool,
    terrain: Terrain,
    entrances: Sequence[Entrance],
    crossing: Crossing,
    *,
    allowance_deg: float = 0.0,
    slope_factor: float = 0.0,
) -> Reach:
    """Where a machine gets to from the entrances and back, and the permitted ground where it does not.

    permitted: cells that the machine may work, opened by its fit (reasons == 0 of `judge`). open_ground: see
    `crossable`. allowance_deg: allowance for noise of the survey (`terrain.noise_allowance_deg`).
    An entrance narrower than the machine lets it in nowhere. Without any entrance nothing is reached.
    """
    under = _disc(crossing.width_m / 2.0 + max(terrain.dx, terrain.dy) / 2.0, terrain, strict=True)
    # Erosion, not opening: two sides of a wall may both touch a gap that the machine does not pass.
    middle = ndimage.binary_erosion(open_ground, under)
    wide = [e.cell for e in entrances if e.width_m is None or e.width_m >= crossing.width_m]
    start = sorted({c for cell in wide for c in _let_in(cell, open_ground, middle, crossing.width_m, terrain)})
    p, q = _compared_gradient(terrain)
    ways = [
        least_cost(
            terrain.z,
            p,
            q,
            ~middle,
            np.array(start, np.int64),
            terrain.dx,
            terrain.dy,
            grade(crossing.up_deg),
            grade(crossing.down_deg),
            grade(crossing.across_deg),
            allowance=grade(allowance_deg),
            slope_factor=slope_factor,
            # A machine wider than a cell has its side cells clear wherever its middle may be.
            corners=bool(under.sum() > 1),
            outward=outward,
        )
        for outward in (False, True)
    ]
    reached = np.isfinite(ways[0].cost) & np.isfinite(ways[1].cost)
    room = _disc(fit_diameter(crossing.width_m, terrain.dx, terrain.dy) / 2.0, terrain, strict=False)
    work = ndimage.binary_erosion(permitted, room) & reached
    covered = ndimage.binary_dilation(work, room) & permitted
    return Reach(ways[0], ways[1], open_ground.shape, reached, permitted & ~covered, work)


def ways_to(reach: Reach, zones: NDArray[np.int32], numbers: Iterable[int]) -> dict[int, Way]:
    """The least-cost way in for each zone, and the way out from where it ends; zones without a route are left out.

    zones: (rows, cols), number of the zone of each cell. The way ends at the first cell of the zone where the machine
    has room to work.
    """
    cols = reach.shape[1]
    total = np.where(reach.work, reach.into.cost, np.inf).ravel()
    flat = zones.ravel()
    out: dict[int, Way] = {}
    for number in numbers:
        cells = np.flatnonzero((flat == number) & np.isfinite(total))
        if not cells.size:
            continue
        end = int(cells[np.argmin(total[cells])])
        into, back = cells_between(reach.into, end)[::-1], cells_between(reach.out, end)
        out[number] = Way(
            number,
            tuple(divmod(c, cols) for c in into),
            tuple(divmod(c, cols) for c in back),
            float(reach.into.cost.ravel()[end]),
            float(reach.out.cost.ravel()[end]),
        )
    return out


def _let_in(door: Cell, open_ground: Bool, middle: Bool, width_m: float, terrain: Terrain) -> list[int]:
    """Flat indices of the cells nearest to a door that the middle of the machine can be on: where it stands when it is
    in, which in a corner is beside the door. Only cells that open ground joins to the door, so none behind a wall."""
    rows, cols = open_ground.shape
    if not (0 <= door[0] < rows and 0 <= door[1] < cols) or not open_ground[door]:
        return []
    cell_m = max(terrain.dx, terrain.dy)
    farthest = math.sqrt(2.0) * (width_m / 2.0 + cell_m)
    ri, rj = math.ceil(farthest / terrain.dy), math.ceil(farthest / terrain.dx)
    top, left = max(0, door[0] - ri), max(0, door[1] - rj)
    near = np.s_[top : door[0] + ri + 1, left : door[1] + rj + 1]
    joined, _ = ndimage.label(open_ground[near])
    at = np.argwhere(middle[near] & (joined == joined[door[0] - top, door[1] - left])) + (top, left)
    away = np.hypot((at[:, 0] - door[0]) * terrain.dy, (at[:, 1] - door[1]) * terrain.dx)
    if not away.size or away.min() > farthest:
        return []
    return [int(i * cols + j) for i, j in at[away <= away.min() * (1.0 + _ROUNDING)]]


def _compared_gradient(terrain: Terrain) -> tuple[Array, Array]:
    """The local gradient made as long as the compared slope: which way it goes, and how much of it counts."""
    length = np.hypot(terrain.p, terrain.q)
    factor = np.ones(length.shape)
    sloped = length > 0.0
    factor[sloped] = np.tan(np.radians(terrain.compared_deg[sloped])) / length[sloped]
    return terrain.p * factor, terrain.q * factor


def _disc(radius_m: float, terrain: Terrain, *, strict: bool) -> Bool:
    """Cells whose centre lies within a radius (m) of the middle one's; strict: nearer than it."""
    limit = radius_m * (1.0 - _ROUNDING if strict else 1.0 + _ROUNDING)
    ri, rj = math.floor(limit / terrain.dy), math.floor(limit / terrain.dx)
    i, j = np.mgrid[-ri : ri + 1, -rj : rj + 1]
    return np.asarray(np.hypot(i * terrain.dy, j * terrain.dx) <= limit)
