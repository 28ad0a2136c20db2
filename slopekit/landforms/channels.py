"""Channels: the incised, narrow, long ground of brooks and ditches, where nobody is to be sent unseen."""

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.kernels.patches import with_neighbours
from slopekit.kernels.ridges import two_sided_rise
from slopekit.landforms.settings import LandformSettings

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

# Least length in mean widths: pits that meet are no line.
_ELONGATION = 3.0


def reach_m(settings: LandformSettings) -> float:
    """Metres of ground round a place that tell whether it lies in a channel."""
    return settings.channel_length_m + 2.0 * settings.channel_width_m + 10.0


def find_channels(z: Array, dx: float, dy: float, settings: LandformSettings) -> Bool:
    """Ground in channels. z: (rows, cols), m, NaN where missing; dx, dy: cell sides, m. Returns (rows, cols).

    A channel is a connected line of cells at least `channel_depth_m` below the ground on both sides, no more than
    `channel_width_m` apart, and at least `channel_length_m` long from end to end; with it counts the ground beside
    the line that is half as deep. Ground that falls away on one side only is none. Where the array's border or missing
    ground cuts a line it counts as long. What lies `reach_m` from the border does not depend on it. A ditch is a
    channel as well, dry or not. The figures are common practice, no source.
    """
    # A line of cells between two banks is a cell narrower than the distance between them.
    width = max(settings.channel_width_m - max(dx, dy), max(dx, dy))
    depth = two_sided_rise(-z, dx, dy, width)
    low = depth >= settings.channel_depth_m
    label, count = ndimage.label(low, np.ones((3, 3)))
    if not count:
        return low
    cut = np.ones(z.shape, bool)
    cut[1:-1, 1:-1] = False
    cut |= with_neighbours(np.isnan(z))
    keep = np.zeros(count + 1, bool)
    keep[label[cut]] = True
    for number, part in enumerate(ndimage.find_objects(label), start=1):
        if not keep[number]:
            keep[number] = _is_line(label[part] == number, dx, dy, settings.channel_length_m)
    keep[0] = False
    return with_neighbours(keep[label]) & (depth >= 0.5 * settings.channel_depth_m)


def _is_line(cells: Bool, dx: float, dy: float, least: float) -> bool:
    if math.hypot(cells.shape[0] * dy, cells.shape[1] * dx) < least:
        return False
    length = _longest(cells, dx, dy)
    return length >= least and length * length >= _ELONGATION * cells.sum() * dx * dy


def _longest(cells: Bool, dx: float, dy: float) -> float:
    """Metres between the two cells that lie farthest apart, a cell added: those at the ends of rows suffice."""
    rows = np.flatnonzero(cells.any(axis=1))
    first = cells.argmax(axis=1)[rows]
    last = cells.shape[1] - 1 - cells[:, ::-1].argmax(axis=1)[rows]
    y = np.concatenate([rows, rows]) * dy
    x = np.concatenate([first, last]) * dx
    far = np.hypot(y[:, None] - y[None, : rows.size], x[:, None] - x[None, : rows.size]).max()
    both = np.hypot(y[:, None] - y[None, rows.size :], x[:, None] - x[None, rows.size :]).max()
    return float(max(far, both)) + min(dx, dy)
