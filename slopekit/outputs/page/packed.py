"""Whole numbers as short text: five bits a character, so that a page of many zones stays small."""

import numpy as np
from numpy.typing import NDArray

ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
"""No character of it means anything to HTML or JSON. page.js reads it back."""
_CHARACTERS = np.frombuffer(ALPHABET.encode("ascii"), np.uint8)
_BITS = 5


def packed(values: NDArray[np.int64]) -> str:
    """Numbers of 0 and more, the lowest five bits first; the sixth bit of a character says that more follow."""
    left = np.asarray(values, np.int64).ravel()
    if left.size == 0:
        return ""
    if left.min() < 0:
        raise ValueError("a number below 0 is packed by `packed_signed`")
    length = np.ones(left.size, np.int64)
    for n in range(1, 13):
        length += left >> (_BITS * n) > 0
    first = np.cumsum(length) - length
    out = np.empty(int(length.sum()), np.uint8)
    for n in range(int(length.max())):
        held = length > n
        more = (length[held] > n + 1).astype(np.int64) << _BITS
        out[first[held] + n] = _CHARACTERS[(left[held] >> (_BITS * n) & 31) | more]
    return out.tobytes().decode("ascii")


def packed_signed(values: NDArray[np.int64]) -> str:
    """Numbers of any sign, folded so that small ones stay short: 0, -1, 1, -2 become 0, 1, 2, 3."""
    whole = np.asarray(values, np.int64)
    return packed(np.where(whole < 0, -2 * whole - 1, 2 * whole))


def packed_column(values: NDArray[np.float64], step: float) -> str:
    """A column of numbers of 0 and more in whole steps, one higher, so that 0 is a missing one (NaN)."""
    numbers = np.asarray(values, np.float64)
    return packed(np.where(np.isnan(numbers), 0.0, np.rint(np.nan_to_num(numbers) / step) + 1.0).astype(np.int64))


def packed_shares(values: NDArray[np.float64]) -> str:
    """Parts of a whole in thousandths, as `packed_column`: never nothing where there is some, never all before it is
    all."""
    shares = np.asarray(values, np.float64)
    inner = np.clip(np.rint(1000.0 * shares), 1.0, 999.0)
    return packed_column(np.where((shares > 0.0) & (shares < 1.0), inner, np.rint(1000.0 * shares)), 1.0)
