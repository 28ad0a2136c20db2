"""Depressions in slow plain Python: filling with a heap, and which hollows stay by their definition, level by level."""

import heapq
import math
from collections.abc import Callable

import numpy as np
from scipy import ndimage

EIGHT = np.ones((3, 3))


def level(value: float) -> float:
    """Filled ground lies level."""
    return value


def one_step_up(value: float) -> float:
    """Filled ground rises inward by one step of float64."""
    return math.nextafter(value, math.inf)


def flood(z: np.ndarray, seed: np.ndarray, rise: Callable[[float], float]) -> np.ndarray:
    """Priority-flood with a heap (Barnes, Lehman and Mulla 2014, algorithms 1 and 3), here inward from any seeds."""
    w = np.full(z.shape, np.nan)
    heap = [(z[i, j], i, j) for i, j in np.argwhere((seed > 0) & ~np.isnan(z))]
    for here, i, j in heap:
        w[i, j] = here
    heapq.heapify(heap)
    while heap:
        here, i, j = heapq.heappop(heap)
        least = rise(here)
        for a in range(max(0, i - 1), min(z.shape[0], i + 2)):
            for b in range(max(0, j - 1), min(z.shape[1], j + 2)):
                if math.isnan(w[a, b]) and not math.isnan(z[a, b]):
                    w[a, b] = max(z[a, b], least)
                    heapq.heappush(heap, (w[a, b], a, b))
    return w


def hollows_that_stay(z: np.ndarray, seed: np.ndarray, least_depth: float, least_cells: float) -> np.ndarray:
    """Lowest cells of the depressions that are deeper and larger than the limits, the innermost that qualify.

    A depression is a connected set of cells below its spill level: the level where it meets another one, or drains.
    """
    filled = flood(z, seed, level)
    mark = np.zeros(z.shape, bool)

    def look_at(cells: np.ndarray, spill: float) -> None:
        bottom = z[cells].min()
        if not mark[cells].any() and spill - bottom > least_depth and cells.sum() > least_cells:
            mark[cells & (z == bottom)] = True

    whole, count = ndimage.label(filled > z, EIGHT)
    for n in range(1, count + 1):
        hollow = whole == n
        for h in np.unique(z[hollow]):
            below, _ = ndimage.label(hollow & (z < h), EIGHT)
            reached, groups = ndimage.label(hollow & (z <= h), EIGHT)
            for g in range(1, groups + 1):
                parts = np.unique(below[(reached == g) & (below > 0)])
                for part in parts if parts.size > 1 else ():
                    look_at(below == part, h)
        look_at(hollow, filled[hollow].max())
    return mark
