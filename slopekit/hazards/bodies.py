"""Bodies of water and drops by name, and what a person on site said of them."""

import hashlib
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.grid import Window
from slopekit.hazards.given import Rejection
from slopekit.schema.corrections import Correction

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
    rim: int = 0
    """Cells beside the window's border where a wider window may show other bodies."""

    @classmethod
    def of(cls, prefix: str, mask: Bool, place: Place, *, corners: bool = False, rim: int = 0) -> "Bodies":
        """The pieces of a mask (rows, cols), 4-connected, or 8-connected with `corners`."""
        if not mask.any():
            return cls(prefix, np.broadcast_to(np.int32(0), mask.shape), place, rim)
        label, _ = ndimage.label(mask, np.ones((3, 3)) if corners else None)
        return cls(prefix, label, place, rim)

    @cached_property
    def _boxes(self) -> list[tuple[slice, slice]]:
        return ndimage.find_objects(self.label)

    def box(self, number: int) -> tuple[slice, slice]:
        """Rows and columns that hold a body."""
        return self._boxes[number - 1]

    def cut(self, number: int) -> bool:
        """Whether the window's border may cut a body."""
        return not self.within(number, Window(0, 0, *self.label.shape))

    @cached_property
    def cut_ones(self) -> set[int]:
        """The bodies that the window's border may cut."""
        return {number for number in range(1, len(self._boxes) + 1) if self.cut(number)}

    def within(self, number: int, window: Window) -> bool:
        """Whether a body lies in a window of the cells, clear of its rim."""
        rows, cols = self.box(number)
        return (
            window.row + self.rim < rows.start
            and window.col + self.rim < cols.start
            and rows.stop < window.row + window.height - self.rim
            and cols.stop < window.col + window.width - self.rim
        )

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


def said_of(bodies: Bodies, rejections: tuple[Rejection, ...]) -> tuple[Bool, Bool, tuple[Correction, ...]]:
    """Cells of the bodies that a rejection lifts; cells of bodies that the window cuts and a rejection touches, or may
    touch since it reaches beyond the window; and the rejections that lift something.

    A rejection holds for all of the body that it names and touches.
    """
    lifted = np.zeros(bodies.label.shape, bool)
    open_: set[int] = set()
    applied = []
    for one in rejections:
        if not one.said.body.startswith(bodies.prefix):
            continue
        touched = set(np.unique(bodies.label[one.cells]).tolist()) - {0}
        open_ |= bodies.cut_ones & touched if one.whole else bodies.cut_ones
        for number in sorted(touched - bodies.cut_ones):
            if bodies.id_of(number) == one.said.body:
                lifted |= bodies.label == number
                applied.append(one.said)
    return lifted, np.isin(bodies.label, list(open_)), tuple(applied)
