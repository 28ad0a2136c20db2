"""Where the ground runs down to, for every cell of one window."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Window
from slopekit.hazards.find import Hazards
from slopekit.kernels import descent, fan
from slopekit.runout.floors import Floors
from slopekit.runout.settings import RunoutSettings
from slopekit.terrain.surface import Surface
from slopekit.units import grade

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


# A path on a grid takes steps 45 degrees apart: half of that more, and three steps at least are tried.
_HALF_STEP_DEG = 22.5


@dataclass(frozen=True)
class RunOut:
    """What `kernels.descent` and `kernels.fan` found, with the arrays that it was found on."""

    w: Array
    kind: NDArray[np.uint8]
    gentle: NDArray[np.uint8]
    """1 where the ground is no steeper than the landing slope."""
    state: Array
    """(rows * cols, columns): see `descent.outcomes`."""
    fan_kind: NDArray[np.uint8]
    """Kind of the nearest hazard that a path of the fan reaches; 0 for none, and where shares alone refuse."""
    hazard_length: Array
    """Least path length to a hazard, m; inf where there is none."""
    hazard_z: Array
    """Elevation of that hazard, m; NaN where there is none."""
    by_fan: bool
    """Whether a path of the fan refuses."""

    @classmethod
    def of(
        cls, w: Array, kind: NDArray[np.uint8], gentle: NDArray[np.uint8], state: Array, found: fan.Fan | None
    ) -> "RunOut":
        """What was found; found: by the fan, None where shares alone refuse."""
        if found is not None:
            return cls(w, kind, gentle, state, found.kind, found.length, found.hazard_z, True)
        length, hazard_z = (state[:, column].reshape(w.shape) for column in (descent.LENGTH, descent.HAZARD_Z))
        return cls(w, kind, gentle, state, np.zeros_like(kind), length, hazard_z, False)

    def column(self, number: int) -> Array:
        """One column of the state as (rows, cols)."""
        return self.state[:, number].reshape(self.w.shape)

    @property
    def shares(self) -> Array:
        """(rows, cols, 6): shares of the flow by outcome, in the order of `descent.OUTCOMES`."""
        return self.state[:, : len(descent.OUTCOMES)].reshape(*self.w.shape, -1)

    def above_hazard(self, least_share: float) -> Bool:
        """Ground that the run-out refuses: more than `least_share` of the flow ends in a hazard, or a path of the fan
        does."""
        return (self.shares[..., : descent.TO_HAZARD + 1].sum(axis=2) > least_share) | (self.fan_kind != descent.PLAIN)


def run_out(
    surface: Surface,
    w: Array,
    unknown: Bool,
    hazards: Hazards,
    floors: Floors,
    frictions: Sequence[float],
    settings: RunoutSettings,
    start: Bool,
) -> RunOut:
    """Trace the conditioned surface `w` down from the `start` cells.

    unknown: missing cells, those beside them, and what else counts as unknown ground. frictions: one coefficient for
    each condition, for the reach test.
    """
    grid = surface.grid
    kind = np.full(grid.shape, descent.PLAIN, np.uint8)
    kind[floors.dry] = descent.DRY_FLOOR
    kind[floors.wet] = descent.FLOOR
    kind[[0, -1]] = descent.CUT
    kind[:, [0, -1]] = descent.CUT
    kind[unknown] = descent.MISSING
    # A hazard is one whatever else is known of its cell; the gravest is written last.
    kind[hazards.other] = descent.HAZARD
    kind[hazards.drop & ~hazards.short] = descent.DROP
    kind[hazards.water] = descent.WATER
    gentle = ((surface.limit_grade <= grade(settings.landing_slope_deg)) & ~floors.pond).view(np.uint8)
    size = grid.dx, grid.dy
    lengths = settings.landing_length_m, settings.max_run_m
    mu = np.array(frictions, float)
    if settings.ways_down == "shares":
        return RunOut.of(w, kind, gentle, descent.outcomes(w, kind, gentle, mu, *size, *lengths, start), None)
    near, length, hazard_z, longest, walk = fan.exposed(w, kind, gentle, *size, *lengths, _half_angle(settings), start)
    del longest  # nobody asks for it here, and the shares are about to take the most memory of all
    state = descent.outcomes(w, kind, gentle, mu, *size, *lengths, start, walk)
    return RunOut(w, kind, gentle, state, near, length, hazard_z, True)


def _half_angle(settings: RunoutSettings) -> float:
    return settings.fan_deg + _HALF_STEP_DEG


def rests_on(
    doubtful: Bool, start: Bool, run: RunOut, surface: Surface, settings: RunoutSettings, near: Window
) -> Bool:
    """The `doubtful` cells that the answer on the `start` cells rests on, as a mask.

    Paths are cut off at max_run, and the margin is longer. What is left are hollows that spill over the window's
    border and flat bodies that touch it, where a path meets them. near: cells that hold all that lies within max_run
    and landing_length of the start cells; nothing is looked at beyond.
    """
    at = near.slices
    kind = run.kind[at].copy()
    kind[[0, -1]] = descent.CUT
    kind[:, [0, -1]] = descent.CUT
    w, gentle = np.ascontiguousarray(run.w[at]), np.ascontiguousarray(run.gentle[at])
    size = surface.grid.dx, surface.grid.dy
    lengths = settings.landing_length_m, settings.max_run_m
    from_here = start[at]
    if run.by_fan:
        found = fan.reached(w, kind, gentle, *size, *lengths, _half_angle(settings), from_here)
    else:
        state = run.state.reshape(*run.w.shape, -1)[at].reshape(w.size, -1)
        found = descent.reached(w, kind, state, *size, *lengths, from_here)
    out = np.zeros(doubtful.shape, bool)
    out[at] = found & doubtful[at]
    return out
