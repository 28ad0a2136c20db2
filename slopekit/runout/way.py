"""The way of least head from one cell to what a machine must not get to, and how it is told."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels.least_head import least_way
from slopekit.runout.profile import Profile, profile_of
from slopekit.runout.run_out import BASIN, BEYOND, DROP, HAZARD, UNKNOWN, WATER, RunOut
from slopekit.runout.speed import speed_of_head
from slopekit.wording import metres_words, speed_words

Array = NDArray[np.float64]

ENDS = {
    WATER: "the water",
    DROP: "the drop",
    HAZARD: "the road or other marked hazard",
    BEYOND: "the edge of the ground that was looked at",
    UNKNOWN: "ground that is not known",
    BASIN: "a hollow that may hold water",
}
"""What a machine gets to, in words, by kind."""

ACROSS_DEG = 45.0
"""A way that leaves the fall line by more than this is one across the face."""
_CHORD_M = 5.0  # over which the direction of a way is taken: a single move turns by the grid


@dataclass(frozen=True)
class Way:
    """The way on which a machine gets somewhere with the least head."""

    kind: str
    """One of `run_out.KINDS`."""
    cells: NDArray[np.int64]
    """(n, 2): row and column in the window, the first and the last cell included."""
    profile: Profile
    """Of a machine that starts with the least speed that gets there."""
    across: bool
    """Whether it leaves the fall line by more than `ACROSS_DEG`, on ground where machines roll."""

    @property
    def length_m(self) -> float:
        return float(self.profile.distance_m[-1])

    @property
    def fall_m(self) -> float:
        return float(self.profile.height_m[0] - self.profile.height_m[-1])

    @property
    def start_kmh(self) -> float:
        return float(self.profile.speed_kmh[0])

    @property
    def arrival_kmh(self) -> float:
        """sqrt(2 g (z + v2/2g - z_H - sum of mu d)), of the machine that starts with `start_kmh`."""
        return float(self.profile.speed_kmh[-1])


def path_to(run: RunOut, kind: str, start: tuple[int, int], rolls_from_deg: float, dx: float, dy: float) -> Way:
    """The way of least head from a cell (row, column in the window) that is got to `kind` from, in the slipperiest
    condition. dx, dy: cell sides, m."""
    cells = least_way(run.fronts[kind], run.z, run.losses[run.slippery], start, dx, dy)
    row, col = start[0] - run.view.row, start[1] - run.view.col
    least = float(speed_of_head(run.head(kind)[run.slippery, row, col]))
    profile = ride(run, kind, cells, least, dx, dy)
    return Way(kind, cells, profile, _across(run.z, cells, rolls_from_deg, dx, dy))


def ride(run: RunOut, kind: str, cells: NDArray[np.int64], speed_kmh: float, dx: float, dy: float) -> Profile:
    """What a machine does on a way to `kind` that it starts with a speed, in the slipperiest condition."""
    # The unsmoothed crest of a drop, the lower level of water: what the energy line is held to.
    end_m = float(run.fronts[kind].energy[tuple(cells[-1])])
    return profile_of(run.z, run.losses[run.slippery], cells, speed_kmh, dx, dy, end_m)


def way_words(
    kind: str,
    length_m: float,
    start_kmh: float,
    arrival_kmh: float,
    across: bool,
    still_kmh: float,
    named: str = "",
    whence: str = "from here",
) -> str:
    """Whether a machine rolls there or from which speed on it gets there, how far that is and how fast it arrives: a
    clause. still_kmh: the speed that counts as a standstill. named: more about what it gets to. whence: where it
    starts."""
    by = ", by a path across the face" if across else ""
    there = f"{ENDS[kind]}{f' ({named})' if named else ''} {metres_words(length_m)} on"
    if start_kmh <= still_kmh:
        return f"a machine that rolls {whence} gets to {there} at {speed_words(arrival_kmh)}{by}"
    start = "" if whence == "from here" else f" {whence}"
    return f"from {least_words(start_kmh)} on a machine gets{start} to {there}, at {speed_words(arrival_kmh)}{by}"


def least_words(speed_kmh: float) -> str:
    """A least speed, rounded down: the figure must not promise more room than there is."""
    return f"{math.floor(10.0 * speed_kmh) / 10.0:.1f} km/h"


def _across(z: Array, cells: NDArray[np.int64], rolls_from_deg: float, dx: float, dy: float) -> bool:
    """Whether a stretch of the way leaves the fall line by more than `ACROSS_DEG` and less than as much from straight
    uphill, on ground over `rolls_from_deg`; on gentler ground there is no face."""
    rows, cols = cells.T.astype(float)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(rows) * dy, np.diff(cols) * dx))])
    least = math.tan(math.radians(rolls_from_deg))
    # Five cells of 1 m are just so long, whatever the rounding.
    for n, m in enumerate(np.searchsorted(along, along + _CHORD_M - 1e-6).tolist()):
        if m >= len(along):
            break
        i, j = cells[(n + m) // 2].tolist()
        beside = z[i - 1 : i + 2, j - 1 : j + 2]
        if i < 1 or j < 1 or beside.shape != (3, 3) or np.isnan(beside).any():
            continue
        east, south = (beside[1, 2] - beside[1, 0]) / (2.0 * dx), (beside[2, 1] - beside[0, 1]) / (2.0 * dy)
        run_x, run_y = (cols[m] - cols[n]) * dx, (rows[m] - rows[n]) * dy
        steep, far = math.hypot(east, south), math.hypot(run_x, run_y)
        if steep <= least or far == 0.0:
            continue
        # Cosine of the angle between the way and straight down. Just so much is not more, whatever the rounding.
        if abs(east * run_x + south * run_y) < (math.cos(math.radians(ACROSS_DEG)) - 1e-9) * steep * far:
            return True
    return False
