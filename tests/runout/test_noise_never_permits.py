"""Noise of the survey on planes above water, and on real ground.

Planes a little steeper than machines are assumed to hold on: 5 and 10 cm of noise, white and correlated (Gaussian, the
project's own error fields), must not permit a machine at work. The shares were measured with these seeds; where errors
of 10 cm hang together over metres they make real slopes, and no rule on one survey tells them from the ground.
"""

import math
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from look_maker import DRY, WET, fleet_at, least_head, looked
from real_ground import Ground

from slopekit.kernels.noise import error_field
from slopekit.sources.layers import Layer, Layers

pytestmark = pytest.mark.reference

WATER = Layers(water=Layer.of("pond", [shapely.box(0.0, 0.0, 80.0, 10.0)]))
SEEDS = range(4)


def refused(degrees: float, rmse: float, correlation: float, condition: int, speed: float = 10.0) -> float:
    """The part of a plane, 10 to 100 m above a pond, that is refused to a machine at work."""
    i, _ = np.mgrid[:120, :80]
    plane = 100.0 - math.tan(math.radians(degrees)) * i
    shares = []
    for seed in SEEDS:
        z = plane + error_field(seed, 0, 0, 0, plane.shape, 1.0, 1.0, correlation, rmse)
        found = least_head(looked(z, fleet_at(speed), WATER), condition)
        shares.append(float((found[10:100, 10:-10] < np.inf).mean()))
    return float(np.mean(shares))


@pytest.mark.parametrize("condition", [DRY, WET], ids=["dry", "wet"])
@pytest.mark.parametrize(
    "degrees, rmse, correlation, least",
    [
        (5.2, 0.05, 0.0, 0.99),
        (5.2, 0.05, 2.0, 0.98),
        (5.2, 0.10, 0.0, 0.99),
        (5.2, 0.10, 2.0, 0.65),
        (5.5, 0.05, 0.0, 0.99),
        (5.5, 0.05, 2.0, 0.99),
        (5.5, 0.10, 0.0, 0.99),
        (5.5, 0.10, 2.0, 0.94),
        (6.0, 0.05, 0.0, 0.99),
        (6.0, 0.05, 2.0, 0.99),
        (6.0, 0.10, 0.0, 0.99),
        (6.0, 0.10, 2.0, 0.99),
    ],
)
def test_planes_above_water_stay_refused(
    degrees: float, rmse: float, correlation: float, least: float, condition: int
) -> None:
    assert refused(degrees, rmse, correlation, condition) >= least


def test_a_plane_on_which_tyres_hold_is_not_refused() -> None:
    # The test above could not fail if everything were refused. 2 degrees, dry: 3 m and a little from the water.
    assert refused(2.0, 0.05, 0.0, DRY) < 0.05


WATER_ALONE, DROPS_HELD, DROPS_FOUND = range(3)


@pytest.mark.parametrize(
    "correlation, asked, most_lost, most_gained",
    [
        (0.0, WATER_ALONE, 0.002, 0.002),
        (2.0, WATER_ALONE, 0.002, 0.002),
        # The run-out's own share: the drops are those of the survey, the ground alone is noisy.
        (0.0, DROPS_HELD, 0.005, 0.005),
        (2.0, DROPS_HELD, 0.009, 0.009),
        # Noise also makes and hides drops near the least height: a tenth more crest cells. That share is the finder's.
        (0.0, DROPS_FOUND, 0.025, 0.01),
        (2.0, DROPS_FOUND, 0.025, 0.01),
    ],
)
def test_noise_changes_little_on_real_ground(
    ground: Callable[[str], Ground], correlation: float, asked: int, most_lost: float, most_gained: float
) -> None:
    """Lost: cells that noise refuses; gained: cells that it permits. As a part of all cells."""
    one = ground("village_scarp_1m")
    z = np.ascontiguousarray(one.z[300:700, 300:700])
    # Noise would un-flatten the sea.
    low = float(np.nanmin(z)) + 0.5
    rows, cols = np.nonzero(z < low)
    cells = shapely.box(cols, 400.0 - rows - 1.0, cols + 1.0, 400.0 - rows)
    given = Layers(water=Layer.of("water", list(cells)))
    kinds = ("water",) if asked == WATER_ALONE else ("water", "drop")
    noisy = z + error_field(1, 0, 0, 0, z.shape, 1.0, 1.0, correlation, 0.05)
    fleet, inner = fleet_at(9.0), np.s_[20:-20, 20:-20]
    before = (least_head(looked(z, fleet, given), DRY, kinds) < np.inf)[inner]
    drops_of = z if asked == DROPS_HELD else None
    after = (least_head(looked(noisy, fleet, given, drops_of=drops_of), DRY, kinds) < np.inf)[inner]
    assert 0.02 < before.mean() < 0.98
    lost, gained = float((after & ~before).mean()), float((before & ~after).mean())
    assert 0.0 < lost < most_lost and 0.0 < gained < most_gained
