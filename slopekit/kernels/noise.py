"""Correlated random error of heights that depends on where a cell lies, and not on the window that is looked at."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Word = np.uint64

# SplitMix64 (Steele, Lea and Flood 2014): a counter that goes up by _STEP, and a mix of its bits.
_STEP = Word(0x9E3779B97F4A7C15)
_MIX_1, _MIX_2 = Word(0xBF58476D1CE4E5B9), Word(0x94D049BB133111EB)
_SHIFT_1, _SHIFT_2, _SHIFT_3 = Word(30), Word(27), Word(31)
# The 53 high bits of a word are a float64 from 0 to 1.
_LOW_BITS, _UNIT = Word(11), 2.0**-53
_ALL_BITS = (1 << 64) - 1
# Part of the variance that the weights left out may hold: a thousandth of the error.
_LEFT_OUT = 1e-6


@njit(cache=KEPT, nogil=True, inline="always")
def _mixed(word):  # type: ignore[no-untyped-def]
    word = (word ^ (word >> _SHIFT_1)) * _MIX_1
    word = (word ^ (word >> _SHIFT_2)) * _MIX_2
    return word ^ (word >> _SHIFT_3)


@njit(cache=KEPT, nogil=True)
def _white(seed, number, row, col, odd, out):  # type: ignore[no-untyped-def]
    """Fill `out` with independent standard normal values (Box and Muller 1958) of the cells from a row on.

    Columns go in pairs from an even one, since the method makes two values of two uniform ones. row, col: words of the
    first row and of the last even column that is not beyond the first one; odd: 1 where the first one is odd, else 0.
    """
    rows, cols = out.shape
    key = _mixed(_mixed(seed + _STEP) + _STEP * number)
    for i in range(rows):
        counter = _mixed(key + _STEP * (row + np.uint64(i))) + _STEP * col
        for even in range(-odd, cols, 2):
            one = (_mixed(counter) >> _LOW_BITS) * _UNIT
            two = (_mixed(counter + _STEP) >> _LOW_BITS) * _UNIT
            counter += _STEP + _STEP
            # 1 - one is never 0, which has no logarithm.
            radius = math.sqrt(-2.0 * math.log(1.0 - one))
            turn = 2.0 * math.pi * two
            if even >= 0:
                out[i, even] = radius * math.cos(turn)
            if even + 1 < cols:
                out[i, even + 1] = radius * math.sin(turn)


@njit(cache=KEPT, nogil=True)
def _blend(white, down, across, scale, line, out):  # type: ignore[no-untyped-def]
    """Weighted sums over rows, then columns. `white` is wider than `out` by the reach of the weights on each side."""
    rows, cols = out.shape
    reach_down, reach_across = down.size - 1, across.size - 1
    for i in range(rows):
        at = i + reach_down
        for j in range(line.size):
            line[j] = down[0] * white[at, j]
        for k in range(1, down.size):
            for j in range(line.size):
                line[j] += down[k] * (white[at - k, j] + white[at + k, j])
        for j in range(cols):
            out[i, j] = across[0] * line[j + reach_across]
        for k in range(1, across.size):
            for j in range(cols):
                out[i, j] += across[k] * (line[j + reach_across - k] + line[j + reach_across + k])
        for j in range(cols):
            out[i, j] *= scale


def _weights(cells: float) -> Array:
    """Weights (from the middle one outward, both sides alike) that make independent values correlate by
    exp(-(k / cells)^2) over k cells and leave their variance as it is.

    For long correlations they are a Gaussian with sigma = cells / 2. A short one, sampled, correlates too little: so
    the weights are the root of the correlation's spectrum, which is exact up to the small ones left out.
    """
    if cells == 0.0:
        return np.ones(1)
    half = 32 + math.ceil(8.0 * cells)
    k = np.arange(2 * half)
    spectrum = np.fft.rfft(np.exp(-((np.minimum(k, 2 * half - k) / cells) ** 2))).real
    side = np.fft.irfft(np.sqrt(np.maximum(spectrum, 0.0)))[:half]
    beyond = 2.0 * np.cumsum(side[::-1] ** 2)[::-1]
    side = side[: max(1, int(np.argmax(beyond < _LEFT_OUT)))]
    return np.asarray(side / math.sqrt(side[0] ** 2 + 2.0 * float((side[1:] ** 2).sum())))


def error_field(
    seed: int,
    number: int,
    row: int,
    col: int,
    shape: tuple[int, int],
    dx: float,
    dy: float,
    correlation_m: float,
    rmse_m: float,
) -> Array:
    """Random error (m) of the heights of `shape` cells from (row, col) on, normal with standard deviation `rmse_m`.

    Errors a distance d apart correlate by exp(-(d / correlation_m)^2); dx, dy: cell sides, m. Correlation 0: none.
    row, col: of the first cell on a grid that stays the same, such as the survey's; they may be negative. The value of
    a cell depends on the seed, the realisation's number, its row and its column: windows that overlap agree to the bit.
    """
    down, across = _weights(correlation_m / dy), _weights(correlation_m / dx)
    above, left = down.size - 1, across.size - 1
    # Large arrays come from numpy, in large pages.
    white = np.empty((shape[0] + 2 * above, shape[1] + 2 * left))
    odd = (col - left) % 2
    start, at_row, at_col = (Word(value & _ALL_BITS) for value in (seed, row - above, col - left - odd))
    # Words run over. Plain Python says so, compiled code does not.
    with np.errstate(over="ignore"):
        _white(start, Word(number), at_row, at_col, odd, white)
    out = np.empty(shape)
    _blend(white, down, across, rmse_m, np.empty(white.shape[1]), out)
    return out
