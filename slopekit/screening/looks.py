"""Which looks the answer on one parcel takes, and what they saw put together.

Most parcels take one. Parts that lie far apart take one each, and what reaches too far for one look is asked square by
square. The squares lie on a lattice that is fixed to the cells' place on the map: no answer depends on what was read.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np
import shapely

from slopekit.fleet.model import Fleet
from slopekit.grid import Bounds, Grid, Window, grown
from slopekit.screening.ground import strip_m, view_of

# Square metres of a box that one look is taken round, and metres of a square where it is more.
_ONE_LOOK_M2 = 1_000_000.0
_SQUARE_M = 500.0
# Values of cells that no look answers for, by kind of type. Of unsigned numbers, reasons are two bytes or more and hold
# every code; ways are one byte and hold none.
_MISSING = {"f": np.nan, "i": -1, "b": False}


@dataclass(frozen=True)
class Look:
    """One look, and the cells that it answers for."""

    region: shapely.Geometry
    """What it is taken round, CRS units."""
    own: Window
    """On the working grid. No two looks of a parcel answer for the same cell."""


def looks_of(region: shapely.Geometry, fleet: Fleet, working: Grid) -> tuple[Look, ...]:
    """The looks that the answer on a parcel takes, west before east in each row, north before south."""
    metres = working.metres_per_unit
    out = []
    for part in _apart(region, fleet.runout.look_m, metres):
        west, south, east, north = part.bounds
        view = view_of(working, part, fleet)
        if (east - west) * (north - south) * metres**2 <= _ONE_LOOK_M2:
            out.append(Look(part, view))
            continue
        wide = part.buffer(strip_m(fleet, working) / metres)
        for square in _squares(view, working):
            piece = shapely.intersection(wide, shapely.box(*working.part(square).bounds))
            if piece.area > 0.0:
                out.append(Look(piece, square))
    return tuple(out)


def _apart(region: shapely.Geometry, look_m: float, metres_per_unit: float) -> list[shapely.Geometry]:
    """Parts of a region whose looks do not touch."""
    left = [(grown(part.bounds, look_m, metres_per_unit), [part]) for part in shapely.get_parts(region)]
    out: list[tuple[Bounds, list[shapely.Geometry]]] = []
    while left:
        box, parts = left.pop()
        near = [k for k, (other, _) in enumerate(left) if _meet(box, other)]
        if not near:
            out.append((box, parts))
            continue
        # A wider look may meet others.
        other, more = left.pop(near[-1])
        (w, s, e, n), (w2, s2, e2, n2) = box, other
        left.append(((min(w, w2), min(s, s2), max(e, e2), max(n, n2)), more + parts))
    out.sort(key=lambda found: (-found[0][3], found[0][0]))
    return [parts[0] if len(parts) == 1 else shapely.multipolygons(parts) for _, parts in out]


def _meet(one: Bounds, two: Bounds) -> bool:
    return one[0] <= two[2] and two[0] <= one[2] and one[1] <= two[3] and two[1] <= one[3]


def _squares(view: Window, working: Grid) -> Iterator[Window]:
    """A window parted along the lattice of squares."""
    row, col = working.place()
    tall, wide = max(1, round(_SQUARE_M / working.dy)), max(1, round(_SQUARE_M / working.dx))
    for top, height in _spans(view.row, view.height, row, tall):
        for left, width in _spans(view.col, view.width, col, wide):
            yield Window(top, left, height, width)


def _spans(first: int, count: int, place: int, step: int) -> Iterator[tuple[int, int]]:
    at, end = first, first + count
    while at < end:
        after = min(end, at + step - (at + place) % step)
        yield at, after - at
        at = after


@dataclass(frozen=True)
class Piece:
    """Which cells of the whole one look answers for, and where they lie among those that it saw."""

    to: tuple[slice, slice]
    source: tuple[slice, slice]


def piece_of(look: Look, seen: Window, whole: Window) -> Piece:
    """seen, whole: windows of the working grid: what the look holds arrays of, and all cells of the parcel."""
    own = look.own
    row, col = max(own.row, seen.row, whole.row), max(own.col, seen.col, whole.col)
    end = min(w.row + w.height for w in (own, seen, whole))
    right = min(w.col + w.width for w in (own, seen, whole))

    def of(base: Window) -> tuple[slice, slice]:
        return slice(row - base.row, end - base.row), slice(col - base.col, right - base.col)

    return Piece(of(whole), of(seen))


def _missing(of: np.dtype[Any]) -> float | int:
    if of.kind == "u":
        return 0 if of.itemsize == 1 else int(np.iinfo(of).max)
    return _MISSING[of.kind]


class Joint:
    """Tuples and dataclasses of arrays (..., rows, cols) of some looks, put together as they come. Cells that
    no look answers for are missing, and refused to everybody."""

    def __init__(self, shape: tuple[int, int]) -> None:
        """shape: of the whole, rows and columns."""
        self.shape = shape
        self.whole: Any = None

    def put(self, piece: Piece, part: Any) -> None:
        """part: of one look. The first one is not copied where it is all."""
        rows, cols = (at.stop - at.start for at in piece.to)
        if self.whole is None:
            self.whole = part if (rows, cols) == self.shape else self._blank(part)
            if self.whole is part:
                return
        _fill(self.whole, part, piece)

    def _blank(self, part: Any) -> Any:
        if isinstance(part, np.ndarray):
            return np.full((*part.shape[:-2], *self.shape), _missing(part.dtype), part.dtype)
        if is_dataclass(part) and not isinstance(part, type):
            return replace(part, **{f.name: self._blank(getattr(part, f.name)) for f in fields(part)})
        return tuple(map(self._blank, part)) if isinstance(part, tuple) else part


def _fill(whole: Any, part: Any, piece: Piece) -> None:
    if isinstance(part, np.ndarray):
        whole[..., *piece.to] = part[..., *piece.source]
    elif is_dataclass(part):
        for f in fields(part):
            _fill(getattr(whole, f.name), getattr(part, f.name), piece)
    elif isinstance(part, tuple):
        for one, other in zip(whole, part, strict=True):
            _fill(one, other, piece)
