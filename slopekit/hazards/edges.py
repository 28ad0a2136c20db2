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
# Noise of 0.1 m takes up to 0.3 m off a step here and there. A wall that shows its height near by is one wall.
PARTIAL = 0.7
NEAR_M = 4.0


def smeared_edges(z: Array, dx: float, dy: float, settings: HazardSettings) -> tuple[Array, Array]:
    """Steps of the drop height that the survey smeared over up to three cells, as `kernels.steps.drop_runs` gives them.

    z: (rows, cols), m, NaN where missing; dx, dy: cell sides, m. Returns (fall, above), both (rows, cols), m: NaN off
    the drop; fall > 0 on its edge and face, and above = 0 too on its edge; fall = 0 on its foot.

    Only ground within about 15 m of a cell tells about it. A step wider than 4 m is a bank, so that cells with sides
    over 5.7 m (4 m across the fall line) show none.
    """
    rule = StepRule(
        least_height=settings.drop_height_m,
        widest=min(WIDEST_M, WIDEST_CELLS * max(dx, dy)),
        reach=REACH_M,
        bank=BANK_M,
        least_grade=LEAST_GRADE,
        ratio=RATIO,
        notable=NOTABLE,
        partial=PARTIAL,
        near=NEAR_M,
    )
    return smeared_steps(z, dx, dy, rule)
