"""Berms: raised, elongate forms such as berms, levees and the embankments of roads."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Grid
from slopekit.kernels.ridges import greatest_near, two_sided_rise
from slopekit.kernels.sections import LEFT_TOE, LEFT_Z, RIGHT_TOE, RIGHT_Z, TOP_Z
from slopekit.landforms.berm_lines import Crest, crest_lines
from slopekit.landforms.berm_sides import Side, Sides, berm_sides
from slopekit.landforms.crests import strip_lines
from slopekit.landforms.settings import LandformSettings

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Ints = NDArray[np.int64]

# Metres between a berm's toe and water that it holds: a bank of 3:1 with half a metre above the water, and a cell
# (common practice, no source).
_BANK_M = 3.0


@dataclass(frozen=True)
class Berm:
    """A raised, elongate form. Lengths in metres."""

    number: int
    """From 1 on, the longest first."""
    crest: Array
    """(n, 2) row and column of points in order along the middle of the crest, about half a cell apart, between cell
    centres too. A closed line does not repeat its first point. An open line starts at its higher end; a closed one goes
    round with its inside on the left."""
    heights: Array
    """(n, 2) m, of those points above the left and above the right toe."""
    closed: bool
    length_m: float
    height_m: float
    """Mean height above the line between the toes."""
    crest_width_m: float
    """Median width between the shoulders."""
    width_m: float
    """Median width between the toes."""
    volume_m3: float
    """Above the lines between the toes."""
    left: Side
    right: Side
    cells: Ints
    """Flat indices of the cells between the toes."""
    cut: bool
    """It meets the array's border or missing ground, so that it may go on there."""
    basin: int
    """Number of the basin that it has most cells in or beside, 0 for none."""
    water: int
    """Number of the body of water likewise, up to `_BANK_M` off: the water seldom stands at the toe."""


def reach_m(settings: LandformSettings) -> float:
    """Metres of ground beyond a berm's cells that can change what is said of it: the least overlap of blocks."""
    return 4.0 * settings.berm_width_m


def find_berms(
    z: Array,
    p: Array,
    q: Array,
    grid: Grid,
    settings: LandformSettings,
    basins: NDArray[np.int32] | None = None,
    water: NDArray[np.int32] | None = None,
) -> list[Berm]:
    """The berms of a window, the longest first.

    z: (rows, cols), m, NaN missing; p, q: local gradient on the same cells. basins, water: (rows, cols), numbers of the
    basins and of the bodies of water, 0 for none.

    Cells that stand out between the grounds on both sides (`two_sided_rise`) make strips, whose middle lines are moved
    onto the crest and measured in cross-sections (`cross_sections`). A berm is where the cross-sections have two toes
    no more than `berm_width_m` apart, at least `berm_height_m` high, over a length of at least `berm_elongation`
    widths. Ground that falls away on one side only is none. What is said of a berm that lies whole in the window,
    `reach_m` from its border, does not depend on the window.
    """
    rise = two_sided_rise(z, grid.dx, grid.dy, settings.berm_width_m)
    # Half the height: on tilted ground the upper side shows less of it. The upper half of each form, so that low ground
    # at the foot of a bank does not blur the bank's middle line.
    around = greatest_near(rise, grid.dx, grid.dy, 0.25 * settings.berm_width_m)
    mask = (rise >= 0.5 * settings.berm_height_m) & (rise >= 0.5 * around)
    lines = crest_lines(z, strip_lines(mask, rise, grid.dx, grid.dy), grid, settings)
    lines.sort(key=lambda crest: (-crest.length_m, crest.points[0].tolist()))
    room = np.full(z.shape, np.inf), np.zeros(z.shape, np.int32)
    taken = np.zeros(z.shape, bool)
    gaps = np.isnan(z)
    missing = gaps if gaps.any() else None
    out: list[Berm] = []
    for crest in lines:
        cells = np.clip(np.rint(crest.points), 0, [grid.height - 1, grid.width - 1]).astype(np.int64)
        # A second line on the same form, such as one round a hollow in its crest.
        if taken[cells[:, 0], cells[:, 1]].mean() > 0.5:
            continue
        sides = berm_sides(z, p, q, crest, grid, room)
        taken.ravel()[sides.cells] = True
        berm = _berm(len(out) + 1, crest, sides, _is_cut(crest, missing, grid))
        if basins is not None:
            berm = replace(berm, basin=_beside(sides.cells, basins))
        if water is not None:
            berm = replace(berm, water=_beside(sides.cells, water, math.ceil(_BANK_M / min(grid.dx, grid.dy))))
        out.append(berm)
    return out


def _berm(number: int, crest: Crest, sides: Sides, cut: bool) -> Berm:
    return Berm(
        number=number,
        crest=crest.points,
        heights=crest.sections[:, [TOP_Z]] - crest.sections[:, [LEFT_Z, RIGHT_Z]],
        closed=crest.closed,
        length_m=crest.length_m,
        height_m=sides.height_m,
        crest_width_m=sides.crest_width_m,
        width_m=crest.width_m,
        volume_m3=sides.volume_m3,
        left=sides.left,
        right=sides.right,
        cells=sides.cells,
        cut=cut,
        basin=0,
        water=0,
    )


def _is_cut(crest: Crest, missing: Bool | None, grid: Grid) -> bool:
    """Whether the border or a void lies within four cells of the wider toe at any point of the line."""
    radius = np.maximum(crest.sections[:, LEFT_TOE], crest.sections[:, RIGHT_TOE])
    up, across = np.ceil(radius / grid.dy) + 4.0, np.ceil(radius / grid.dx) + 4.0
    i, j = np.rint(crest.points).T
    if bool(np.any((i < up) | (j < across) | (i >= grid.height - up) | (j >= grid.width - across))):
        return True
    if missing is None:
        return False
    frames = np.stack([i - up, i + up + 1, j - across, j + across + 1], axis=1).astype(np.int64)
    return any(bool(missing[top:bottom, left:right].any()) for top, bottom, left, right in frames)


def _beside(cells: Ints, basins: NDArray[np.int32], off: int = 1) -> int:
    """Number of the basin with most of the cells and those up to `off` beside them in it; of several the lowest."""
    rows, cols = basins.shape
    i, j = np.divmod(cells, cols)
    around = []
    for di in range(-off, off + 1):
        for dj in range(-off, off + 1):
            inside = (i + di >= 0) & (i + di < rows) & (j + dj >= 0) & (j + dj < cols)
            around.append(((i + di) * cols + j + dj)[inside])
    count = np.bincount(basins.ravel()[np.unique(np.concatenate(around))])
    count[0] = 0
    return int(count.argmax()) if count.any() else 0
