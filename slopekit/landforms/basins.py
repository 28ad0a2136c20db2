"""Basins: deep, large depressions of the ground, nested ones apart, with the figures that people ask for."""

import math
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.grid import Grid, Window
from slopekit.kernels.contour import level_line
from slopekit.kernels.depressions import BORDER, VOID, Depressions, depressions
from slopekit.kernels.hollows import floors
from slopekit.landforms.basin_shape import (
    ROUNDING,
    Floor,
    Shape,
    Side,
    Stage,
    approach,
    floor_of,
    shape_of,
    side_of,
    stages,
)
from slopekit.landforms.settings import LandformSettings
from slopekit.runout.floors import SOFT_FLOOR_DEG
from slopekit.runout.settings import RunoutSettings
from slopekit.units import grade as grade_of

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

NO_PARENT = 0


@dataclass(frozen=True)
class Basin:
    """One basin at its spill level. Rows and columns are of the grid that it was found on."""

    number: int
    """From 1 on, in reading order of the lowest cells; of those that share one, the outer first."""
    parent: int
    """Number of the least basin that this one lies in; NO_PARENT in none."""
    low_cell: tuple[int, int]
    """Row and column of a lowest cell."""
    low_m: float
    spill_cell: tuple[int, int]
    """Row and column of a cell at the spill level where the water first gets out."""
    spill_xy: tuple[float, float]
    """Its centre, CRS units."""
    spill_m: float
    depth_m: float
    area_m2: float
    """Of the ground below the spill level, water included, on the map."""
    volume_m3: float
    """Between the ground and the spill level; under water the ground is what the survey shows."""
    stages: tuple[Stage, ...]
    perimeter_m: float
    """Length of the contour at the spill level."""
    approach_m: float
    """Length of it from which ground no steeper than the approach limit leads down to the floor; 0: none does."""
    side: Side
    floor: Floor
    shape: Shape
    water_m2: float
    cut: bool
    """It spills over the grid's border: what lies beyond may make it deeper and larger."""
    beside_void: bool
    """It spills at a cell beside missing data, which may make it deeper and larger too."""
    window: Window
    """The least window that holds it."""
    packed_cells: bytes = field(repr=False)
    packed_floor: bytes = field(repr=False)

    @property
    def wet(self) -> bool:
        """Whether water lies in it."""
        return self.water_m2 > 0.0


def basin_mask(basin: Basin) -> Bool:
    """The cells of a basin, on its window."""
    return _unpacked(basin.packed_cells, basin.window)


def floor_mask(basin: Basin) -> Bool:
    """The cells of a basin's floor, on its window."""
    return _unpacked(basin.packed_floor, basin.window)


def find_basins(
    z: Array,
    p: Array,
    q: Array,
    grid: Grid,
    water: Bool,
    settings: LandformSettings,
    runout: RunoutSettings,
    widest_m: float = math.inf,
) -> list[Basin]:
    """The basins of a grid. All arrays are (rows, cols).

    z: ground, m, NaN where missing. p, q: its local gradient. water: given or inferred. runout: its `floor_depth_m`
    tells what a floor is, so that floors are those that refuse machines. widest_m: a depression that is longer or
    wider is no basin, and none lies in it: it counts as ground that drains, as it does in a window that shows a part of
    it.

    A depression counts when it is as deep as `basin_depth_m`, and as much of it as `basin_area_m2` is not water. Where
    one that counts meets only such as do not, it goes on into the larger depression that they make together; where two
    or more that count meet, each is a basin of its own, and all together are one that they lie in, unless that one in
    turn lies in one whose spill level is not even `basin_depth_m` higher. So a pond with a bank round it inside a
    larger hollow is one and the hollow another (but not the hollow's floor round the pond, though that fills by itself
    at first), and small pits on the floor of either are none.
    """
    tree = depressions(z)
    small = _small(tree, grid, widest_m)
    # What lies in a wide one lies in none.
    tree = tree._replace(parent=np.where((tree.parent >= 0) & small[tree.parent], tree.parent, -1).astype(np.int32))
    under = tree.inner[water]
    water_cells = _inside(tree, np.bincount(under[under >= 0], minlength=tree.parent.size))
    nodes, parents = _chosen(tree, small, water_cells, settings, grid.cell_m2)
    return [
        _basin(number, parent, k, tree, z, p, q, water, grid, settings, runout)
        for number, (k, parent) in enumerate(zip(nodes, parents, strict=True), start=1)
    ]


def _inside(tree: Depressions, own: NDArray[np.int64]) -> NDArray[np.int64]:
    """Sums over each depression and all inside it of a count in each one's own cells."""
    upto = np.concatenate([[0], np.cumsum(own)])
    return upto[1:] - upto[tree.first]


def _small(tree: Depressions, grid: Grid, widest_m: float) -> Bool:
    height, width = (tree.box[:, 2:] - tree.box[:, :2] + 1).T
    return (height * grid.dy <= widest_m) & (width * grid.dx <= widest_m)


