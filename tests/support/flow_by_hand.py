"""Flow in slow plain Python: D-infinity by Tarboton's published formulas, from one cell at a time."""

import math
from collections import defaultdict

import numpy as np

# Facets of Tarboton (1997), table 1: the cardinal and the diagonal neighbour of each, (row, col), rows downward.
E, NE, N, NW, W, SW, S, SE = (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0), (1, 1)
FACETS = [(E, NE), (N, NE), (N, NW), (W, NW), (W, SW), (S, SW), (S, SE), (E, SE)]

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
