"""The energy line as the kernel finds it, against arithmetic on a plane and against slow solvers in plain Python."""

import heapq
import math
from collections.abc import Callable, Iterable
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from real_ground import Ground
from scipy import ndimage
from turns import ALL, sides, turned

from slopekit.kernels.least_head import MOVES, PAD, Front, crossed, least_way, scale_of, spread

pytestmark = pytest.mark.reference

Array = NDArray[np.float64]
Move = tuple[int, int]

TOO_SHORT, TOO_LONG = 0.02, 0.01
"""Parts of mu r by which the energy line may be too low and too high (the method's own bounds)."""
THIRTY_TWO = sorted(
    {
        (s * a, t * b)
        for u, v in ((0, 1), (1, 1), (1, 2), (1, 3), (2, 3))
        for a, b in ((u, v), (v, u))
        for s in (-1, 1)
        for t in (-1, 1)
    }
)


def met(di: int, dj: int) -> list[Move]:
    """Cells that the straight line from one cell's centre to another's meets inside, both ends left out: sampled."""
    at = np.linspace(0.0, 1.0, 2001)
    rows, cols = np.rint(at * di).astype(int), np.rint(at * dj).astype(int)
    # A sample on the border of two cells says nothing.
    clear = (np.abs(at * di % 1.0 - 0.5) > 1e-9) & (np.abs(at * dj % 1.0 - 0.5) > 1e-9)
    return sorted(set(zip(rows[clear].tolist(), cols[clear].tolist(), strict=True)) - {(0, 0), (di, dj)})


def slow(z: Array, loss: Array, source: Array, dx: float, dy: float, moves: Iterable[Move], scale: float) -> Array:
    """Dijkstra's algorithm (1959) on the cells, with a heap: the height of the energy line, m."""
    steps = [(di, dj, 0.5 * scale * math.hypot(di * dy, dj * dx), met(di, dj)) for di, dj in moves]
    rows, cols = z.shape
    energy = source.copy()
    queue = [(float(e), *c) for c, e in np.ndenumerate(source) for c in [c] if e < np.inf]
    heapq.heapify(queue)
    while queue:
        e, i, j = heapq.heappop(queue)
        if e > energy[i, j]:
            continue
        for di, dj, half, over in steps:
            m, n = i + di, j + dj
            if not (0 <= m < rows and 0 <= n < cols):
                continue
            high = [z[m, n], *(z[i + a, j + b] for a, b in over)]
            if any(math.isnan(h) for h in high):
                continue
            to = max(e + (loss[i, j] + loss[m, n]) * half, *high)
            if to < energy[m, n]:
                energy[m, n] = to
                heapq.heappush(queue, (to, m, n))
    return energy


def everywhere(z: Array, loss: Array, source: Array, dx: float = 1.0, dy: float = 1.0) -> Front:
    """The front of a window all of which is asked about, however high."""
    return spread(z, loss, source, dx, dy, (0, z.shape[0], 0, z.shape[1]), float(np.nanmax(z)) + 1000.0)


def made(seed: int, shape: Move, relief: float = 2.0) -> tuple[Array, Array, Array]:
    """Heights with a void or two, losses that differ from cell to cell, and a few sources, one without elevation."""
    random = np.random.default_rng(seed)
    z = relief * 8.0 * ndimage.gaussian_filter(random.standard_normal(shape), 3.0)
    z += random.normal(0.0, 0.1, shape) + 0.1 * np.arange(shape[0])[:, None]
    loss = random.uniform(0.05, 0.5, shape)
    z[random.random(shape) < 0.03] = np.nan
    source = np.full(shape, np.inf)
    for n in range(random.integers(1, 5)):
        at = tuple(random.integers(0, shape))
        source[at] = -np.inf if math.isnan(z[at]) or n == 3 else z[at] + random.uniform(-0.5, 0.2)
    return z, loss, source


def test_cells_that_a_move_crosses() -> None:
    for move in MOVES:
        assert sorted(crossed(*move)) == met(*move)


@pytest.mark.parametrize("slope", [0.0, 0.1, 0.3])
def test_plane_with_one_hazard_cell_in_64_directions(slope: float) -> None:
    # Arithmetic: R = max(0, mu r - fall to the hazard). The way is straight.
    size, mu = 121, 0.35
    mid = size // 2
    i, j = np.mgrid[:size, :size] - mid
    checked, high, low = 0, 0.0, 0.0
    for turn in range(8):
        z = slope * (j * math.cos(math.tau * turn / 8.0) - i * math.sin(math.tau * turn / 8.0))
        source = np.full(z.shape, np.inf)
        source[mid, mid] = z[mid, mid]
        energy = everywhere(z, np.full(z.shape, mu), source).energy
        for k in range(64):
            angle = math.tau * k / 64.0
            for r in (10.0, 30.0, 58.0):
                row, col = round(mid - r * math.sin(angle)), round(mid + r * math.cos(angle))
                far = math.hypot(row - mid, col - mid)
                wanted = max(z[mid, mid] + mu * far, z[row, col])
                error = (energy[row, col] - wanted) / (mu * far)
                low, high = min(low, error), max(high, error)
                assert -TOO_SHORT <= error <= TOO_LONG
                assert max(energy[row, col] - z[row, col], 0.0) == pytest.approx(
                    max(0.0, mu * far - (z[row, col] - z[mid, mid])), abs=TOO_SHORT * mu * far
                )
                checked += 1
    assert checked == 8 * 64 * 3
    # The bounds are used: the check could fail both ways.
    assert low < -0.017 and (slope > 0.0 or high > 0.008)


