"""Places for names on a map, beside each other and inside its frame."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

Point = tuple[float, float]
Box = tuple[float, float, float, float]

_RINGS = (13.0, 20.0, 28.0, 38.0, 50.0, 64.0, 80.0, 100.0)
_TURNS = 16


@dataclass
class Taken:
    """What of a frame is taken, as boxes. All in points."""

    frame: Box
    boxes: list[Box] = field(default_factory=list)

    def put(self, x: float, y: float, wide: float, high: float) -> None:
        """Take a box round a place."""
        self.boxes.append((x - wide / 2.0, y - high / 2.0, x + wide / 2.0, y + high / 2.0))

    def place(self, at: Iterable[Point], wide: float, high: float, leader: bool = True) -> Point | None:
        """The first free place for a box: at one of some points, else beside the first of them; then it is taken.

        Without a free one, None, or with `leader` the place inside the frame where least is covered.
        """
        best: tuple[float, Point] | None = None
        for x, y in self._tried(list(at), leader):
            box = (x - wide / 2.0, y - high / 2.0, x + wide / 2.0, y + high / 2.0)
            if not _inside(box, self.frame):
                continue
            covered = sum(_shared(box, other) for other in self.boxes)
            if best is None or covered < best[0]:
                best = covered, (x, y)
            if covered == 0.0:
                break
        if best is None or (best[0] > 0.0 and not leader):
            return None
        self.put(*best[1], wide, high)
        return best[1]

    def _tried(self, at: list[Point], leader: bool) -> Iterator[Point]:
        yield from at
        if leader and at:
            x, y = at[0]
            for ring in _RINGS:
                for turn in range(_TURNS):
                    angle = 2.0 * math.pi * turn / _TURNS
                    yield x + ring * math.cos(angle), y + ring * math.sin(angle)


def _inside(box: Box, frame: Box) -> bool:
    return frame[0] <= box[0] and frame[1] <= box[1] and box[2] <= frame[2] and box[3] <= frame[3]


def _shared(a: Box, b: Box) -> float:
    """Area that two boxes share."""
    across, up = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    return across * up if across > 0.0 and up > 0.0 else 0.0
