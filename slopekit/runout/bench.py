"""A made slope with a bench below it and a drop at its end: what stops a machine, and what does not."""

import math

import numpy as np

from slopekit.grid import Window
from slopekit.runout.profile import Profile
from slopekit.runout.resistance import resistance
from slopekit.runout.run_out import DROP, run_out
from slopekit.runout.settings import RunoutSettings
from slopekit.runout.way import path_to, ride

_TOP_M, _SIDE = 10, 7  # level ground at the top, m; cells of one metre across
_ASKED_M = 100.0  # more head than any bench takes
_SLOPE_OF_BENCH = 0.02


def bench_ride(slope_deg: float, slope_m: int, bench_m: int, friction: float, settings: RunoutSettings) -> Profile:
    """What a machine does that rolls from the top of a slope over a bench of 2 % towards a drop at its end.

    slope_deg, slope_m: degrees (over `rolls_from_deg`) and plan length, m. bench_m: plan length, m. The steps are those
    of a survey, on a made ground of 1 m cells.
    """
    grades = np.concatenate([np.zeros(_TOP_M), np.full(slope_m, math.tan(math.radians(slope_deg)))])
    grades = np.concatenate([grades, np.full(bench_m, _SLOPE_OF_BENCH)])
    column = np.concatenate([[0.0], -np.cumsum(grades)])
    z = np.repeat((column - column[-1])[:, None], _SIDE, axis=1)
    slope = np.degrees(np.arctan(np.repeat(np.concatenate([grades, [0.0]])[:, None], _SIDE, axis=1)))
    source = np.full(z.shape, np.inf)
    source[-1] = z[-1]
    start = np.zeros(z.shape, bool)
    at = _TOP_M, _SIDE // 2
    start[at] = True
    loss = resistance(slope, friction, settings)
    run = run_out(z, [loss], {DROP: source}, start, Window(*at, 1, 1), _ASKED_M, 1.0, 1.0)
    way = path_to(run, DROP, at, settings.rolls_from_deg, 1.0, 1.0)
    return ride(run, DROP, way.cells, 0.0, 1.0, 1.0)
