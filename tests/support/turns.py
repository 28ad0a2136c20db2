"""The eight ways to lay a grid down: four quarter turns, each also mirrored."""

import numpy as np

ALL = range(8)


def turned(a: np.ndarray, way: int) -> np.ndarray:
    """`a` (rows, cols, ...) after `way` % 4 quarter turns, mirrored for 4 to 7."""
    out = np.rot90(a, way % 4)
    return np.ascontiguousarray(out[:, ::-1] if way >= 4 else out)


def sides(dx: float, dy: float, way: int) -> tuple[float, float]:
    """Cell width and height after the turn."""
    return (dy, dx) if way % 2 else (dx, dy)
