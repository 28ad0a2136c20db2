"""Whether all heights of a survey sit on a step, such as whole decimetres: then level cells prove nothing."""

from dataclasses import dataclass

import numpy as np

from slopekit.errors import InputError
from slopekit.sources.tiles import Heights, TileReader

WINDOW = 64
"""Cells along one side of a sampled window."""
WANTED, TRIED = 16, 32
"""Windows with data to look at, and windows to read at most: so the cost has a bound whatever the survey's size."""
LEAST_STEP_M = 0.01
LEAST_VALUES = 10


@dataclass(frozen=True)
class Sample:
    z: Heights
    """Heights in metres, one dimension, NaN removed."""
    off_earth: int
    """Cells met that hold an undeclared nodata value."""


def _halton(number: int, base: int) -> float:
    """Evenly spread positions in 0 to 1 (Halton 1960)."""
    value, part = 0.0, 1.0
    while number:
        part /= base
        number, digit = divmod(number, base)
        value += part * digit
    return value


def sample_heights(reader: TileReader, *, skip_damaged: bool = False) -> Sample:
    """Heights of small windows spread over the survey, at the cells' own resolution: overviews hold averages.

    skip_damaged: pass over files that cannot be read. Without it they raise InputError."""
    tiles = reader.mosaic.tiles
    count = min(len(tiles), WANTED)
    chosen = [tiles[(2 * k + 1) * len(tiles) // (2 * count)] for k in range(count)]
    seen: list[Heights] = []
    for k in range(TRIED):
        tile = chosen[k % count]
        number = k // count + 1
        height, width = min(WINDOW, tile.height), min(WINDOW, tile.width)
        row = tile.row + int(_halton(number, 2) * (tile.height - height))
        col = tile.col + int(_halton(number, 3) * (tile.width - width))
        try:
            z = reader.read(row, col, height, width)
        except InputError:
            if not skip_damaged:
                raise
            continue
        z = z[np.isfinite(z)]
        if z.size:
            seen.append(z)
        if len(seen) == WANTED:
            break
    return Sample(np.concatenate(seen) if seen else np.empty(0), reader.off_earth)


def vertical_step(z: Heights, integer_step_m: float | None) -> float | None:
    """Vertical step in metres of heights `z`, or None when it is 1 cm or less or cannot be told.

    The step is the greatest length of which every difference between the values is a multiple (Euclid's algorithm),
    within the rounding of single precision. At least 10 distinct values must be seen: in doubt there is no step,
    since the flat-cell test for water is then still made. Whole numbers stored with a scale (`integer_step_m`, metres)
    step by that at least.
    """
    floor = integer_step_m or 0.0
    step = _common_step(z)
    found = max(floor, step or 0.0)
    return found if found > LEAST_STEP_M * (1.0 + 1e-6) else None


def _common_step(z: Heights) -> float | None:
    if not z.size:
        return None
    rounding = 4.0 * float(np.finfo(np.float32).eps) * max(1.0, float(np.abs(z).max()))
    values = np.unique(z)
    gaps = np.diff(values)
    gaps = np.unique(gaps[gaps > rounding])
    if values.size < LEAST_VALUES or not gaps.size:
        return None
    step = float(gaps[0])
    for gap in gaps.tolist():
        if step <= LEAST_STEP_M:
            return None
        times = round(gap / step)
        # A longer gap is less rounded in proportion, so it corrects the step.
        step = gap / times if abs(gap - times * step) <= rounding else _common_measure(gap, step, rounding)
    # The whole range is the longest gap of all.
    span = float(values[-1] - values[0])
    step = span / round(span / step)
    return step if step > LEAST_STEP_M else None


def _common_measure(a: float, b: float, rounding: float) -> float:
    """Greatest length that both are multiples of (Euclid), where remainders within `rounding` count as none."""
    while b > rounding:
        a, b = b, a % b
        if a - b <= rounding:
            b = 0.0
    return a
