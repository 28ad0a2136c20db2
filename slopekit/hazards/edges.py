"""Walls and edges as a survey shows them: smeared over a few cells."""

import numpy as np
from numpy.typing import NDArray

from slopekit.hazards.settings import HazardSettings
from slopekit.kernels.edges import StepRule, smeared_steps

Array = NDArray[np.float64]

# Three cells of smear, and one more where the cells straddle the ends of the slope.
WIDEST_CELLS = 4.0
# A slope wider than this begins to look like the bank of `BANK_M` on cells of 1 and 2 m.
WIDEST_M = 4.0
# Measured by its steepest cells a step is as wide as the smear, but for noise. Berms of 3:1 are wider, and mown.
SMEAR_MORE = 1.015
# The narrowest uniform bank that is never to be called a wall.
BANK_M = 6.0
# Enough cells for a slope of the ground at 1 m, and short enough to stay on a lawn between wall and path.
REACH_M = 2.5
# 17 degrees: a lower grade over a step's width is a hump or a bank, whatever lies beside it.
LEAST_GRADE = 0.3
# A step twice as sharp as the middle of the narrowest bank: half is for the noise of the survey.
RATIO = 2.0
# Two cells of level ground beside a step between two cells halve its grade; 0.2 keeps a third for noise.
NOTABLE = 0.2
# Noise of 0.1 m takes up to 0.3 m off a step here and there, so that a wall just over the drop height shows it in some
# places only, up to 30 m apart. Between them a lower, blunter step is the same wall.
FULL = 0.95
PARTIAL = 0.7
NEAR_RATIO = 1.8
NEAR_SMEAR_MORE = 1.1
NEAR_M = 16.0


def context_m(cell_m: float) -> float:
    """How far (m) ground can lie from a cell and still tell whether it is part of a drop, on cells of `cell_m`."""
    return NEAR_M + WIDEST_M + REACH_M + 5.0 * cell_m


def smeared_edges(z: Array, dx: float, dy: float, settings: HazardSettings) -> tuple[Array, Array]:
    """Steps that the survey smeared over up to three cells, as `kernels.steps.drop_runs` gives them.

    A wall counts from nearly the drop height on, and where it shows that near by, from two thirds of it.

    z: (rows, cols), m, NaN where missing; dx, dy: cell sides, m. Returns (fall, above), both (rows, cols), m: NaN off
    the drop; fall > 0 on its edge and face, and above = 0 too on its edge; fall = 0 on its foot.

    Only ground within about 30 m of a cell tells about it. A step wider than 4 m is a bank, so that cells with sides
    over 5.7 m (4 m across the fall line) show none.
    """
    rule = StepRule(
        least_height=FULL * settings.drop_height_m,
        widest=min(WIDEST_M, WIDEST_CELLS * max(dx, dy)),
        reach=REACH_M,
        bank=BANK_M,
        least_grade=LEAST_GRADE,
        ratio=RATIO,
        notable=NOTABLE,
        smear=min(WIDEST_M, SMEAR_MORE * settings.smear_cells * max(dx, dy)),
        partial=PARTIAL / FULL,
        near_ratio=NEAR_RATIO,
        near_smear=min(WIDEST_M, NEAR_SMEAR_MORE * settings.smear_cells * max(dx, dy)),
        near=NEAR_M,
    )
    return smeared_steps(z, dx, dy, rule)
