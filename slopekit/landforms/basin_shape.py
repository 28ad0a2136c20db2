"""Measures of one basin: its sides, its floor, the path down into it, and how much it looks like a built one."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, spatial

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

FLAT_GRADE = 0.05
"""A designed floor falls by 1 % or so (common practice, no source); an error of 0.1 m in the survey alone adds 4 % to
Horn's gradient at 1 m."""
ROUNDING = 1e-6
"""A side laid out at a limit is at it, whatever the last bits of its grade say."""


class Stage(NamedTuple):
    """One row of the stage-storage table."""

    stage_m: float
    """Height above the lowest cell."""
    elevation_m: float
    area_m2: float
    """Of all ground of the basin below that level, whether or not the pools are joined yet."""
    volume_m3: float


@dataclass(frozen=True)
class Side:
    """Ground of a basin off its floor that is steeper than the gentle grade and is not water; its local slope."""

    area_m2: float
    hv_median: float
    """Run per unit rise, 3.0 for a 3:1 side. NaN, as the other two, where there is no side."""
    hv_p90: float
    """A tenth of the side is steeper than this."""
    hv_steepest: float
    over_4_1: float
    """Share of the side steeper than 4:1, 0 to 1."""
    over_3_1: float
    over_2_1: float


@dataclass(frozen=True)
class Floor:
    """Cells joined to a lowest one and within the floor depth of it."""

    area_m2: float
    slope_deg: float
    """Median local slope of what is not water; NaN where all is."""
    soft_m2: float
    """Not water and no steeper than the gentle grade: wet now and then (common practice, no source)."""


@dataclass(frozen=True)
class Shape:
    """Likeness to a built basin and its parts, each 0 to 1. A description, not a verdict."""

    rectangularity: float
    """Area over the area of the least rectangle around it, laid at any angle. A circle has 0.785."""
    side_regularity: float
    """m / (m + r), with m the median and r the interquartile range of the side's grade: 1 for one even slope. NaN
    where there is no side."""
    floor_flatness: float
    """Share of the floor that is not water with a grade of at most 5 %. NaN where all is water."""
    built_likeness: float
    """Mean of the three; a part that is NaN counts as 0."""


def stages(z: Array, pit_z: float, spill: float, levels: int, cell_m2: float) -> tuple[Stage, ...]:
    """Stage-storage table from the lowest cell to the spill level in equal steps, `levels` + 1 rows.

    z: elevations of the basin's cells, m, in any order. Each cell is a column of its own area with a level top.
    """
    level = pit_z + (spill - pit_z) * np.arange(levels + 1) / levels
    level[-1] = spill
    least = np.searchsorted(level, z, side="right")  # the lowest level that a cell lies below
    count = np.cumsum(np.bincount(least, minlength=levels + 1)).tolist()
    above_pit = np.cumsum(np.bincount(least, z - pit_z, minlength=levels + 1)).tolist()
    return tuple(
        Stage(at - pit_z, at, n * cell_m2, (n * (at - pit_z) - held) * cell_m2)
        for at, n, held in zip(level.tolist(), count, above_pit, strict=True)
    )


def side_of(grade: Array, cell_m2: float) -> Side:
    """Figures of a side from the grades of its cells."""
    if grade.size == 0:
        return Side(0.0, np.nan, np.nan, np.nan, 0.0, 0.0, 0.0)
    median, p90, most = (1.0 / float(g) for g in np.quantile(grade, (0.5, 0.9, 1.0)))
    over = [float(np.mean(grade > 1.0 / hv + ROUNDING)) for hv in (4.0, 3.0, 2.0)]
    return Side(grade.size * cell_m2, median, p90, most, *over)


def floor_of(floor: Bool, water: Bool, grade: Array, gentle_grade: float, cell_m2: float) -> Floor:
    """Figures of a floor. All arrays are (rows, cols)."""
    dry = grade[floor & ~water]
    slope = float(np.degrees(np.arctan(np.median(dry)))) if dry.size else np.nan
    soft = int(np.count_nonzero(dry <= gentle_grade + ROUNDING))
    return Floor(int(np.count_nonzero(floor)) * cell_m2, slope, soft * cell_m2)


def shape_of(cells: Bool, side_grade: Array, floor_grade: Array, dx: float, dy: float) -> Shape:
    """Likeness to a built basin. cells: (rows, cols); the grades: of the cells of the side and of the dry floor."""
    filled = int(np.count_nonzero(cells)) * dx * dy / least_rectangle(cells, dx, dy)
    regular = flat = np.nan
    if side_grade.size:
        low, median, high = np.quantile(side_grade, (0.25, 0.5, 0.75))
        regular = float(median / (median + high - low))
    if floor_grade.size:
        flat = float(np.mean(floor_grade <= FLAT_GRADE + ROUNDING))
    return Shape(filled, regular, flat, float(np.nansum([filled, regular, flat])) / 3.0)


def least_rectangle(cells: Bool, dx: float, dy: float) -> float:
    """Area (m2) of the least rectangle, at any angle, that holds the whole of `cells` (rows, cols).

    One of its sides lies along an edge of the convex hull (Freeman and Shapira 1975).
    """
    rows = np.flatnonzero(cells.any(axis=1))
    left = cells[rows].argmax(axis=1)
    right = cells.shape[1] - cells[rows, ::-1].argmax(axis=1)
    x, y = np.concatenate([left, left, right, right]) * dx, np.concatenate([rows, rows + 1, rows, rows + 1]) * dy
    points = np.column_stack([x, y])
    corner = points[spatial.ConvexHull(points).vertices]
    edge = np.roll(corner, -1, axis=0) - corner
    edge /= np.hypot(edge[:, 0], edge[:, 1])[:, None]
    along, across = corner @ edge.T, corner @ np.array([-edge[:, 1], edge[:, 0]])
    return float(np.min(np.ptp(along, axis=0) * np.ptp(across, axis=0)))


def approach(cells: Bool, floor: Bool, water: Bool, grade: Array, limit: float) -> Bool:
    """Cells of a basin from which ground no steeper than `limit` leads to its floor, through the sides of cells.

    All arrays are (rows, cols). The ground counts with its full grade, whichever way the path crosses it, so more
    ground is found as the limit rises and none is lost.
    """
    label, count = ndimage.label(cells & ~water & (grade <= limit + ROUNDING))
    down = np.zeros(count + 1, bool)
    down[label[floor]] = True
    down[0] = False
    return down[label]
