"""Drops and flat bodies: walls and banks that must be found, near misses that must not, and labels made by scipy."""

import math

import numpy as np
import pytest
from scipy import ndimage
from turns import ALL, sides, turned

from slopekit.kernels.gradient import horn
from slopekit.kernels.steps import drop_runs, flat_bodies

pytestmark = pytest.mark.reference

GRADE = math.tan(math.radians(40.0))
HEIGHT = 0.9


def bank(slope_deg: float, total: float, cell: float, rows: int = 40, cols: int = 7) -> np.ndarray:
    """Level ground, a bank of `total` m down to the south, level ground. Row r is r * cell south."""
    down = (np.arange(rows) - 10) * cell * math.tan(math.radians(slope_deg))
    return np.repeat((50.0 - np.clip(down, 0.0, total))[:, None], cols, axis=1)


def test_wall_of_three_feet_at_one_metre() -> None:
    # OSHA, Dangers of Roll-Overs of Riding Mowers: a retaining wall of 3 ft (0.914 m) below mown ground.
    z = np.full((9, 11), 100.0)
    z[5:] -= 0.914
    fall, above = drop_runs(z, 1.0, 1.0, GRADE, HEIGHT)
    expected = np.full(z.shape, np.nan)
    expected[4], expected[5] = 0.914, 0.0
    np.testing.assert_allclose(fall, expected, atol=1e-9)
    np.testing.assert_allclose(above, np.where(np.isnan(expected), np.nan, 0.914 - expected), atol=1e-9)
    # Why the slope raster cannot be asked: Horn reads the wall as 24.6 degrees (arithmetic).
    p, q = horn(z, 1.0, 1.0)
    assert math.degrees(math.atan(np.nanmax(np.hypot(p, q)))) == pytest.approx(24.6, abs=0.05)
    # At 3 m cells the step falls at 17 degrees, which no rule on this grid can tell from a bank.
    assert np.isnan(drop_runs(z, 3.0, 3.0, GRADE, HEIGHT)[0]).all()


@pytest.mark.parametrize(
    ("slope", "total", "cell", "found"),
    [
        (39.0, 8.0, 1.0, False),  # not steep enough anywhere, however high
        (39.0, 8.0, 0.25, False),
        (41.0, 0.5, 0.1, False),  # steep but low
        (41.0, 0.85, 0.1, False),
        (41.0, 1.0, 0.1, True),
        (41.0, 8.0, 1.0, True),
        (49.0, 5.79, 1.0, True),  # 19 ft at 49 degrees: MIFACE investigation 05MI060
        (60.0, 1.68, 0.25, True),  # 60 degrees, 1.94 m along the slope: WorkSafe Victoria alert
        (35.0, 4.57, 0.5, False),  # 15 ft at 35 degrees: NIOSH FACE 2000-25, a bank and no drop
    ],
)
def test_uniform_banks(slope: float, total: float, cell: float, found: bool) -> None:
    z = bank(slope, total, cell)
    fall, above = drop_runs(z, cell, cell, GRADE, HEIGHT)
    assert np.isfinite(fall).any() == found
    np.testing.assert_array_equal(np.isfinite(fall), np.isfinite(above))
    if found:
        # A last step less steep than the bank may belong to the level ground below it.
        step = cell * math.tan(math.radians(slope))
        assert total - step < np.nanmax(fall) <= total + 1e-9
        crest = np.argmax(np.isfinite(fall[:, 3]))
        assert (crest, above[crest, 3]) == (10, 0.0)
        run = np.isfinite(fall)
        np.testing.assert_allclose((fall + above)[run], np.nanmax(fall), atol=1e-9)


def test_steps_side_by_side_do_not_add_up() -> None:
    # A kerb 0.5 m high whose top and foot both climb 0.1 m a cell along it. Along the kerb the ground changes by 6 m,
    # but down the fall line never by more than 0.7 m.
    along = 0.1 * np.arange(60)[None, :]
    z = np.repeat(along, 12, axis=0)
    z[6:] -= 0.5
    assert np.isnan(drop_runs(z, 0.5, 0.5, GRADE, HEIGHT)[0]).all()
    # The check can fail: with a threshold under the kerb it is found all along.
    assert np.isfinite(drop_runs(z, 0.5, 0.5, GRADE, 0.45)[0][5:7]).all()


def test_a_stair_along_the_contour_does_not_chain() -> None:
    # A diagonal edge 0.6 m high, cells of 0.5 m: two steep cells on either side of it, which touch all along the edge.
    i, j = np.mgrid[0:40, 0:40]
    z = np.where(i > j, 99.4, 100.0)
    assert np.isnan(drop_runs(z, 0.5, 0.5, GRADE, HEIGHT)[0]).all()
    assert np.isfinite(drop_runs(z, 0.5, 0.5, GRADE, 0.55)[0]).sum() == 40 + 39 + 39 + 38


