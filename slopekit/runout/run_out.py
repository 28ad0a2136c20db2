"""How little it takes a machine to get from each cell to a hazard, kind by kind and condition by condition."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Window
from slopekit.kernels.least_head import Front, spread

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

WATER, DROP, HAZARD = "water", "drop", "hazard"
UNKNOWN, BASIN, BEYOND = "unknown ground", "unknown basin", "beyond the look"
HAZARDS = (WATER, DROP, HAZARD)
"""In the order in which one is named where two are as near by head."""
KINDS = (*HAZARDS, BEYOND, UNKNOWN, BASIN)


@dataclass(frozen=True)
class RunOut:
    """What the run-out found in one window."""

    z: Array
    """(rows, cols): the surface that machines move on, m."""
    losses: tuple[Array, ...]
    """(rows, cols) for each condition: loss of height by plan length."""
    slippery: int
    """The condition whose fronts are kept."""
    fronts: Mapping[str, Front]
    """By kind, under the slipperiest condition: only kinds to which something asked about gets."""
    view: Window
    """Cells of the window that hold all that were asked about."""
    heads: Mapping[str, Array]
    """By kind, (conditions,) + the view's shape: least head R (m) that gets there; inf where it is more than was asked
    for, and on cells that were not asked about. Only kinds of `fronts`."""

    def head(self, kind: str) -> Array:
        """(conditions, rows, cols) of the view: least head R (m) to a kind; inf where it is more than was asked for."""
        found = self.heads.get(kind)
        if found is not None:
            return found
        return np.full((len(self.losses), self.view.height, self.view.width), np.inf)

    def length(self, kind: str) -> Array:
        """(rows, cols) of the view: length (m) of the way of least head to a kind under the slipperiest condition."""
        front = self.fronts.get(kind)
        if front is None:
            return np.full((self.view.height, self.view.width), np.inf)
        return np.where(np.isfinite(self.heads[kind][self.slippery]), front.length[self.view.slices], np.inf)


def run_out(
    z: Array,
    losses: Sequence[Array],
    sources: Mapping[str, Array],
    start: Bool,
    view: Window,
    most: float,
    dx: float,
    dy: float,
) -> RunOut:
    """The least heads with which machines get from the `start` cells to hazards.

    z: (rows, cols), machine-scale surface, m, NaN missing. losses: loss of height by plan length, (rows, cols) for each
    condition, all ordered alike: one that is slipperier on one cell is nowhere less slippery. sources: by kind, height
    of the energy line on the cells of hazards, inf elsewhere, -inf where a hazard has no elevation. start: cells that
    are asked about, all within `view`. most: the greatest head (m) that is asked for. dx, dy: cell sides, m.

    A union of all kinds is asked first: where it gets nobody, nothing more is. Drier conditions are asked about the
    cells that the slipperiest one gets, since more loss never lowers a head.
    """
    slippery = int(np.argmin([float(loss.sum()) for loss in losses]))
    given = {kind: source for kind in KINDS if (source := sources.get(kind)) is not None and (source < np.inf).any()}
    asked = start & ~np.isnan(z)

    def front(source: Array, condition: int, cells: Bool) -> Front:
        box = _box(cells)
        top = float(z[cells].max()) + most
        return spread(z, losses[condition], source, dx, dy, _ends(box), top)

    def head_of(found: Front, cells: Bool) -> Array:
        at = view.slices
        # A cell of the hazard itself may lie a little above the surface that machines move on.
        head = np.maximum(found.energy[at] - z[at], 0.0)
        return np.where(cells[at] & (head <= most), head, np.inf)

    if len(given) > 1 and asked.any():
        union = np.minimum.reduce(list(given.values()))
        reached = np.zeros_like(asked)
        reached[view.slices] = np.isfinite(head_of(front(union, slippery, asked), asked))
        asked = reached
    fronts: dict[str, Front] = {}
    heads: dict[str, Array] = {}
    for kind, source in given.items():
        if not asked.any():
            break
        found = front(source, slippery, asked)
        head = head_of(found, asked)
        got = np.zeros_like(asked)
        got[view.slices] = np.isfinite(head)
        if not got.any():
            continue
        fronts[kind] = found
        heads[kind] = np.stack(
            [head if n == slippery else head_of(front(source, n, got), got) for n in range(len(losses))]
        )
    return RunOut(z, tuple(losses), slippery, fronts, view, heads)


def _box(cells: Bool) -> Window:
    rows, cols = np.flatnonzero(cells.any(axis=1)), np.flatnonzero(cells.any(axis=0))
    if not rows.size:
        return Window(0, 0, 0, 0)
    return Window(int(rows[0]), int(cols[0]), int(rows[-1] - rows[0]) + 1, int(cols[-1] - cols[0]) + 1)


def _ends(box: Window) -> tuple[int, int, int, int]:
    return box.row, box.row + box.height, box.col, box.col + box.width
