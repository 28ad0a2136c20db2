"""How often a wall is found and a bank is taken for one, on made ground. Writes docs/detection.md:

    python tests/hazards/edge_rates.py

No published rates exist for this. Each case is a ground of its own, with its seed: the way it faces and where it lies
on the grid are drawn at random, and the error of the survey is correlated noise. What the rule of sharp steps or the
finder of smeared ones marks counts. A wall counts as found where no way of eight-connected cells crosses it unseen, all
along.
"""

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy import ndimage

from slopekit.hazards.edges import smeared_edges
from slopekit.hazards.settings import HazardSettings
from slopekit.kernels.steps import drop_runs

SETTINGS = HazardSettings()
GRADE = math.tan(math.radians(SETTINGS.drop_grade_deg))
CELLS = (0.5, 1.0, 2.0, 3.0)
SMEARS = (1, 2, 3)
HEIGHTS = (0.6, 0.9, 1.2, 1.5, 2.0, 3.0)
FINE_HEIGHTS = tuple(round(0.1 * n, 1) for n in range(6, 31))
NOISES = (0.0, 0.05, 0.10)
# Scale (sigma, m) of the Gaussian that correlates the noise: 2 m, and 1 m for a rougher survey. Common practice, no
# source: errors of neighbouring cells come from the same returns, and from the same gaps in vegetation.
SMOOTH, ROUGH = 2.0, 1.0
CASES = 100
OFTEN = 95
DOCS = Path(__file__).resolve().parents[2] / "docs" / "detection.md"

Array = np.ndarray


def smeared(z: Array, cell: float) -> tuple[Array, Array]:
    return smeared_edges(z, cell, cell, SETTINGS)


def simple(z: Array, cell: float) -> tuple[Array, Array]:
    return drop_runs(z, cell, cell, GRADE, SETTINGS.drop_height_m)


def either(z: Array, cell: float) -> Array:
    """Edge and face by either rule."""
    return (smeared(z, cell)[0] > 0.0) | (simple(z, cell)[0] > 0.0)


def across(size: float, cell: float, azimuth: float, offset: float) -> tuple[Array, Array]:
    """Distance down and along a slope through the middle of a square ground, for every cell (m)."""
    n = int(size / cell)
    y, x = (np.mgrid[:n, :n] - 0.5 * n) * cell
    a = math.radians(azimuth)
    return x * math.sin(a) + y * math.cos(a) + offset, x * math.cos(a) - y * math.sin(a)


def ramp(down: Array, height: float, width: float) -> Array:
    """A step after a box filter of `width`: level, an even slope, level. Also a uniform bank."""
    return -height * np.clip(down / width + 0.5, 0.0, 1.0)


def noise(rng: np.random.Generator, shape: tuple[int, ...], cell: float, rmse: float, scale: float) -> Array:
    n = ndimage.gaussian_filter(rng.normal(size=shape), scale / cell)
    return n * (rmse / n.std())


def found(edge: Array, down: Array, along: Array, cell: float, width: float) -> float:
    """Share of pieces of the wall, six cells long and overlapping, that no way crosses unseen within two cells."""
    half = 2.0 * cell + 0.5 * width
    i, j = np.nonzero((np.abs(down) <= half) & (np.abs(along) < 21.0 + cell))
    good = []
    for start in np.arange(-20.0, 20.0, 3.0 * cell):
        piece = (along[i, j] >= start) & (along[i, j] < start + 6.0 * cell)
        ii, jj = i[piece], j[piece]
        free = np.zeros((int(np.ptp(ii)) + 1, int(np.ptp(jj)) + 1), bool)
        level = np.zeros(free.shape)
        free[ii - ii.min(), jj - jj.min()] = ~edge[ii, jj]
        level[ii - ii.min(), jj - jj.min()] = down[ii, jj]
        label, _ = ndimage.label(free, np.ones((3, 3)))
        high, low = set(label[free & (level < cell - half)]), set(label[free & (level > half - cell)])
        good.append(not high & low)
    return float(np.mean(good))


def _case(cell: float, seed: int) -> tuple[np.random.Generator, Array, Array, float]:
    """The generator of a case, distances down and along, and the scale of its noise: rough in the first half."""
    rng = np.random.default_rng(seed)
    azimuth, offset = rng.uniform(0.0, 360.0), rng.uniform(-0.5, 0.5) * cell
    size = 60.0 if cell < 2.0 else 100.0
    return rng, *across(size, cell, azimuth, offset), ROUGH if seed < CASES // 2 else SMOOTH


