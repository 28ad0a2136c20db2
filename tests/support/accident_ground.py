"""Profiles of the ground of known accidents, laid over a square, and what the screening says of them."""

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
from ground_maker import NORTH, WEST, Answer, Array, answer, box, elevation_of

from slopekit.fleet.model import Fleet
from slopekit.grid import Grid
from slopekit.sources.layers import Layers

FT = 0.3048
SIZE = 200
PARCEL = box(80.0, 78.0, 42.0, 44.0)
FALL = 0.01
Profile = Callable[[Array], Array]


def downhill(x: Array, y: Array, azimuth: float) -> Array:
    """Metres down the profile from its edge, which passes the middle of the ground. x, y: metres from the corner."""
    a = math.radians(azimuth)
    return (y - SIZE / 2.0) * math.cos(a) + (x - SIZE / 2.0) * math.sin(a)


def ground(profile: Profile, azimuth: float, cell: float = 1.0) -> Array:
    """The profile, with 1.2 mm of fall a metre across it, so that no row of cells is level."""
    y, x = (np.mgrid[: int(SIZE / cell), : int(SIZE / cell)] + 0.5) * cell
    return 50.0 + profile(downhill(x, y, azimuth)) + 0.0012 * downhill(x, y, azimuth - 90.0)


def along(grid: Grid, azimuth: float) -> Array:
    """`downhill` of the cells of an answer."""
    i, j = np.mgrid[: grid.height, : grid.width] + 0.5
    x, y = grid.west + j * grid.step_x - WEST, NORTH - (grid.north - i * grid.step_y)
    return downhill(x, y, azimuth)


def bank(angle: float, height: float, *, above: float = FALL, below: float = FALL) -> Profile:
    """Ground of grade `above`, a bank of `angle` degrees from 0 on, ground of grade `below` from its foot on."""
    plan = height / math.tan(math.radians(angle))

    def z(d: Array) -> Array:
        return -(above * np.minimum(d, 0.0) + height / plan * np.clip(d, 0.0, plan) + below * np.maximum(d - plan, 0.0))

    return z


def wall(height: float, *, above: float = FALL) -> Profile:
    """Ground of grade `above`, a sheer step down at 0, ground that falls 1 % beyond."""
    return lambda d: -(np.where(d < 0.0, above, FALL) * d + np.where(d < 0.0, 0.0, height))


def plan_of(angle: float, height: float) -> float:
    return height / math.tan(math.radians(angle))


def screened(tmp_path: Path, z: Array, fleet: Fleet, layers: Layers | None = None, **options: float) -> Answer:
    return answer(elevation_of(tmp_path / "ground.tif", z, **options), PARCEL, fleet, layers)
