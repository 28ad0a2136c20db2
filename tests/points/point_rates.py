"""How often a wall is found in points and a bank is taken for one, on made clouds. Writes a part of docs/detection.md:

    python tests/points/point_rates.py

No published rates exist for retaining walls in points. Each case is a cloud of its own, with its seed: returns evenly
at random with 5 cm of noise, the way that the ground faces and where it lies on the grid drawn at random.
"""

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import ndimage

from slopekit.kernels import point_cells, step_windows
from slopekit.points.settings import PointSettings

DOCS = Path(__file__).resolve().parents[2] / "docs" / "detection.md"
HEAD = "## Walls in points"
SIZE = 36.0
MARGIN = 3.0
NOISE_M = 0.05
DENSITIES = (2, 8, 20)
HEIGHTS = (0.5, 0.9, 1.2, 1.5, 2.0)
LEAST_M = 0.9
GAP_M = 1.0
CASES = 40

Array = np.ndarray
Form = Callable[[Array], Array]


def wall(height: float) -> Form:
    return lambda u: np.where(u > 0.0, height, 0.0)


def bank(run: float, height: float) -> Form:
    """So much run for each rise."""
    return lambda u: height * np.clip(u / (run * height) + 0.5, 0.0, 1.0)


def steps_in(x: Array, y: Array, z: Array, role: Array, size: float = SIZE, cell: float = 1.0) -> tuple[Array, Array]:
    """Nodes and bounds of a cloud, as the second pass finds them. role: of each point, with `LAST`."""
    n = int(size / cell)
    used = np.ones((n, n), bool)
    out = np.empty((len(x), 4), np.int32)
    point_cells.to_stripes(x, y, z, role, used, cell, n, 0, np.zeros(1, np.int64), out)
    out = out[: int(((x < size) & (y < size)).sum())]
    kinds = [
        out[:, 3] % point_cells.LAST == point_cells.GROUND,
        out[:, 3] == point_cells.UNCLASSIFIED + point_cells.LAST,
    ]
    ground, loose = (point_cells.by_cell(out, kind, 0, n, n, cell) for kind in kinds)
    bound, nodes = np.full((n, n), np.nan, np.float32), np.empty((n * n, step_windows.NODE))
    count, _ = step_windows.find_in_stripe(
        out, ground, loose, 0, n, n, cell, 0, n, PointSettings().step_m, bound, nodes
    )
    return nodes[:count], bound


@dataclass(frozen=True)
class Case:
    """A cloud, and where its line runs."""

    x: Array
    y: Array
    z: Array
    role: Array
    cos: float
    sin: float
    offset: float

    def across(self, x: Array, y: Array) -> Array:
        """Distance (m) up from the line."""
        return (x - 0.5 * SIZE) * self.cos + (y - 0.5 * SIZE) * self.sin - self.offset

    def along(self, x: Array, y: Array) -> Array:
        return (y - 0.5 * SIZE) * self.cos - (x - 0.5 * SIZE) * self.sin


def case(form: Form, density: float, seed: int, gap: str = "", rough: float = 0.0) -> Case:
    """gap: '' for none; 'bare' where the ground filter took all points within `GAP_M` of the line; 'loose' where it
    left them unclassified. rough: scatter (m) of humps 2 m wide."""
    rng = np.random.default_rng(seed)
    n = rng.poisson(density * SIZE * SIZE)
    x, y = rng.uniform(0.0, SIZE, n), rng.uniform(0.0, SIZE, n)
    azimuth = rng.uniform(0.0, 2.0 * math.pi)
    out = Case(x, y, x, x, math.cos(azimuth), math.sin(azimuth), rng.uniform(-0.5, 0.5))
    u = out.across(x, y)
    z = form(u) + 0.03 * x + rng.normal(0.0, NOISE_M, n)
    if rough:
        field = ndimage.gaussian_filter(rng.normal(size=(80, 80)), 2.0)
        field *= rough / field.std()
        z += ndimage.map_coordinates(field, [y * 2.0, x * 2.0], order=1, mode="nearest")
    role = np.full(n, point_cells.GROUND + point_cells.LAST, np.uint8)
    near = np.abs(u) < GAP_M
    if gap == "loose":
        role[near] = point_cells.UNCLASSIFIED + point_cells.LAST
    keep = ~near if gap == "bare" else np.ones(n, bool)
    return Case(x[keep], y[keep], z[keep], role[keep], out.cos, out.sin, out.offset)


@dataclass(frozen=True)
class Rate:
    found: float
    """Part of the wall's metres with a place of a step within 1 m."""
    counted: float
    """The same, with height and error reaching the least height of a drop."""
    median: float
    tenth: float
    """Height that comes out: median and lowest tenth, m."""
    right_side: float
    """Part of the places whose upper side is the upper one."""