def walls_found(
    cell: float, smear: int, height: float, rmse: float, seeds: range, rule: Callable[[Array, float], Array] = either
) -> int:
    """Number of cases in which a wall of 40 m is found all along."""
    count = 0
    for seed in seeds:
        rng, down, along, scale = _case(cell, seed)
        z = ramp(down, height, smear * cell)
        if rmse:
            z += noise(rng, z.shape, cell, rmse, scale)
        count += found(rule(z, cell), down, along, cell, smear * cell) == 1.0
    return count


def least_height(cell: float, smear: int, rmse: float) -> float | None:
    """The least of `FINE_HEIGHTS` found in 95 of 100 cases, None where none is: higher walls show better."""
    low, high = 0, len(FINE_HEIGHTS)
    while low < high:
        middle = (low + high) // 2
        if walls_found(cell, smear, FINE_HEIGHTS[middle], rmse, range(CASES)) >= OFTEN:
            high = middle
        else:
            low = middle + 1
    return FINE_HEIGHTS[low] if low < len(FINE_HEIGHTS) else None


# Rise per metre and width (m) of uniform banks; a lawn with humps and hollows of 0.25 m a metre at the steepest.
GROUNDS: dict[str, tuple[float, float]] = {
    "bank 1.5:1, 6 m wide": (1.0 / 1.5, 6.0),
    "bank 2:1, 6 m wide": (0.5, 6.0),
    "bank 2:1, 10 m wide": (0.5, 10.0),
    "bank 3:1, 6 m wide": (1.0 / 3.0, 6.0),
    "bank 2:1, 2 m high": (0.5, 4.0),
    "bank 2.5:1, 1.6 m high": (0.4, 4.0),
    "bank 3:1, 1.2 m high": (1.0 / 3.0, 3.6),
    "bank 3:1, 1 m high": (1.0 / 3.0, 3.0),
    "rolling lawn": (0.0, 0.0),
}


def alarms(ground: str, cell: float, rmse: float, seeds: range) -> tuple[int, float]:
    """Number of cases with any cell taken for a drop, and such cells per hectare."""
    grade, width = GROUNDS[ground]
    count, cells, area = 0, 0, 0.0
    for seed in seeds:
        rng, down, _, scale = _case(cell, seed)
        if grade:
            z = ramp(down, grade * width, width)
        else:
            z = ndimage.gaussian_filter(rng.normal(size=down.shape), 6.0 / cell)
            z *= 0.25 / np.hypot(*np.gradient(z, cell)).max()
        if rmse:
            z += noise(rng, z.shape, cell, rmse, scale)
        edge = either(z, cell)
        count += bool(edge.any())
        cells += int(edge.sum())
        area += z.size * cell * cell / 1e4
    return count, cells / area


