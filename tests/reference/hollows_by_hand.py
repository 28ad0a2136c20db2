"""Depressions in slow plain Python: filling with a heap, and which hollows stay by their definition, level by level."""

import heapq
import math

import numpy as np
from scipy import ndimage

EIGHT = np.ones((3, 3))


def flood(z: np.ndarray, seed: np.ndarray, tiny_gradient: bool) -> np.ndarray:
    """Priority-flood with a heap (Barnes, Lehman and Mulla 2014, algorithms 1 and 3), here inward from any seeds."""
    w = np.full(z.shape, np.nan)
    heap = [(z[i, j], i, j) for i, j in np.argwhere((seed > 0) & ~np.isnan(z))]
    for level, i, j in heap:
        w[i, j] = level
    heapq.heapify(heap)
    while heap:
        level, i, j = heapq.heappop(heap)
        least = math.nextafter(level, math.inf) if tiny_gradient else level
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
    level = flood(z, seed, tiny_gradient=False)
    mark = np.zeros(z.shape, bool)

    def look_at(cells: np.ndarray, spill: float) -> None:
        bottom = z[cells].min()
        if not mark[cells].any() and spill - bottom > least_depth and cells.sum() > least_cells:
            mark[cells & (z == bottom)] = True

    whole, count = ndimage.label(level > z, EIGHT)
    for n in range(1, count + 1):
        hollow = whole == n
        for h in np.unique(z[hollow]):
            below, _ = ndimage.label(hollow & (z < h), EIGHT)
            reached, groups = ndimage.label(hollow & (z <= h), EIGHT)
            for g in range(1, groups + 1):
                parts = np.unique(below[(reached == g) & (below > 0)])
                for part in parts if parts.size > 1 else ():
                    look_at(below == part, h)
        look_at(hollow, level[hollow].max())
    return mark