def test_steps_that_follow_down_the_fall_line_add_up() -> None:
    # Three risers of 0.45 m, one cell each: 1.35 m in all.
    z = np.full((10, 6), 10.0)
    z[4] -= 0.45
    z[5] -= 0.90
    z[6:] -= 1.35
    fall, above = drop_runs(z, 0.5, 0.5, GRADE, HEIGHT)
    for row, expected in ((3, 1.35), (4, 0.90), (5, 0.45), (6, 0.0)):
        np.testing.assert_allclose(fall[row], expected, atol=1e-9)
        np.testing.assert_allclose(above[row], 1.35 - expected, atol=1e-9)
    assert np.isfinite(fall).sum() == 4 * 6
    # With a level tread between the risers each stands alone, and none is high enough.
    z = np.full((14, 6), 10.0)
    for n, row in enumerate((4, 7, 10)):
        z[row:] = 10.0 - 0.45 * (n + 1)
    assert np.isnan(drop_runs(z, 0.5, 0.5, GRADE, HEIGHT)[0]).all()


def test_no_drop_beside_missing_ground_alone() -> None:
    z = np.full((9, 9), 10.0)
    z[4:] = np.nan
    assert np.isnan(drop_runs(z, 1.0, 1.0, GRADE, HEIGHT)[0]).all()


def runs_by_hand(z: np.ndarray, dx: float, dy: float) -> tuple[np.ndarray, np.ndarray]:
    """The rule in plain Python: from every cell the farthest that counting steps lead down, and up."""
    rows, cols = z.shape
    around = [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if (a, b) != (0, 0)]

    def at(i: int, j: int) -> float | None:
        return float(z[i, j]) if 0 <= i < rows and 0 <= j < cols else None

    def steep_step(c: tuple[int, int], n: tuple[int, int]) -> bool:
        """Steep by itself, or across the corner between two cells that are steep to its end."""
        a, b = n[0] - c[0], n[1] - c[1]
        if z[c] - z[n] >= GRADE * math.hypot(a * dy, b * dx):
            return True
        beside = [(c[0], n[1]), (n[0], c[1])]
        return a != 0 and b != 0 and z[c] > z[n] and all(steep_step(m, n) for m in beside)

    def steps(line: list[float | None], least: float) -> bool:
        """Whether the middle step of four heights in a row counts together with another."""
        before, here, there, behind = line
        assert here is not None and there is not None
        with_next = behind is not None and behind <= there and here - behind >= 2.0 * least
        with_last = before is not None and before >= here and before - there >= 2.0 * least
        return here > there and (with_next or with_last)

    def farthest(sign: int) -> dict[tuple[int, int], float]:
        gain = {}
        for c in sorted(np.ndindex(rows, cols), key=lambda c: sign * z[c]):
            gain[c] = 0.0
            for a, b in around:
                n = (c[0] + a, c[1] + b)
                if at(*n) is None or sign * (z[c] - z[n]) <= 0.0:
                    continue
                line = [at(c[0] + k * a, c[1] + k * b) for k in (-1, 0, 1, 2)]
                ends = (c, n) if sign > 0 else (n, c)
                if sign < 0:
                    line = [at(n[0] - k * a, n[1] - k * b) for k in (-1, 0, 1, 2)]
                if steep_step(*ends) or steps(line, GRADE * math.hypot(a * dy, b * dx)):
                    gain[c] = max(gain[c], sign * (z[c] - z[n]) + gain[n])
        return gain

    def steep(c: tuple[int, int], sign: int) -> bool:
        return any(
            steep_step(*((c, (c[0] + a, c[1] + b)) if sign > 0 else ((c[0] + a, c[1] + b), c)))
            for a, b in around
            if at(c[0] + a, c[1] + b) is not None
        )

    down, up = farthest(1), farthest(-1)
    fall, above = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    for c in np.ndindex(rows, cols):
        if down[c] + up[c] >= HEIGHT and (steep(c, 1) or steep(c, -1)):
            fall[c] = down[c] if steep(c, 1) else 0.0
            above[c] = up[c] if steep(c, -1) else 0.0
    return fall, above


