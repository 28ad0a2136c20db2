"""Where the ground runs down to, for every cell of one window."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.hazards.find import Hazards
from slopekit.kernels import descent
from slopekit.runout.floors import Floors
from slopekit.runout.settings import RunoutSettings
from slopekit.terrain.surface import Surface
from slopekit.units import grade

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class RunOut:
    """What `kernels.descent.outcomes` found, with the arrays that it was found on."""

    w: Array
    kind: NDArray[np.uint8]
    state: Array
    """(rows * cols, columns): see the kernel."""

    def column(self, number: int) -> Array:
        """One column of the state as (rows, cols)."""
        return self.state[:, number].reshape(self.w.shape)

    @property
    def shares(self) -> Array:
        """(rows, cols, 6): shares of the flow by outcome, in the order of `descent.OUTCOMES`."""
        return self.state[:, : len(descent.OUTCOMES)].reshape(*self.w.shape, -1)


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
    gentle = (surface.limit_grade <= grade(settings.landing_slope_deg)) & ~floors.pond
    state = descent.outcomes(
        w,
        kind,
        gentle.view(np.uint8),
        np.array(frictions, float),
        grid.dx,
        grid.dy,
        settings.landing_length_m,
        settings.max_run_m,
        start,
    )
    return RunOut(w, kind, state)


def rests_on(doubtful: Bool, start: Bool, run: RunOut, surface: Surface, settings: RunoutSettings) -> Bool:
    """The `doubtful` cells that the answer on the `start` cells rests on, as a mask.

    Paths are cut off at max_run, and the margin is longer. What is left are hollows that spill over the window's
    border and flat bodies that touch it, where a path meets them.
    """
    found = descent.reached(
        run.w,
        run.kind,
        run.state,
        start,
        surface.grid.dx,
        surface.grid.dy,
        settings.max_run_m,
        settings.landing_length_m,
    )
    return found & doubtful