@pytest.mark.parametrize("sides_m", [(1.0, 1.0), (0.5, 0.7)])
def test_equals_plain_dijkstra_bit_for_bit(sides_m: tuple[float, float]) -> None:
    cells = 0
    for seed in range(25):
        z, loss, source = made(seed, (24, 31))
        scale = scale_of(*sides_m)
        wanted = slow(z, loss, source, *sides_m, MOVES, scale)
        found = everywhere(z, loss, source, *sides_m)
        assert (found.energy == wanted).all()
        assert (np.isfinite(found.length) == (wanted < np.inf)).all()
        assert np.isneginf(source).sum() == np.isneginf(found.energy).sum()
        cells += int(np.isfinite(wanted).sum())
    assert cells > 15_000


def test_what_is_left_out_is_not_asked_about() -> None:
    # Exact on the cells that are asked about, up to the height that is; elsewhere never too low.
    asked = left = 0
    for seed in range(60):
        z, loss, source = made(seed, (60, 50))
        if seed % 2:
            # Ways that lose no more than the least: nothing is to spare.
            z, loss = np.zeros_like(z), np.full_like(loss, 0.05)
        whole = everywhere(z, loss, source)
        r, c = np.random.default_rng(seed).integers(0, 40, 2)
        box = slice(r, r + 8), slice(c, c + 9)
        top = float(np.nanmax(z[box], initial=-9.0)) + 0.4
        part = spread(z, loss, source, 1.0, 1.0, (r, r + 8, c, c + 9), top)
        within = whole.energy[box] <= top
        assert (part.energy[box][within] == whole.energy[box][within]).all()
        assert (part.length[box][within] == whole.length[box][within]).all()
        assert (part.energy >= whole.energy).all()
        # The farther off, the less a cell may ask for: no loss is below the least of all.
        i, j = np.mgrid[:60, :50]
        far = np.hypot(np.maximum(0, np.maximum(r - i, i - r - 7)), np.maximum(0, np.maximum(c - j, j - c - 8)))
        hopeless = (whole.energy > top - scale_of(1.0, 1.0) * loss.min() * far + 1e-6) & (source == np.inf)
        assert np.isinf(part.energy[hopeless]).all()
        asked += int(within.sum())
        left += int((part.energy > whole.energy).sum())
    assert asked > 1000 and left > 20_000


def test_a_rim_as_wide_as_the_longest_move_lets_nothing_out() -> None:
    # A smaller window whose rim is a source asks for no more than any hazard beyond it does.
    nearer = 0
    for seed in range(40):
        z, loss, source = made(seed, (50, 50))
        source[12:-12, 12:-12] = np.inf
        part = np.s_[12:-12, 12:-12]
        rim = np.where(np.isnan(z[part]), np.inf, z[part])
        rim[PAD:-PAD, PAD:-PAD] = np.inf
        wide, small = everywhere(z, loss, source).energy[part], everywhere(z[part], loss[part], rim).energy
        assert (small <= wide).all()
        nearer += int((small < wide).sum())
    assert nearer > 1000


def within_length(found: Array, wanted: Array, lost: Array) -> float:
    """Asserts that two solvers agree within the error of length on the way's loss of height; the part of the cells
    that do so without regard to how moves cross uneven ground.

    Sixteen moves cross other cells than thirty-two, and each takes the greatest height that it crosses: on faces that
    costs a part of the height from cell to cell.
    """
    gap = found - wanted
    # Thirty-two moves unscaled are 0 to 1.3 % too long.
    assert (gap >= -(TOO_SHORT + 0.013) * lost - 1e-9).all()
    over = gap - TOO_LONG * lost
    assert over.max() < 0.26
    return float((over < 1e-9).mean())


