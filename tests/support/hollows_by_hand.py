"""Depressions in slow plain Python: filling with a heap, and floors by their definition, level by level."""

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


def floors_by_hand(z: np.ndarray, least_depth: float, least_cells: float, floor_depth: float) -> np.ndarray:
    """Floors of the deep hollows, from the definition, level by level.

    A hollow is a connected set of cells below a level that holds no cell which drains (border, beside missing data),
    and that at this level meets another such set or a cell which drains. Its floor are the cells no more than
    `floor_depth` above its lowest that are joined to a lowest one within the hollow.
    """
    missing = np.isnan(z)
    drains = ndimage.binary_dilation(missing, EIGHT)
    drains[[0, -1]] = drains[:, [0, -1]] = True
    floor = np.zeros(z.shape, bool)
    for spill in np.unique(z[~missing]):
        below, count = ndimage.label(z < spill, EIGHT)
        for n in range(1, count + 1):
            hollow = below == n
            low = z[hollow].min()
            if (hollow & drains).any() or not (spill - low > least_depth and hollow.sum() > least_cells):
                continue
            # What it becomes at the level itself.
            reached, _ = ndimage.label(z <= spill, EIGHT)
            grown = reached == reached[hollow][0]
            if not (grown & drains).any() and not (grown & (below > 0) & ~hollow).any():
                continue
            joined, _ = ndimage.label(hollow & (z <= low + floor_depth), EIGHT)
            floor |= np.isin(joined, np.unique(joined[hollow & (z == low)]))
    return floor
