"""Run-out in slow plain Python: D-infinity by Tarboton's published formulas and a walk from one cell at a time.

Written from the rules, not from the kernel: shares come from sending a unit of flow downhill from each cell and
counting where it ends; lengths and heads from recursion with a memory.
"""

import math
from collections import defaultdict
from functools import cache

import numpy as np

# Facets of Tarboton (1997), table 1: the cardinal and the diagonal neighbour of each, (row, col), rows downward.
E, NE, N, NW, W, SW, S, SE = (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0), (1, 1)
FACETS = [(E, NE), (N, NE), (N, NW), (W, NW), (W, SW), (S, SW), (S, SE), (E, SE)]
AROUND = (E, NE, N, NW, W, SW, S, SE)

Cell = tuple[int, int]


def flow(w: np.ndarray, c: Cell, dx: float, dy: float) -> dict[Cell, float]:
    """Receivers of cell c and their parts. Ways that are equally steep share the flow equally."""
    ways: dict[float, tuple[float, list[tuple[Cell, float]]]] = {}
    for cardinal, diagonal in FACETS:
        d1, d2 = (dx, dy) if cardinal[0] == 0 else (dy, dx)
        e0, e1, e2 = w[c], w[c[0] + cardinal[0], c[1] + cardinal[1]], w[c[0] + diagonal[0], c[1] + diagonal[1]]
        s1, s2 = (e0 - e1) / d1, (e1 - e2) / d2
        corner = math.atan2(d2, d1)
        turn, slope = math.atan2(s2, s1), math.hypot(s1, s2)
        if turn < 0.0:
            turn, slope = 0.0, s1
        elif turn > corner:
            turn, slope = corner, (e0 - e2) / math.hypot(d1, d2)
        if slope <= 0.0:
            continue
        x = cardinal[1] * math.cos(turn) + (diagonal[1] if cardinal[1] == 0 else 0) * math.sin(turn)
        y = cardinal[0] * math.cos(turn) + (diagonal[0] if cardinal[0] == 0 else 0) * math.sin(turn)
        bearing = round(math.degrees(math.atan2(y, x)) % 360.0, 9) % 360.0  # the same way may border two facets
        part = turn / corner
        ends = [(cardinal, 1.0 - part), (diagonal, part)]
        ways[bearing] = (slope, [(step, share) for step, share in ends if share > 0.0])
    if not ways:
        return {}
    steepest = max(slope for slope, _ in ways.values())
    chosen = [ends for slope, ends in ways.values() if slope >= steepest * (1.0 - 1e-12)]
    out: dict[Cell, float] = defaultdict(float)
    for ends in chosen:
        for (a, b), share in ends:
            out[c[0] + a, c[1] + b] += share / len(chosen)
    return dict(out)