def test_equals_a_solver_with_thirty_two_neighbours_on_random_ground() -> None:
    cells = 0
    for seed in range(12):
        random = np.random.default_rng(seed)
        z = 30.0 * ndimage.gaussian_filter(random.standard_normal((48, 48)), 5.0)
        loss = np.full(z.shape, random.uniform(0.08, 0.35))
        source = np.full(z.shape, np.inf)
        at = random.integers(0, 48, (3, 2))
        source[tuple(at.T)] = z[tuple(at.T)]
        wanted = slow(z, loss, source, 1.0, 1.0, THIRTY_TWO, 1.0)
        front = everywhere(z, loss, source)
        assert within_length(front.energy, wanted, loss * front.length) > 0.65
        cells += z.size
    assert cells == 12 * 48 * 48


@pytest.mark.parametrize("name", ["village_scarp_1m", "embankment_2m", "farmland_channel_1m"])
def test_equals_a_solver_with_thirty_two_neighbours_on_real_ground(ground: Callable[[str], Ground], name: str) -> None:
    one = ground(name)
    top, left = (side // 2 - 40 for side in one.z.shape)
    part = ndimage.gaussian_filter(one.z, 0.75)[top : top + 80, left : left + 80]
    loss = np.full(part.shape, 0.2)
    source = np.full(part.shape, np.inf)
    low = np.unravel_index(np.argmin(part), part.shape)
    source[low] = part[low]
    wanted = slow(part, loss, source, one.dx, one.dy, THIRTY_TWO, 1.0)
    front = everywhere(part, loss, source, one.dx, one.dy)
    assert np.isfinite(wanted).sum() == 6400
    assert within_length(front.energy, wanted, loss * front.length) > 0.94


def test_a_rise_asks_for_its_height() -> None:
    # Arithmetic: to get over a rise a machine needs what it costs to get to its top, and no more after.
    z = np.zeros((9, 60))
    z[:, 30] = 0.5
    source = np.full(z.shape, np.inf)
    source[:, 0] = 0.0
    front = everywhere(z, np.full(z.shape, 0.01), source)
    # To a cell, since a long move that crosses the rise pays for what lies before it.
    assert front.energy[4, 30:34] == pytest.approx([0.5, 0.51, 0.52, 0.53], abs=0.011)
    assert front.energy[4, 29] == pytest.approx(0.29, abs=0.01)
    # No long move leaps over it: not from beside it, nor to it.
    assert (front.energy[:, 31:] >= 0.5).all()
    # Missing ground is not crossed at all, and hides nothing that stands free.
    z[:, 30] = np.nan
    front = everywhere(z, np.full(z.shape, 0.01), source)
    assert np.isinf(front.energy[:, 30:]).all() and np.isfinite(front.energy[:, :30]).all()


def test_hazard_at_the_very_height_that_is_asked_about() -> None:
    source = np.full((5, 5), np.inf)
    source[2, 2] = 0.0
    front = spread(np.zeros((5, 5)), np.full((5, 5), 0.1), source, 1.0, 1.0, (0, 5, 0, 5), 0.0)
    assert front.energy[2, 2] == 0.0 and front.length[2, 2] == 0.0


def test_way_of_least_head() -> None:
    ways = points = 0
    for seed in range(40):
        z, loss, source = made(seed, (40, 45))
        front = everywhere(z, loss, source)
        scale = scale_of(1.0, 1.0)
        for start in np.argwhere(np.isfinite(front.length) & (source == np.inf))[::37]:
            way = least_way(front, z, loss, tuple(start), 1.0, 1.0)
            assert (way[0] == start).all()
            assert source[tuple(way[-1])] < np.inf and front.length[tuple(way[-1])] == 0.0
            length, line = 0.0, front.energy[tuple(start)]
            for a, b in pairwise(way):
                move = tuple(int(v) for v in b - a)
                assert move in MOVES
                step = scale * math.hypot(*move)
                # Never over what is there, and never below the ground that it crosses.
                for over in (tuple(a), *((a[0] + di, a[1] + dj) for di, dj in met(*move))):
                    assert line >= z[over] - 1e-9
                line -= 0.5 * (loss[tuple(a)] + loss[tuple(b)]) * step
                length += step
                assert line >= front.energy[tuple(b)] - 1e-9
            assert length == pytest.approx(front.length[tuple(start)], abs=1e-9)
            ways, points = ways + 1, points + len(way)
        nowhere = np.argwhere(~np.isfinite(front.length))
        if len(nowhere):
            assert len(least_way(front, z, loss, tuple(nowhere[0]), 1.0, 1.0)) == 0
    assert ways > 1000 and points > 10_000


@pytest.mark.parametrize("way", ALL)
def test_turned_ground_has_the_same_front(way: int) -> None:
    for seed in range(5):
        z, loss, source = made(seed, (40, 33))
        upright = everywhere(z, loss, source, 1.0, 0.8)
        front = everywhere(turned(z, way), turned(loss, way), turned(source, way), *sides(1.0, 0.8, way))
        assert (front.energy == turned(upright.energy, way)).all()
        np.testing.assert_allclose(front.length, turned(upright.length, way), rtol=0.0, atol=1e-9)