@pytest.mark.parametrize("azimuth", range(0, 360, 15))
def test_no_way_slips_through_a_wall(azimuth: int) -> None:
    # A sharp 0.914 m step on 1 m cells, whichever way it runs: every step of the grid across it starts at its edge.
    i, j = np.mgrid[0:30, 0:30]
    upper = (i - 14.6) * math.cos(math.radians(azimuth)) + (j - 14.7) * math.sin(math.radians(azimuth)) > 0
    z = np.where(upper, 3.0 * 0.3048, 0.0)
    edge = drop_runs(z, 1.0, 1.0, GRADE, HEIGHT)[0] > 0.0
    assert not (edge & ~upper).any()
    crossings = 0
    for a, b in ((0, 1), (1, -1), (1, 0), (1, 1)):
        for c in np.ndindex(29, 29):
            n = (c[0] + a, c[1] + b)
            if min(n) >= 0 and max(n) < 30 and upper[c] != upper[n]:
                crossings += 1
                assert edge[c if upper[c] else n]
    assert crossings > 60


def test_a_wall_that_a_cell_straddles() -> None:
    # Arithmetic: one step must be steep, and both together steep over two cells and as high as the drop.
    def found(height: float, part: float, cell: float) -> bool:
        z = np.full((10, 8), height)
        z[5] = part * height
        z[6:] = 0.0
        return bool((drop_runs(z, cell, cell, GRADE, HEIGHT)[0] > 0.0).any())

    for part in (0.05, 0.2, 0.344, 0.5, 0.8, 0.95):
        assert found(3.0 * 0.3048, part, 0.5), part  # OSHA's 3 ft wall on a 0.5 m grid
        assert found(2.0 * GRADE + 1e-6, part, 1.0), part
    assert not found(2.0 * GRADE - 1e-6, 0.5, 1.0)
    assert not found(0.95, 0.344, 1.0)


@pytest.mark.parametrize(("dx", "dy"), [(1.0, 1.0), (0.5, 0.8)])
def test_drops_against_a_slow_walk_any_way_round(dx: float, dy: float) -> None:
    # Rounded to 1/8 m, which is exact in binary, so that ties are ties and the turned grid gives the same bits.
    noise = ndimage.gaussian_filter(np.random.default_rng(8).normal(size=(30, 41)), 1.0)
    z = np.round(24.0 * noise) / 8.0
    fall, above = drop_runs(z, dx, dy, GRADE, HEIGHT)
    expected = runs_by_hand(z, dx, dy)
    np.testing.assert_allclose(fall, expected[0], atol=1e-12)
    np.testing.assert_allclose(above, expected[1], atol=1e-12)
    assert 100 < np.isfinite(fall).sum() < z.size - 100
    for way in ALL:
        got = drop_runs(turned(z, way), *sides(dx, dy, way), GRADE, HEIGHT)
        np.testing.assert_array_equal(got[0], turned(fall, way))
        np.testing.assert_array_equal(got[1], turned(above, way))


def bodies_by_scipy(z: np.ndarray, least_cells: float) -> tuple[np.ndarray, np.ndarray]:
    bodies, open_ends = np.zeros(z.shape, bool), np.zeros(z.shape, bool)
    level = np.where(np.isnan(z), np.nan, np.round(z, 3))
    for value in np.unique(level[~np.isnan(level)]):
        label, count = ndimage.label(level == value)  # scipy's default structure joins 4 ways
        for n in range(1, count + 1):
            cells = label == n
            edge = cells[0].any() or cells[-1].any() or cells[:, 0].any() or cells[:, -1].any()
            if cells.sum() > least_cells:
                bodies |= cells
            elif cells.sum() > 1 and edge:
                open_ends |= cells
    return bodies, open_ends


@pytest.mark.parametrize("least", [3.0, 10.0, 20.0])
def test_flat_bodies_against_scipy(least: float) -> None:
    rng = np.random.default_rng(31)
    z = 200.0 + 0.25 * np.round(3.0 * ndimage.gaussian_filter(rng.normal(size=(60, 80)), 1.5) * 4.0)
    z += rng.uniform(-0.0004, 0.0004, z.shape)  # equal to the millimetre only
    z[rng.random(z.shape) < 0.05] = np.nan
    bodies, open_ends = flat_bodies(z, least)
    expected = bodies_by_scipy(z, least)
    np.testing.assert_array_equal(bodies, expected[0])
    np.testing.assert_array_equal(open_ends, expected[1])
    assert 0 < bodies.sum() < z.size and open_ends.any()
    below_sea = flat_bodies(z - 300.0, least)  # polders: elevations under zero
    np.testing.assert_array_equal(below_sea[0], bodies)
    np.testing.assert_array_equal(below_sea[1], open_ends)


def test_a_pond_of_exactly_the_limit_is_not_over_it() -> None:
    z = 50.0 + 0.01 * np.arange(30 * 30).reshape(30, 30)
    z[10:20, 10:20] = 49.0
    assert not flat_bodies(z, 100.0)[0].any()
    assert flat_bodies(z, 99.0)[0].sum() == 100
    # Two ponds that touch at a corner only are two.
    z[20:24, 20:24] = 49.0
    assert flat_bodies(z, 99.0)[0].sum() == 100
