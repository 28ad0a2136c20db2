"""A portfolio cut into districts, each small enough for one page."""

import numpy as np
from numpy.typing import NDArray

MOST_PARCELS, MOST_ZONES = 2000, 20_000
"""Of one page."""


def districts_of(places: NDArray[np.float64], zones: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Row numbers of the parcels of each district, in rising order: halved across the longer side until each is small
    enough. One parcel is never cut.

    places: (parcels, 2), a point of each. zones: (parcels,), how many each has.
    """
    out: list[NDArray[np.int64]] = []

    def cut(rows: NDArray[np.int64]) -> None:
        if len(rows) < 2 or (len(rows) <= MOST_PARCELS and zones[rows].sum() <= MOST_ZONES):
            out.append(np.sort(rows))
            return
        side = int(np.argmax(np.ptp(places[rows], axis=0)))
        # Rows break ties, so that parcels at one place are cut too.
        order = rows[np.lexsort((rows, places[rows, side]))]
        cut(order[: len(order) // 2])
        cut(order[len(order) // 2 :])

    cut(np.arange(len(places)))
    return out
