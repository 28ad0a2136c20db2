"""The cells of a berm: crest and both faces between the toes, with heights, slopes and volume."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Grid
from slopekit.kernels import sections as column
from slopekit.kernels.lines import steadied
from slopekit.kernels.sections import nearest_points
from slopekit.landforms.berm_lines import Crest

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Side:
    """One side of a berm, as seen along its line."""

    height_m: float
    """Mean height of the crest above this side's toe."""
    greatest_m: float
    hv: float
    """Run per unit rise of the face, median of its cross-sections, middle half of the face."""
    steepest_hv: float
    """The same of the steepest cell or cross-section of the face."""
    cells: Ints
    """Flat indices of the face's cells, from the edge of the crest to the toe."""


@dataclass(frozen=True)
class Sides:
    """What lies between the toes of a crest line; see `Berm`."""

    left: Side
    right: Side
    height_m: float
    crest_width_m: float
    volume_m3: float
    cells: Ints


def berm_sides(z: Array, p: Array, q: Array, crest: Crest, grid: Grid, room: tuple[Array, NDArray[np.int32]]) -> Sides:
    """What lies between the toes of a crest line. room: see `nearest_points`."""
    # A single section that a bush or a ramp leads astray must not put a spike into the outline.
    whole, ring = np.array([0, len(crest.points)]), np.array([crest.closed])
    heights = crest.sections.copy()
    # Along a line that goes downhill the heights are alike, not the levels.
    levels = [column.LEFT_Z, column.RIGHT_Z]
    heights[:, levels] -= crest.sections[:, [column.TOP_Z]]
    steady = np.stack([steadied(v, whole, ring, 8) for v in np.ascontiguousarray(heights.T)], axis=1)
    steady[:, levels] += crest.sections[:, [column.TOP_Z]]
    cell = max(grid.dx, grid.dy)
    toes = np.maximum(steady[:, column.LEFT_TOE], steady[:, column.RIGHT_TOE])
    found = nearest_points(crest.points, toes + cell, grid.dx, grid.dy, *room)
    flat, owner = found.T
    own = steady[owner]
    steps = np.array([grid.dy, grid.dx])
    away = (np.stack(np.divmod(flat, z.shape[1]), axis=1) - crest.points[owner]) * steps
    left = crest.left[owner] * steps
    side = (away * left).sum(axis=1) - own[:, column.CENTRE]
    along = away[:, 1] * left[:, 0] - away[:, 0] * left[:, 1]
    inside = (side <= own[:, column.LEFT_TOE]) & (side >= -own[:, column.RIGHT_TOE])
    if not crest.closed:
        last = (owner == 0) | (owner == len(crest.points) - 1)
        beyond = np.where(owner == 0, along, -along)
        inside &= ~last | (beyond <= 0.0)
    flat, own, side = flat[inside], own[inside], side[inside]
    order = np.argsort(flat)
    flat, own, side = flat[order], own[order], side[order]
    part = (side + own[:, column.RIGHT_TOE]) / (own[:, column.LEFT_TOE] + own[:, column.RIGHT_TOE])
    base = own[:, column.RIGHT_Z] + (own[:, column.LEFT_Z] - own[:, column.RIGHT_Z]) * part
    grade = np.hypot(p.ravel()[flat], q.ravel()[flat])
    on_left, on_right = side > own[:, column.LEFT_EDGE], side < -own[:, column.RIGHT_EDGE]
    measured = crest.sections[crest.measured]
    right_toe, left_toe = measured[:, column.RIGHT_TOE], measured[:, column.LEFT_TOE]
    middle = measured[:, column.RIGHT_Z] + (measured[:, column.LEFT_Z] - measured[:, column.RIGHT_Z]) * right_toe / (
        left_toe + right_toe
    )
    return Sides(
        left=_face(measured, column.LEFT_Z, column.LEFT_GRADE, flat[on_left], grade[on_left]),
        right=_face(measured, column.RIGHT_Z, column.RIGHT_GRADE, flat[on_right], grade[on_right]),
        height_m=float(np.mean(measured[:, column.TOP_Z] - middle)),
        crest_width_m=float(np.median(measured[:, column.LEFT_EDGE] + measured[:, column.RIGHT_EDGE])),
        volume_m3=float(np.nansum(np.maximum(z.ravel()[flat] - base, 0.0)) * grid.cell_m2),
        cells=flat,
    )


def _face(sections: Array, toe: int, slope: int, cells: Ints, grade: Array) -> Side:
    heights = sections[:, column.TOP_Z] - sections[:, toe]
    steepest = max(float(np.nanmax(grade, initial=0.0)), float(np.max(sections[:, slope])))
    return Side(
        float(np.mean(heights)),
        float(np.max(heights)),
        _run(float(np.median(sections[:, slope]))),
        _run(steepest),
        cells,
    )


def _run(grade: float) -> float:
    return 1.0 / grade if grade > 0.0 else float("inf")