class Walk:
    """What becomes of every cell. kind: words; gentle: bool; all other names as in the rules."""

    def __init__(  # type: ignore[no-untyped-def]
        self, w, kind, gentle, friction, dx, dy, landing_length, max_run
    ) -> None:
        self.w, self.kind, self.gentle, self.friction = w, kind, gentle, friction
        self.dx, self.dy, self.landing_length, self.max_run = dx, dy, landing_length, max_run
        self.receivers = cache(self._receivers)
        self.gentle_ahead = cache(self._gentle_ahead)
        self.longest = cache(self._longest)
        self.nearest = cache(self._nearest)
        self.head = cache(self._head)
        self.any_length = cache(self._any_length)

    def step(self, c: Cell, r: Cell) -> float:
        return math.hypot((c[0] - r[0]) * self.dy, (c[1] - r[1]) * self.dx)

    def hazard(self, c: Cell) -> bool:
        return self.kind[c] in ("water", "drop", "hazard")

    def unseen(self, c: Cell) -> bool:
        return self.kind[c] in ("missing", "cut") or math.isnan(self.w[c])

    def _receivers(self, c: Cell) -> dict[Cell, float]:
        return {} if self.hazard(c) or self.unseen(c) else flow(self.w, c, self.dx, self.dy)

    def _gentle_ahead(self, c: Cell) -> float:
        """F: 0 on steep ground, hazards, unknown ground, floors of hollows and where nothing flows on."""
        if not self.gentle[c] or self.kind[c] == "floor" or not self.receivers(c):
            return 0.0
        return min(self.step(c, r) + self.gentle_ahead(r) for r in self.receivers(c))

    def ends_here(self, c: Cell) -> str | None:
        """The outcome of a path that comes to c, where it is one at once."""
        if math.isnan(self.w[c]):
            return "unknown"
        if self.hazard(c):
            return str(self.kind[c])
        if self.unseen(c):
            return "unknown"
        if self.gentle_ahead(c) >= self.landing_length:
            return "level"
        if self.kind[c] == "floor":
            return "basin"
        if not self.receivers(c):
            return "level" if self.gentle[c] and self.kind[c] == "dry floor" else "unknown"
        return None

    def _longest(self, c: Cell) -> float:
        if self.kind[c] == "cut" and not math.isnan(self.w[c]):
            return math.inf
        if self.ends_here(c):
            return 0.0
        return max(self.step(c, r) + self.longest(r) for r in self.receivers(c))

    def _nearest(self, c: Cell) -> tuple[float, float]:
        """Least path length to a hazard and its elevation (the lower one of two equally far)."""
        if self.hazard(c) and not math.isnan(self.w[c]):
            return 0.0, self.w[c]
        far = (math.inf, math.inf)
        if self.ends_here(c):
            return far
        found = min((self.step(c, r) + self.nearest(r)[0], self.nearest(r)[1]) for r in self.receivers(c))
        return far if self.longest(c) > self.max_run and found[0] > self.max_run else found

    def _any_length(self, c: Cell) -> float:
        if self.hazard(c):
            return 0.0
        return min((self.step(c, r) + self.any_length(r) for r in self.receivers(c)), default=math.inf)

    def _head(self, c: Cell, s: int) -> float:
        """R, over the receivers whose hazard lies within max_run."""
        if self.hazard(c):
            return 0.0
        heads = [
            max(0.0, self.head(r, s) + self.friction[s] * self.step(c, r) - (self.w[c] - self.w[r]))
            for r in self.receivers(c)
            if self.step(c, r) + self.any_length(r) <= self.max_run
        ]
        return min(heads, default=math.inf)

    def shares(self, c: Cell) -> dict[str, float]:
        """Where a unit of flow that is let go at c ends."""
        if self.ends_here(c) is None and self.longest(c) > self.max_run:
            if math.isinf(self.nearest(c)[0]):
                return {"unknown": 1.0}
            return {self.kind_beyond(c): 1.0}
        return self.sent(c)

    def sent(self, c: Cell) -> dict[str, float]:
        ends: dict[str, float] = defaultdict(float)
        flowing = {c: 1.0}
        while flowing:
            here = max(flowing, key=lambda n: self.w[n])  # all that can reach it has come
            amount = flowing.pop(here)
            end = self.ends_here(here)
            if end:
                ends[end] += amount
            elif here != c and self.longest(here) > self.max_run:
                for name, part in self.shares(here).items():
                    ends[name] += amount * part
            else:
                for r, part in self.receivers(here).items():
                    flowing[r] = flowing.get(r, 0.0) + amount * part
        return ends

    def kind_beyond(self, c: Cell) -> str:
        """The nearest hazard's kind, where some path goes on past max_run; of two equally far the lower one's."""
        if self.hazard(c):
            return str(self.kind[c])
        found = [(self.step(c, r) + self.nearest(r)[0], self.nearest(r)[1], r) for r in self.receivers(c)]
        kinds = [self.kind_beyond(r) for length, bottom, r in found if (length, bottom) == min(found)[:2]]
        return min(kinds, key=("water", "drop", "hazard").index)