def wall_rate(height: float, density: float, seeds: range, gap: str = "") -> Rate:
    found, counted, heights, sides = [], [], [], []
    for seed in seeds:
        one = case(wall(height), density, seed, gap)
        nodes, _ = steps_in(one.x, one.y, one.z, one.role)
        x, y = nodes[:, 2], nodes[:, 3]
        inside = (np.minimum(x, y) > MARGIN) & (np.maximum(x, y) < SIZE - MARGIN)
        near = inside & (np.abs(one.across(x, y)) < 1.0)
        along, tall = one.along(x, y)[near], nodes[near, 6]
        drops = tall + step_windows.Z_99 * nodes[near, 7] >= LEAST_M
        places = np.arange(-11.0, 11.5)
        away = np.abs(places[:, None] - along[None, :])
        found.append((away < 1.0).any(axis=1).mean())
        counted.append((away[:, drops] < 1.0).any(axis=1).mean())
        heights += tall.tolist()
        sides += (nodes[near, 4] * one.cos + nodes[near, 5] * one.sin > 0.0).tolist()
    none = not heights
    return Rate(
        float(np.mean(found)),
        float(np.mean(counted)),
        math.nan if none else float(np.median(heights)),
        math.nan if none else float(np.quantile(heights, 0.1)),
        math.nan if none else float(np.mean(sides)),
    )


def alarm_rate(form: Form, density: float, seeds: range, rough: float = 0.0) -> tuple[float, float, float]:
    """Places of steps, and those that would count as a drop, for each 100 m of bank; and of the cells on the bank the
    part that the points can clear."""
    steps, drops, metres, told = 0, 0, 0.0, []
    n = int(SIZE)
    for seed in seeds:
        one = case(form, density, seed, rough=rough)
        nodes, bound = steps_in(one.x, one.y, one.z, one.role)
        x, y = nodes[:, 2], nodes[:, 3]
        inside = (np.minimum(x, y) > MARGIN) & (np.maximum(x, y) < SIZE - MARGIN)
        steps += int(inside.sum())
        drops += int((nodes[inside, 6] + step_windows.Z_99 * nodes[inside, 7] >= LEAST_M).sum())
        metres += SIZE - 2.0 * MARGIN
        yy, xx = np.mgrid[:n, :n] + 0.5
        on = (np.abs(one.across(xx, yy)) < 1.5) & (np.minimum(xx, yy) > MARGIN) & (np.maximum(xx, yy) < SIZE - MARGIN)
        told.append(float((bound[on] < 0.5 * LEAST_M).mean()))
    return 100.0 * steps / metres, 100.0 * drops / metres, float(np.mean(told))


BANKS: dict[str, tuple[Form, float]] = {
    "level ground": (lambda u: 0.0 * u, 0.0),
    "rough ground, 10 cm": (lambda u: 0.0 * u, 0.10),
    "bank 3:1, 0.9 m high": (bank(3.0, 0.9), 0.0),
    "bank 3:1, 2 m high": (bank(3.0, 2.0), 0.0),
    "bank 2:1, 0.9 m high": (bank(2.0, 0.9), 0.0),
    "bank 2:1, 2 m high": (bank(2.0, 2.0), 0.0),
    "bank 1.5:1, 2 m high": (bank(1.5, 2.0), 0.0),
    "bank 1:1, 0.9 m high": (bank(1.0, 0.9), 0.0),
    "bank 1:1, 2 m high": (bank(1.0, 2.0), 0.0),
}
GAPS = {"": "none", "bare": "1 m, nothing left", "loose": "1 m, left unclassified"}


def page(cases: int = CASES) -> str:
    seeds = range(cases)
    out = [
        HEAD,
        "",
        "`slopekit points` looks for steps in the returns themselves. These tables tell how often a sheer wall is",
        "found, by height and by ground returns a square metre, on made clouds with 5 cm of noise",
        f"({cases} cases each, `tests/points/point_rates.py`).",
        '"Found" is the part of the wall\'s length with a step within 1 m; "counts" the part where height and error',
        "(99 %) reach 0.9 m, so that `screen` takes it for a drop. Gap: how wide the ground filter took the returns",
        "away on both sides of the wall. Real walls stand under hedges and against houses: expect less.",
        "",
        "| height (m) | returns (1/m2) | filter gap | found | counts | height read: median, lowest tenth (m) |",
        "| --: | --: | --- | --: | --: | --: |",
    ]
    for height in HEIGHTS:
        for density in DENSITIES:
            for gap, words in GAPS.items():
                rate = wall_rate(height, density, seeds, gap)
                shown = "-" if math.isnan(rate.median) else f"{rate.median:.2f}, {rate.tenth:.2f}"
                out.append(f"| {height:g} | {density} | {words} | {rate.found:.0%} | {rate.counted:.0%} | {shown} |")
    out += [
        "",
        "Ground without a wall: steps found for each 100 m of it, those that would count as a drop of 0.9 m, and the",
        "part of the bank's cells on which the points bound a step under half of 0.9 m; `screen` clears a drop of the",
        "grid only where that holds for all of it within 6 m. A bank of 1:1 is steeper than 40 degrees and is a drop.",
        "",
        "| ground | returns (1/m2) | steps (1/100 m) | count as a drop | can be cleared |",
        "| --- | --: | --: | --: | --: |",
    ]
    for name, (form, rough) in BANKS.items():
        for density in DENSITIES:
            steps, drops, told = alarm_rate(form, density, seeds, rough)
            out.append(f"| {name} | {density} | {steps:.1f} | {drops:.1f} | {told:.0%} |")
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    before = DOCS.read_text(encoding="utf-8").partition(HEAD)[0].rstrip()
    DOCS.write_text(f"{before}\n\n{page(int(sys.argv[1]) if len(sys.argv) > 1 else CASES)}", encoding="utf-8")
