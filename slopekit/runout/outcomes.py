"""Where the ground runs down to, for every cell of one window."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    kind[hazards.drop] = descent.DROP
    kind[hazards.water] = descent.WATER
    gentle = ((surface.limit_grade <= grade(settings.landing_slope_deg)) & ~floors.pond).view(np.uint8)
    size = grid.dx, grid.dy
    lengths = settings.landing_length_m, settings.max_run_m
    by_fan = settings.ways_down == "fan"
    found = fan.exposed(w, kind, gentle, *size, *lengths, _half_angle(settings), start) if by_fan else None
    walk = None if found is None else found.walk
    state = descent.outcomes(w, kind, gentle, np.array(frictions, float), *size, *lengths, start, walk)
    return RunOut.of(w, kind, gentle, state, found)


def _half_angle(settings: RunoutSettings) -> float:
    return settings.fan_deg + _HALF_STEP_DEG


def rests_on(doubtful: Bool, start: Bool, run: RunOut, surface: Surface, settings: RunoutSettings) -> Bool:
    """The `doubtful` cells that the answer on the `start` cells rests on, as a mask.

    Paths are cut off at max_run, and the margin is longer. What is left are hollows that spill over the window's
    border and flat bodies that touch it, where a path meets them.
    """
    size = surface.grid.dx, surface.grid.dy
    lengths = settings.landing_length_m, settings.max_run_m
    if not run.by_fan:
        found = descent.reached(run.w, run.kind, run.state, *size, *lengths, start)
    else:
        found = fan.reached(run.w, run.kind, run.gentle, *size, *lengths, _half_angle(settings), start)
    return found & doubtful
