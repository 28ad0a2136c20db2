"""What a machine out of control does on a way: the ground, the energy line and the speed along it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels.least_head import crossed, scale_of
from slopekit.runout.speed import head_of_speed, speed_of_head

Array = NDArray[np.float64]
_ROUNDING_M = 1e-9


@dataclass(frozen=True)
class Profile:
    """Arrays (n,), one value for each cell of a way, from its start to its end."""

    distance_m: Array
    """Along the map from the start, as the loss of height counts it."""
    height_m: Array
    """The ground, m."""
    line_m: Array
    """The energy line of a machine that starts with the given speed, m: how high it could still climb."""
    speed_kmh: Array
    """Its speed, km/h; NaN from where it has stopped."""

    @property
    def stopped_m(self) -> float | None:
        """How far from the start it stops, m, between two cells where its line meets the ground; None where it gets to
        the end."""
        halted = np.isnan(self.speed_kmh)
        if not halted.any():
            return None
        n = int(halted.argmax())
        if n == 0:
            return 0.0
        before, after = max(self.line_m[n - 1] - self.height_m[n - 1], 0.0), self.line_m[n] - self.height_m[n]
        # Where both ends lie under the line, it is the cells half way between them that stop it.
        part = before / (before - after) if after < 0.0 else 0.5
        return float(self.distance_m[n - 1] + part * (self.distance_m[n] - self.distance_m[n - 1]))


def profile_of(
    z: Array, loss: Array, way: NDArray[np.int64], speed_kmh: float, dx: float, dy: float, end_m: float = math.nan
) -> Profile:
    """The ground along a way, and the energy line of a machine that rolls from its first cell with a speed.

    z: heights (rows, cols), m; NaN (a hazard without elevation) takes the height of the cell before. loss: loss of
    height by plan length. speed_kmh: at the first cell. end_m: height of the last cell, where a hazard has its
    own.
    """
    rows, cols = way.T
    step = scale_of(dx, dy) * np.hypot(np.diff(rows) * dy, np.diff(cols) * dx)
    height = z[rows, cols]
    if math.isfinite(end_m):
        height[-1] = end_m
    for n in range(1, len(height)):
        if math.isnan(height[n]):
            height[n] = height[n - 1]
    lost = 0.5 * (loss[rows[1:], cols[1:]] + loss[rows[:-1], cols[:-1]]) * step
    line = height[0] + head_of_speed(speed_kmh) - np.concatenate([[0.0], np.cumsum(lost)])
    head = line - height
    stopped = np.maximum.accumulate(np.minimum(head, _clearance(z, way, line)) < -_ROUNDING_M)
    speed = np.where(stopped, np.nan, speed_of_head(np.maximum(head, 0.0)))
    return Profile(np.concatenate([[0.0], np.cumsum(step)]), height, line, speed)


def _clearance(z: Array, way: NDArray[np.int64], line: Array) -> Array:
    """(n,): how much the energy line stands over the cells that the move to each cell of a way crosses, m; inf where
    it crosses none. They may be higher than both of its ends."""
    out = np.full(len(way), np.inf)
    for n, ((row, col), move) in enumerate(zip(way[:-1], np.diff(way, axis=0), strict=True), 1):
        for i, j in crossed(*move):
            out[n] = min(out[n], line[n - 1] - z[row + i, col + j])
    return out
