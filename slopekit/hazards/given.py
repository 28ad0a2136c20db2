"""What the user said of hazards, on the working cells of one window."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.schema.corrections import Correction

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Cells = tuple[NDArray[np.int64], NDArray[np.int64]]


@dataclass(frozen=True, eq=False)
class Rejection:
    """A statement that a body of water or drop of this very survey is not there."""

    said: Correction
    cells: Cells
    """Rows and columns that it touches."""
    whole: bool
    """Whether all of it lies in the window."""


@dataclass(frozen=True, eq=False)
class GivenHazards:
    """Masks (rows, cols) of all cells that a shape touches."""

    water: Bool
    shore: Bool
    """Within the stand-off distance of water, which is measured from its shapes and not from their cells."""
    lines: Bool
    """Walls and edges."""
    line_height: Array
    """(rows, cols), m: on the cells of a line and beside them the height that was given for it, the greatest of
    several; NaN where none was."""
    other: Bool
    """Roads, railways and other hazards."""
    possible: Bool
    """What may be water, as the survey's points show it."""
    rejections: tuple[Rejection, ...] = ()
