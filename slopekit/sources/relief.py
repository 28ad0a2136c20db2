"""Heights to look at: a wide view of the ground in few cells."""

from dataclasses import replace

import numpy as np

from slopekit.grid import Bounds, Window
from slopekit.sources.elevation import Elevation, Patch

_CELLS_AT_ONCE = 4_000_000


def relief(elevation: Elevation, bounds: Bounds, most: int) -> Patch:
    """Heights of the window that covers `bounds` (CRS units): every n-th cell, so that no side has more than `most`.

    NaN where there are none. It is read in strips, so that memory does not grow with the view. Raises InputError naming
    the file when cells cannot be read.
    """
    survey = elevation.survey
    window = survey.grid.covering(bounds, 0, survey.block)
    skip = -(-max(window.height, window.width) // most)
    unit = survey.block * skip
    high = unit * max(1, _CELLS_AT_ONCE // (unit * window.width))
    strips = []
    for row in range(0, window.height, high):
        strip = Window(window.row + row, window.col, min(high, window.height - row), window.width)
        strips.append(elevation.read(survey.grid.part(strip).bounds).z[::skip, ::skip])
    z = np.concatenate(strips)
    grid = survey.grid.part(window)
    steps = grid.step_x * skip, grid.step_y * skip
    return Patch(replace(grid, height=z.shape[0], width=z.shape[1], step_x=steps[0], step_y=steps[1]), z)