ALL, FIRST, SECOND = range(CASES), range(CASES // 2), range(CASES // 2, CASES)
COLUMNS = ((0.0, ALL), (0.05, FIRST), (0.05, SECOND), (0.10, FIRST), (0.10, SECOND))
HEADS = ["none, of 100", "5 cm rough, of 50", "5 cm smooth", "10 cm rough", "10 cm smooth"]


def wall_row(cell: float, smear: int, height: float) -> list[str]:
    by_simple = walls_found(cell, smear, height, 0.0, ALL, lambda z, c: simple(z, c)[0] > 0.0)
    texts = [str(walls_found(cell, smear, height, rmse, seeds)) for rmse, seeds in COLUMNS]
    return [f"{cell:g}", str(smear), f"{height:g}", *texts, str(by_simple)]


def ground_row(ground: str, cell: float) -> list[str]:
    parts = [alarms(ground, cell, rmse, seeds) for rmse, seeds in COLUMNS]
    return [ground, f"{cell:g}", *(f"{count} ({rate:.1f})" if count else "0" for count, rate in parts)]


def least_row(cell: float, smear: int) -> list[str]:
    heights = [least_height(cell, smear, rmse) for rmse in NOISES]
    return [f"{cell:g}", str(smear), *(f"over {FINE_HEIGHTS[-1]:g}" if h is None else f"{h:g}" for h in heights)]


def _table(heads: list[str], rows: list[list[str]]) -> str:
    lines = [heads, ["--:"] * len(heads), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


TEXT = """\
# What is found of walls, and what is taken for one

A lidar grid smears a wall over two or three cells, so that a sheer face looks like a short steep bank. slopekit looks
for drops twice: for sharp steps from cell to cell, and for smeared ones on short profiles down the slope. What either
of them finds counts. No such rule finds every wall and no bank. These tables tell how often it goes wrong.

They come from made ground, since no published rates exist. `tests/hazards/edge_rates.py` writes this page, and the
tests count parts of it again. The settings of drops are the defaults (0.9 m, 40 degrees). Each case is one ground with
its own seed. It faces any side and lies anywhere on the grid. "Smear" is the width, in cells, over which the survey
spreads the sheer face. The survey's error is noise that neighbouring cells share: over about 1 m in half of the cases
("rough") and over about 2 m in the other half ("smooth"); this is the scale of a Gaussian.

**For a crew.** That nothing is marked does not mean that there is no wall. Walls lower than in the first table are
missed, in part or wholly. So are walls with less than two cells of ground above or below them, and walls that the
survey smears on cells of 2 m and more. Draw them as lines (`--walls`). A mark on a plain bank costs work but hides
nothing: look at the spot.

## The least height that is found

In metres: a wall at least this high is found all along its 40 m in at least 95 of 100 cases. "Found all along" means
that no path across it stays unmarked.

{least}

## Walls

Cases in which the wall is found all along. "Sharp steps" is the count for the rule of sharp steps alone, without noise,
of 100.

{walls}

## Banks and lawns

Uniform banks and a rolling lawn, with no wall. Cases in which any cell is taken for a drop, and in brackets such cells
per hectare. Each ground has 0.36 ha (1 ha at cells of 2 m and more) and one bank right through it.

On cells of 1 m a bank up to three cells wide looks just like a wall that the survey smeared over three cells. So a bank
of 3:1 that is about 1 m high, and steeper ones up to 1.5 m, are taken for drops. Who has seen that such a bank is no
wall can reject it by name (`slopekit corrections new`), or set `smear_cells` to less than 3 in the fleet file and miss
the walls that are smeared wider.

{grounds}
"""


def page() -> str:
    walls = [wall_row(cell, smear, height) for cell in CELLS for smear in SMEARS for height in HEIGHTS]
    grounds = [ground_row(ground, cell) for ground in GROUNDS for cell in CELLS]
    least = [least_row(cell, smear) for cell in CELLS for smear in SMEARS]
    return TEXT.format(
        least=_table(["cell (m)", "smear (cells)", "no noise", "5 cm", "10 cm"], least),
        walls=_table(["cell (m)", "smear (cells)", "height (m)", *HEADS, "sharp steps"], walls),
        grounds=_table(["ground", "cell (m)", *HEADS], grounds),
    )


def _rows(text: str, head: str) -> list[list[str]]:
    """Cells of the table of a page whose first line holds `head`."""
    after = text[text.index(head) :].splitlines()[2:]
    end = next((n for n, line in enumerate(after) if not line.startswith("|")), len(after))
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in after[:end]]


def tables(text: str) -> tuple[list[list[str]], list[list[str]], list[list[str]]]:
    """Rows of the page's tables: least heights, walls, grounds."""
    return _rows(text, "smear (cells) | no noise"), _rows(text, "smear (cells) | height"), _rows(text, "| ground |")


def constants(text: str) -> tuple[dict, dict, dict]:
    """What hazards/detection.py keeps of a page: `LEAST_M`, `FOUND` and `BANKS`."""
    least, walls, grounds = tables(text)

    def metres(words: str) -> float | None:
        return None if words.startswith("over") else float(words)

    heights, found_of, banks = {}, {}, {}
    for cell in CELLS:
        own = [row[2:] for row in least if row[0] == f"{cell:g}"]
        heights[cell] = tuple(tuple(metres(row[n]) for row in own) for n in range(len(NOISES)))
        own = [row for row in walls if row[0] == f"{cell:g}" and row[2] == "1.2"]
        found_of[cell] = tuple(int(row[6]) + int(row[7]) for row in own)
        (own_bank,) = (row for row in grounds if row[:2] == ["bank 2:1, 6 m wide", f"{cell:g}"])
        banks[cell] = sum(int(words.split()[0]) for words in own_bank[5:7])
    return heights, found_of, banks


if __name__ == "__main__":
    DOCS.parent.mkdir(exist_ok=True)
    # What tests/points/point_rates.py wrote stays.
    _, head, points = DOCS.read_text(encoding="utf-8").partition("\n## Walls in points")
    DOCS.write_text(page() + head + points, encoding="utf-8")
    for name, value in zip(("LEAST_M", "FOUND", "BANKS"), constants(DOCS.read_text(encoding="utf-8")), strict=True):
        print(name, "=", value)
