"""Ascending order of cells by elevation: a radix sort, several times faster here than a comparison sort."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

_DIGIT = 11
_BUCKETS = 1 << _DIGIT


@njit(cache=KEPT, nogil=True)
def ascending(values: NDArray[np.float64]) -> NDArray[np.int32]:
    """Flat indices of the cells that are not NaN, from the lowest to the highest; equal values in index order."""
    flat = values.ravel()
    n = 0
    for v in flat:
        if v == v:
            n += 1
    index = np.empty(n, np.int32)
    kept = np.empty(n, np.float64)
    m = 0
    for i in range(flat.size):
        if flat[i] == flat[i]:
            index[m] = i
            kept[m] = flat[i] + 0.0  # turns -0.0 into 0.0, which must sort as equal
            m += 1
    # The bit pattern of a float sorts like an integer once the sign is dealt with.
    key = kept.view(np.uint64)
    top = np.uint64(1) << np.uint64(63)
    for i in range(n):
        key[i] = ~key[i] if key[i] & top else key[i] | top
    key_next = np.empty(n, np.uint64)
    index_next = np.empty(n, np.int32)
    count = np.empty(_BUCKETS, np.int64)
    mask = np.uint64(_BUCKETS - 1)
    for shift in range(0, 64, _DIGIT):
        by = np.uint64(shift)
        count[:] = 0
        for i in range(n):
            count[(key[i] >> by) & mask] += 1
        if n == 0 or count[(key[0] >> by) & mask] == n:
            continue
        start = 0
        for b in range(_BUCKETS):
            here = count[b]
            count[b] = start
            start += here
        for i in range(n):
            b = (key[i] >> by) & mask
            key_next[count[b]] = key[i]
            index_next[count[b]] = index[i]
            count[b] += 1
        key, key_next = key_next, key
        index, index_next = index_next, index
    return index
