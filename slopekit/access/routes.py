"""The ground that a machine may cross, the routes in and out, and the permitted ground that has none."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.fleet.crossing import crossing_limits
from slopekit.fleet.model import Fleet
from slopekit.kernels.route import Routes, cells_between, least_cost
from slopekit.permits.judge import BIT, Reasons, fit_diameter
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
    number: int = 1
    """Number of the entrance in its file; an entrance along a frontage has many cells."""


@dataclass(frozen=True)
class Reach:
    """The routes of one machine under one condition."""

    into: Routes
    out: Routes
    doors: dict[int, int]
    """Number of the entrance by flat index of the cell where the machine's middle is when it has come in."""
    reached: Bool
    """Cells that the middle of the machine can come to and leave again."""
    no_route: Bool
    """Permitted cells that it cannot come to, or not leave."""
    work: Bool
    """Reached cells round which the machine has room to work."""
    room: Bool
    """Disc of that room."""


@dataclass(frozen=True)
class Route:
    """The least-cost route between an entrance and one zone."""

    into: tuple[Cell, ...]
    """Row and column, entrance first."""
    out: tuple[Cell, ...]
    """Row and column, from the same cell of the zone to an entrance, which need not be the one it came in by; empty
    where the route in is also the route out."""
    into_m: float
    """Cost, m: plan length times the slope factor."""
    out_m: float
    entrance: int
    exit: int
    """Numbers of the entrances."""


def crossing_of(fleet: Fleet, machine_id: str, condition_id: str) -> Crossing | None:
    """What a machine may cross under a condition; None where its limits or its width are missing, which refuses.

    The hand crew has no width: a person on foot goes through any gate, and where one cell is open. KeyError for an
    unknown id.
    """
    limits, machine = crossing_limits(fleet, machine_id, condition_id), fleet.machines[machine_id]
    width = 0.0 if machine.operator == "hand" else machine.width_m
    if limits is None or width is None:
        return None
    return Crossing(limits.up_deg, limits.down_deg, limits.across_deg, width)


def crossable(reasons: Reasons, drop: Bool, blocked: Bool, terrain: Terrain, crossing: Crossing) -> Bool:
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
    within: Bool | None = None,
    drop: Bool | None = None,
    allowance_deg: float = 0.0,
    slope_factor: float = 0.0,
) -> Reach:
    """Where a machine gets to from the entrances and back, and the permitted ground where it does not.

    permitted: cells that the machine may work, opened by its fit (reasons == 0 of `judge`). open_ground: see
    `crossable`. within: cells that its middle keeps to, the parcel's; all by default. Beside them its sides need open
    ground too, as for the fit. drop: cells of drops: nobody crosses one, but people who may work on it do so from its
    edge. allowance_deg: allowance for noise of the survey (`terrain.noise_allowance_deg`).
    An entrance narrower than the machine lets it in nowhere. Without any entrance nothing is reached.
    """
    if within is None:
        within = np.ones(open_ground.shape, bool)
    under = _disc(crossing.width_m / 2.0 + max(terrain.dx, terrain.dy) / 2.0, terrain, strict=True)
    # Erosion, not opening: two sides of a wall may both touch a gap that the machine does not pass.
    middle = ndimage.binary_erosion(open_ground, under) & within
    doors: dict[int, int] = {}
    for entrance in entrances:
        if entrance.width_m is None or entrance.width_m >= crossing.width_m:
            for cell in _let_in(entrance.cell, open_ground, middle, crossing.width_m, terrain):
                doors[cell] = min(entrance.number, doors.get(cell, entrance.number))
    p, q = _compared_gradient(terrain)
    into, out = (
        least_cost(
            terrain.z,
            p,
            q,
            ~middle,
            np.array(sorted(doors), np.int64),
            terrain.dx,
            terrain.dy,
            grade(crossing.up_deg),
            grade(crossing.down_deg),
            grade(crossing.across_deg),
            allowance=grade(allowance_deg),
            slope_factor=slope_factor,
            # A machine wider than a cell has its side cells clear wherever its middle may be.
            corners=bool(under.sum() > 1),
            straight=True,
            outward=outward,
        )
        for outward in (False, True)
    )
    reached = np.isfinite(into.cost) & np.isfinite(out.cost)
    # A person on foot works where they stand.
    across = fit_diameter(crossing.width_m, terrain.dx, terrain.dy) if crossing.width_m > 0.0 else 0.0
    room = _disc(across / 2.0, terrain, strict=False)
    held = ndimage.binary_erosion(permitted, room)
    # The fit may hang on ground beside the parcel: a disc round there holds the machine where it comes to in the disc.
    beside = ~within & ndimage.binary_dilation(reached, room)
    covered = ndimage.binary_dilation(held & (reached | beside), room) & permitted
    if drop is not None:
        corners = np.ones((3, 3), bool)
        edge = ndimage.binary_dilation(reached, corners) & drop & permitted
        covered |= ndimage.binary_propagation(edge, corners, mask=drop & permitted)
    return Reach(into, out, doors, reached, permitted & ~covered & within, held & reached, room)


def route_to(reach: Reach, zone: NDArray[np.int64]) -> Route | None:
    """The least-cost route in to a zone (flat indices of its cells), and the route out from where it ends; None where
    there is none.

    It ends at the first cell of the zone that the middle of the machine comes to, or, where the zone is worked from
    beside it, where the machine then stands.
    """
    cost = reach.into.cost
    ends = zone[reach.reached.ravel()[zone]]
    if not ends.size:
        cells = np.zeros(cost.shape, bool)
        cells.ravel()[zone] = True
        beside = ndimage.binary_dilation(cells, reach.room) | ndimage.binary_dilation(cells, np.ones((3, 3), bool))
        ends = np.flatnonzero(reach.work & beside)
        if not ends.size:
            return None
    end = int(ends[cost.ravel()[ends].argmin()])
    into, back = cells_between(reach.into, end)[::-1], cells_between(reach.out, end)
    # The same route back, where that is as short as any.
    along = np.array(into)
    same = bool(np.allclose(reach.out.cost.ravel()[along], cost.ravel()[along], rtol=1e-9, atol=1e-9))
    cols = cost.shape[1]
    return Route(
        tuple(divmod(c, cols) for c in into),
        () if same else tuple(divmod(c, cols) for c in back),
        float(cost.ravel()[end]),
        float(reach.out.cost.ravel()[end]),
        reach.doors[into[0]],
        reach.doors[back[-1]],
    )


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
