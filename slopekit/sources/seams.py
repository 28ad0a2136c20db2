"""Heights on both sides of the seams between tiles: a tile in another unit or on another datum stands out."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.sources.files import short_name
from slopekit.sources.mosaic import Tile

Heights = NDArray[np.float64]
Cells = Callable[[Tile, int, int, int, int], Heights]
"""Heights in metres of rows and columns (from, to, from, to) of the lattice that lie within a tile."""

# Common practice, no source; tests/sources/test_seams.py counts false alarms on real ground for these very figures.
SURE_M, WORTH_A_NOTE_M = 0.5, 0.1
SAME_WAY = 0.8
"""Part of the cells along a seam that must stand apart in the same direction. Banks and walls leave the seam sooner."""
TIMES_BESIDE = 4.0
"""A jump at a seam must be this many times the one found in the same way two cells beside it, where no tile ends."""
LEAST_CELLS = 48
"""Cells with heights on both sides, below which nothing is said."""
STRETCH, STRETCHES = 64, 2
"""Cells along a seam that are read together, and how often: all of a short seam, else one in each of its halves."""
DEPTH = 4
"""Cells that are read on each side."""
AT_OPEN = 64
"""Tiles whose seams are looked at when a survey is opened."""
_SHOWN = 3
_UNITS = (
    (1.0 / 0.3048, "as feet among metres are"), (0.3048, "as metres among feet are"),
    (10.0, "as decimetres among metres are"), (0.1, "as metres among decimetres are"),
    (100.0, "as centimetres among metres are"), (0.01, "as metres among centimetres are"),
)  # fmt: skip
"""The international foot is 0.3048 m (NIST Special Publication 811, 2008, appendix B.6; from memory)."""


@dataclass(frozen=True)
class Seam:
    """How the heights of two tiles meet. Of `there` against `here`."""

    here: int
    there: int
    jump_m: float
    """Median over the seam, less what the slope on both sides explains."""
    same_way: float
    """Part of the cells that jump in that direction by at least half of `SURE_M`, or of the jump if it is less."""
    beside_m: float
    """The larger of the medians found in the same way within each tile."""
    times: float
    """Median height there, in parts of that here; 0 where it is 0 here."""

    def apart(self, least_m: float) -> bool:
        return (
            abs(self.jump_m) >= least_m
            and self.same_way >= SAME_WAY
            and abs(self.jump_m) >= TIMES_BESIDE * self.beside_m
        )


class Seams:
    """The seams of a mosaic, each looked at once, when ground near it is first wanted."""

    def __init__(self, tiles: Sequence[Tile], cells: Cells) -> None:
        self._tiles = tiles
        self._cells = cells
        self._edges = np.array([(t.row, t.row + t.height, t.col, t.col + t.width) for t in tiles])
        self._known: dict[tuple[int, int], Seam | None] = {}
        self._sound: set[int] = set()

    def check(self, row: int, col: int, height: int, width: int) -> None:
        """Raise InputError if a tile under this window stands apart from its neighbours by `SURE_M` or more.

        Of two tiles whose heights do not meet, the one that more neighbours speak against is refused; both where that
        cannot be told. Seams with too few heights, or in files that cannot be read, say nothing.
        """
        if len(self._tiles) > 1:
            top, bottom, left, right = self._edges.T
            under = (top < row + height) & (bottom > row) & (left < col + width) & (right > col)
            self._refuse(np.flatnonzero(under).tolist())

    def at_open(self) -> tuple[str, ...]:
        """Look at the seams of some tiles, spread over all; sentences on those that stand apart by less than `SURE_M`.

        Raises InputError as `check` does.
        """
        count = min(len(self._tiles), AT_OPEN)
        self._refuse([(2 * k + 1) * len(self._tiles) // (2 * count) for k in range(count)])
        slight = [s for s in self._known.values() if s is not None and s.apart(WORTH_A_NOTE_M) and not s.apart(SURE_M)]
        slight.sort(key=lambda s: -abs(s.jump_m))
        notes = [f"{self._told(s)}, so the ground has a step there that may not exist." for s in slight[:_SHOWN]]
        if len(slight) > _SHOWN:
            notes.append(
                f"{len(slight) - _SHOWN} more seams between tiles have a step of {WORTH_A_NOTE_M:g} m or more."
            )
        return tuple(notes)

    def _refuse(self, numbers: Sequence[int]) -> None:
        for number in numbers:
            if number in self._sound:
                continue
            for seam in self._of(number):
                other = seam.here if seam.there == number else seam.there
                if seam.apart(SURE_M) and self._against(number) >= self._against(other):
                    raise InputError(
                        f"{self._tiles[number].name}: {self._told(seam, number)}, so one of the two is in another unit "
                        f"or on another datum than it says: convert it or leave it out."
                    )
            self._sound.add(number)

    def _against(self, number: int) -> int:
        """How many more neighbours speak against a tile than for it."""
        return sum(1 if seam.apart(SURE_M) else -1 for seam in self._of(number))

    def _of(self, number: int) -> Iterator[Seam]:
        top, bottom, left, right = self._edges.T
        mine = self._edges[number]
        near = (top <= mine[1]) & (bottom >= mine[0]) & (left <= mine[3]) & (right >= mine[2])
        for other in np.flatnonzero(near).tolist():
            pair = min(number, other), max(number, other)
            if other != number:
                if pair not in self._known:
                    self._known[pair] = self._look(*pair)
                seam = self._known[pair]
                if seam is not None:
                    yield seam

    def _told(self, seam: Seam, number: int | None = None) -> str:
        """What is seen at a seam, told of the tile with this number, or of one of the two."""
        jump, times, names = seam.jump_m, seam.times, [self._tiles[n].name for n in (seam.there, seam.here)]
        if number == seam.here:
            jump, times, names = -jump, 1.0 / times if times else np.nan, names[::-1]
        like = next((words for ratio, words in _UNITS if abs(times / ratio - 1.0) < 0.02), "")
        factor = f" (about {times:.3g} times as high, {like})" if like else ""
        whose = f"the heights of {short_name(names[0])}" if number is None else "its heights"
        way = "above" if jump > 0.0 else "below"
        return f"{whose} lie some {abs(jump):.2f} m {way} those of {short_name(names[1])} where the two meet{factor}"

    def _look(self, here: int, there: int) -> Seam | None:
        """Compare two tiles along the middle of what both hold, or where one begins and the other ends."""
        a, b = self._tiles[here], self._tiles[there]
        row0, row1 = max(a.row, b.row), min(a.row + a.height, b.row + b.height)
        col0, col1 = max(a.col, b.col), min(a.col + a.width, b.col + b.width)
        stacked = col1 - col0 >= row1 - row0
        (from_, to), (top, bottom) = ((col0, col1), (row0, row1)) if stacked else ((row0, row1), (col0, col1))
        if to - from_ < LEAST_CELLS:
            return None
        try:
            if bottom > top:
                z = self._strips(stacked, from_, to, ((here, (top + bottom) // 2, 1), (there, (top + bottom) // 2, 1)))
                return _seam(here, there, z[1] - z[0], (), (z[0], z[1]))
            before, after = (here, there) if ((a.row < b.row) if stacked else (a.col < b.col)) else (there, here)
            if min((t.height if stacked else t.width) for t in (a, b)) < DEPTH:
                return None
            z = self._strips(stacked, from_, to, ((before, top - DEPTH, DEPTH), (after, top, DEPTH)))
        except InputError:
            return None
        z = z if before == here else z[::-1]
        beside = _jump(z, 2), _jump(z, 2 * DEPTH - 2)
        return _seam(here, there, _jump(z, DEPTH), beside, (z[DEPTH - 1], z[DEPTH]))

    def _strips(self, stacked: bool, from_: int, to: int, sides: Iterable[tuple[int, int, int]]) -> Heights:
        """Rows along a seam, those of each side in turn: tile, first row, rows. For tiles side by side: columns."""
        out = []
        for number, at, depth in sides:
            parts = []
            for start, stop in _stretches(from_, to):
                window = (at, at + depth, start, stop) if stacked else (start, stop, at, at + depth)
                z = self._cells(self._tiles[number], *window)
                parts.append(z if stacked else z.T)
            out.append(np.concatenate(parts, axis=1))
        return np.concatenate(out)


def _stretches(from_: int, to: int) -> list[tuple[int, int]]:
    length = to - from_
    if length <= STRETCH * STRETCHES:
        return [(from_, to)]
    middles = [from_ + length * (2 * k + 1) // (2 * STRETCHES) for k in range(STRETCHES)]
    return [(m - STRETCH // 2, m + STRETCH // 2) for m in middles]


def _jump(z: Heights, at: int) -> Heights:
    """What lies between rows at - 1 and at, each side carried on to the edge between them with its own slope."""
    return (1.5 * z[at] - 0.5 * z[at + 1]) - (1.5 * z[at - 1] - 0.5 * z[at - 2])


def _seam(
    here: int, there: int, jumps: Heights, beside: Sequence[Heights], high: tuple[Heights, Heights]
) -> Seam | None:
    """jumps, beside: along the seam, and within the tiles. high: heights here and there."""
    told = np.isfinite(jumps)
    for one in beside:
        told &= np.isfinite(one)
    if np.count_nonzero(told) < LEAST_CELLS:
        return None
    jump = float(np.median(jumps[told]))
    least = 0.5 * min(abs(jump), SURE_M)
    same_way = float(np.mean(jumps[told] * np.sign(jump) >= least))
    aside = max((abs(float(np.median(one[told]))) for one in beside), default=0.0)
    level = [float(np.median(z[told])) for z in high]
    return Seam(here, there, jump, same_way, aside, level[1] / level[0] if level[0] else 0.0)
