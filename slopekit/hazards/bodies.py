"""Bodies of water and drops by name, and what a person on site said of them."""

import hashlib
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.grid import Grid
from slopekit.sources.corrections import Correction, holds_for
from slopekit.sources.raster import burn

Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Place:
    """Where a window lies in its survey."""

    survey: str
    """Checksum."""
    row: int
    col: int
    """Row and column of the window's first cell on the survey's working cells."""


@dataclass(frozen=True, eq=False)
class Bodies:
    """Connected pieces of one kind of hazard that was found in the ground."""

    prefix: str
    label: NDArray[np.int32]
    """(rows, cols): number of the body, 0 for none."""
    place: Place

    @classmethod
    def of(cls, prefix: str, mask: Bool, place: Place, *, corners: bool = False) -> "Bodies":
        """The pieces of a mask (rows, cols), 4-connected, or 8-connected with `corners`."""
        label, _ = ndimage.label(mask, np.ones((3, 3)) if corners else None)
        return cls(prefix, label, place)

    @cached_property
    def _boxes(self) -> list[tuple[slice, slice]]:
        return ndimage.find_objects(self.label)

    def box(self, number: int) -> tuple[slice, slice]:
        """Rows and columns that hold a body."""
        return self._boxes[number - 1]

    def cut(self, number: int) -> bool:
        """Whether the window's border may cut a body."""
        rows, cols = self.box(number)
        height, width = self.label.shape
        return rows.start == 0 or cols.start == 0 or rows.stop == height or cols.stop == width

    def id_of(self, number: int) -> str:
        """The name of a body: the same in every window that holds all of it, and another one for any other body, or for
        the same place in another survey. Empty for a body that is cut."""
        if self.cut(number):
            return ""
        rows, cols = self.box(number)
        cells = self.label[rows, cols] == number
        where = f"{self.place.survey} {self.place.row + rows.start} {self.place.col + cols.start} {cells.shape}"
        digest = hashlib.sha256(where.encode() + np.packbits(cells).tobytes()).hexdigest()
        return f"{self.prefix}-{digest[:8]}"


def said_of(
    bodies: Bodies, statements: tuple[Correction, ...], grid: Grid
) -> tuple[Bool, Bool, tuple[Correction, ...]]:
    """Cells of the bodies that a rejection lifts; cells of bodies that a statement touches and the window cuts; and the
    rejections that lift something.

    A rejection holds for the survey whose checksum it gives, and for all of the body that it names and touches.
    """
    lifted, open_ = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    applied = []
    for one in statements:
        if one.what != "reject" or not one.body.startswith(bodies.prefix) or not holds_for(one, bodies.place.survey):
            continue
        touched = bodies.label[burn([one.geometry], grid, all_touched=True)]
        for number in np.unique(touched[touched > 0]).tolist():
            if bodies.cut(number):
                open_ |= bodies.label == number
            elif bodies.id_of(number) == one.body:
                lifted |= bodies.label == number
                applied.append(one)
    return lifted, open_, tuple(applied)