def _chosen(
    tree: Depressions, small: Bool, water_cells: NDArray[np.int64], settings: LandformSettings, cell_m2: float
) -> tuple[list[int], list[int]]:
    """The depressions that are basins, in order, and the number of the basin that each lies in."""
    deep = tree.spill - tree.pit_z >= settings.basin_depth_m - ROUNDING
    large = (tree.cells - water_cells) * cell_m2 >= settings.basin_area_m2 - ROUNDING
    counts = small & deep & large
    nested = counts & (tree.parent >= 0)
    meeting = np.bincount(tree.parent[nested], minlength=tree.parent.size)
    top = np.flatnonzero(counts & ((tree.parent < 0) | (meeting[tree.parent] > 1)))
    # What lies in a depression has lower numbers, in one block: from the highest down, outer ones come first.
    around: dict[int, int] = {}
    open_: list[int] = []
    descending = top[::-1].tolist()
    for k, next_lower in pairwise([*descending, -1]):
        while open_ and tree.first[open_[-1]] > k:
            open_.pop()
        joint = next_lower >= tree.first[k]
        if joint and open_ and tree.spill[open_[-1]] - tree.spill[k] < settings.basin_depth_m - ROUNDING:
            continue
        around[k] = open_[-1] if open_ else -1
        open_.append(k)
    for k in _rings(tree, around):
        # What lies on the floor of the ring is numbered under what the ring lies in.
        around = {n: around[k] if outer == k else outer for n, outer in around.items() if n != k}
    chosen = sorted(around, key=lambda k: (tree.pit[k], -k))
    number = {k: n for n, k in enumerate(chosen, start=1)} | {-1: NO_PARENT}
    return chosen, [number[around[k]] for k in chosen]


def _rings(tree: Depressions, around: dict[int, int]) -> list[int]:
    """Those that lie round another one within the same basin: the floor of a hollow round a pond on it."""
    groups: dict[int, list[int]] = {}
    for k, outer in around.items():
        groups.setdefault(outer, []).append(k)
    rings = []
    for group in (np.array(g) for outer, g in groups.items() if outer >= 0 and len(g) > 1):
        box = tree.box[group]
        for k in group.tolist():
            top, left, bottom, right = tree.box[k]
            low, high = np.array([top, left]), np.array([bottom, right])
            within = group[(box[:, :2] > low).all(axis=1) & (box[:, 2:] < high).all(axis=1)]
            if within.size:
                inner = tree.inner[top : bottom + 1, left : right + 1]
                hole, _ = ndimage.label((inner < tree.first[k]) | (inner > k))
                open_ = np.unique(np.concatenate([hole[0], hole[-1], hole[:, 0], hole[:, -1]]))
                row, col = np.divmod(tree.pit[within], tree.inner.shape[1])
                if not np.isin(hole[row - top, col - left], open_).all():
                    rings.append(k)
    return rings


def _basin(
    number: int,
    parent: int,
    k: int,
    tree: Depressions,
    z: Array,
    p: Array,
    q: Array,
    water: Bool,
    grid: Grid,
    settings: LandformSettings,
    runout: RunoutSettings,
) -> Basin:
    top, left, bottom, right = (int(v) for v in tree.box[k])
    # One cell more on each side, which is there: cells on the border are in no depression.
    part = np.s_[top - 1 : bottom + 2, left - 1 : right + 2]
    z, grade = np.ascontiguousarray(z[part]), np.sqrt(p[part] ** 2 + q[part] ** 2)
    cells = (tree.inner[part] >= tree.first[k]) & (tree.inner[part] <= k)
    water = water[part] & cells
    low, spill, cell_m2 = float(tree.pit_z[k]), float(tree.spill[k]), grid.cell_m2
    lowest = np.flatnonzero(cells & (z == low)).astype(np.int32)
    floor = floors(z, lowest, np.zeros_like(lowest), np.array([low]), np.array([spill]), runout.floor_depth_m)
    gentle = grade_of(SOFT_FLOOR_DEG)
    side_grade = grade[cells & ~floor & ~water & (grade > gentle + ROUNDING)]
    way = approach(cells, floor, water, grade, settings.approach_percent / 100.0)
    perimeter, way_m = level_line(z, cells, way, spill, grid.dx, grid.dy)
    low_row, low_col = divmod(int(tree.pit[k]), grid.width)
    row, col = divmod(int(tree.spill_cell[k]), grid.width)
    window = Window(top, left, bottom - top + 1, right - left + 1)
    return Basin(
        number=number,
        parent=parent,
        low_cell=(low_row, low_col),
        low_m=low,
        spill_cell=(row, col),
        spill_xy=grid.centre(row, col),
        spill_m=spill,
        depth_m=spill - low,
        area_m2=int(tree.cells[k]) * cell_m2,
        volume_m3=float(np.sum(spill - z[cells])) * cell_m2,
        stages=stages(z[cells], low, spill, settings.stage_levels, cell_m2),
        perimeter_m=perimeter,
        approach_m=way_m,
        side=side_of(side_grade, cell_m2),
        floor=floor_of(floor, water, grade, gentle, cell_m2),
        shape=shape_of(cells, side_grade, grade[floor & ~water], grid.dx, grid.dy),
        water_m2=int(np.count_nonzero(water)) * cell_m2,
        cut=bool(tree.outlet[k] == BORDER),
        beside_void=bool(tree.outlet[k] == VOID),
        window=window,
        packed_cells=_packed(cells),
        packed_floor=_packed(floor),
    )


def _packed(mask: Bool) -> bytes:
    return np.packbits(mask[1:-1, 1:-1]).tobytes()


def _unpacked(packed: bytes, window: Window) -> Bool:
    bits = np.unpackbits(np.frombuffer(packed, np.uint8), count=window.height * window.width)
    return bits.astype(bool).reshape(window.height, window.width)
