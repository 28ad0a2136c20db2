"""Run-out against closed forms: D-infinity on planes, planes, cones, benches, splits, and the order of cells."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from slopekit.kernels.descent import (
    ANY_LENGTH,
    CUT,
    DROP,
    FLAT_RUN,
    HAZARD_Z,
    LENGTH,
    LONGEST,
    PLAIN,
    REACH,
    TO_DROP,
    TO_LEVEL,
    TO_UNKNOWN,
    TO_WATER,
    WATER,
    outcomes,
)  # fmt: skip
from slopekit.kernels.flood import fill
from slopekit.kernels.gradient import horn
from slopekit.kernels.order import ascending
from slopekit.kernels.receivers import receivers

STEPS = ((0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0), (1, 1))  # E, NE, N, ..., SE
GENTLE = math.tan(math.radians(5.0))


def cut_border(shape: tuple[int, int]) -> np.ndarray:
    kind = np.full(shape, PLAIN, np.uint8)
    kind[0] = kind[-1] = kind[:, 0] = kind[:, -1] = CUT
    return kind


def run(z, kind, cell=1.0, mu=(0.35,), landing=6.0, max_run=150.0, gentle=None):  # type: ignore[no-untyped-def]
    """Outcomes as (rows, cols, columns); gentle ground by Horn unless given."""
    if gentle is None:
        p, q = horn(z, cell, cell)
        gentle = np.nan_to_num(np.hypot(p, q), nan=1.0) <= GENTLE
    state = outcomes(z, kind, gentle.astype(np.uint8), np.array(mu), cell, cell, landing, max_run)
    return state.reshape(*z.shape, -1)


@pytest.mark.parametrize("azimuth", range(0, 360, 5))
def test_direction_on_a_tilted_plane(azimuth: int) -> None:
    # Arithmetic: a plane falls straight toward `azimuth`; D-infinity (Tarboton 1997) is exact there.
    a = math.radians(azimuth)
    for dx, dy in ((1.0, 1.0), (2.0, 0.5)):
        south, east = np.mgrid[-2:3, -2:3].astype(float)
        w = -0.3 * (east * dx * math.sin(a) - south * dy * math.cos(a))
        share = receivers(w, dx, dy)[2, 2]
        assert share.sum() == pytest.approx(1.0, abs=1e-12)
        used = np.flatnonzero(share > 1e-9)
        assert used.size in (1, 2)
        # Between two neighbours the parts are those of the angle (Tarboton's rule), counted from the cardinal one.
        bearing = {k: math.degrees(math.atan2(STEPS[k][1] * dx, -STEPS[k][0] * dy)) for k in used}
        first = used[0]
        got = sum(share[k] * ((bearing[k] - bearing[first] + 180.0) % 360.0 - 180.0) for k in used) + bearing[first]
        assert abs((got - azimuth + 180.0) % 360.0 - 180.0) < 1e-7
        if used.size == 2:
            assert abs((bearing[used[1]] - bearing[first] + 180.0) % 360.0 - 180.0) < 90.0  # side by side


# Elevations and D8 codes (1 E, 2 SE, 4 S, ..., 128 NE) after Jenson and Domingue (1988): seen in six copies of the
# sample, the codes recomputed. Of the codes the inner 4 x 4, which no edge rule touches.
D8_GROUND = """78 72 69 71 58 49  74 67 56 49 46 50  69 53 44 37 38 48
               64 58 55 22 31 24  68 61 47 21 16 19  74 53 34 12 11 12"""
D8_CODES = "2 2 4 4  1 2 4 8  128 1 2 4  2 1 4 4"


def d_infinity(w: np.ndarray, i: int, j: int) -> np.ndarray:
    """Shares of the eight neighbours by Tarboton (1997), equations 1 to 6, on cells of 1 m, one facet after another."""
    best, share = 0.0, np.zeros(8)
    for straight, oblique in ((0, 1), (2, 1), (2, 3), (4, 3), (4, 5), (6, 5), (6, 7), (0, 7)):
        (di, dj), (ei, ej) = STEPS[straight], STEPS[oblique]
        s1 = w[i, j] - w[i + di, j + dj]
        s2 = w[i + di, j + dj] - w[i + ei, j + ej]
        r, slope = math.atan2(s2, s1), math.hypot(s1, s2)
        if r < 0.0:
            r, slope = 0.0, s1
        elif r > math.pi / 4.0:
            r, slope = math.pi / 4.0, (s1 + s2) / math.sqrt(2.0)
        if slope > best:
            best, share = slope, np.zeros(8)
            share[straight], share[oblique] = 1.0 - r / (math.pi / 4.0), r / (math.pi / 4.0)
    return share


def test_d8_sample() -> None:
    w = np.array(D8_GROUND.split(), float).reshape(6, 6)
    codes = np.array(D8_CODES.split(), int).reshape(4, 4)
    share = receivers(w, 1.0, 1.0)
    compared = 0
    for i, j in np.ndindex(4, 4):
        falls = [(w[i + 1, j + 1] - w[i + 1 + di, j + 1 + dj]) / math.hypot(di, dj) for di, dj in STEPS]
        k = -int(math.log2(codes[i, j])) % 8
        # The printed neighbour is the steepest one by itself, and the facet that the flow takes has it as a side.
        assert falls[k] == max(falls) and falls.count(max(falls)) == 1, (i, j)
        expected = d_infinity(w, i + 1, j + 1)
        assert expected[k] > 0.0
        assert np.abs(share[i + 1, j + 1] - expected).max() < 1e-12, (i, j)
        compared += 1
    assert compared == 16


@pytest.mark.parametrize("name", ["kettle_ground", "village_scarp_1m"])
def test_every_receiver_is_lower_and_parts_sum_to_one(ground: Callable, name: str) -> None:
    g = ground(name)
    w, _, _ = fill(g.z, g.seed, ascending(g.z))
    share = receivers(w, g.dx, g.dy)
    inner = (slice(1, -1), slice(1, -1))
    np.testing.assert_allclose(share.sum(axis=2)[inner], 1.0, atol=1e-12)
    used = 0
    for k, (di, dj) in enumerate(STEPS):
        there = np.roll(w, (-di, -dj), (0, 1))[inner]
        flows = share[..., k][inner] > 0.0
        assert (there[flows] < w[inner][flows]).all()
        used += flows.sum()
    assert (g.z.shape[0] - 2) * (g.z.shape[1] - 2) < used <= 8 * g.z.size
    assert share[0].sum() == share[-1].sum() == share[:, 0].sum() == share[:, -1].sum() == 0.0


@pytest.mark.parametrize("cell", [1.0, 0.5])
@pytest.mark.parametrize("grade", [0.1, 0.25, 0.35, 0.6])
def test_plane_to_water(grade: float, cell: float) -> None:
    # R = max(0, (mu - grade) * plan length): arithmetic of the energy line. v = sqrt(2 g R).
    rows = 60
    z = np.repeat((100.0 - grade * cell * np.arange(rows))[:, None], 9, axis=1)
    kind = cut_border(z.shape)
    kind[rows - 2] = WATER
    mu = (0.35, 0.20)
    got = run(z, kind, cell, mu, max_run=1e3)[1 : rows - 2, 4]
    length = cell * np.arange(rows - 3, 0, -1)
    np.testing.assert_allclose(got[:, LENGTH], length, atol=1e-9)
    np.testing.assert_allclose(got[:, LONGEST], length, atol=1e-9)
    np.testing.assert_allclose(got[:, ANY_LENGTH], length, atol=1e-9)
    np.testing.assert_array_equal(got[:, TO_WATER], 1.0)
    np.testing.assert_array_equal(got[:, HAZARD_Z], z[rows - 2, 4])
    for s, m in enumerate(mu):
        np.testing.assert_allclose(got[:, REACH + s], np.maximum(0.0, (m - grade) * length), atol=1e-9)


def test_a_hazard_past_max_run_is_unknown() -> None:
    z = np.repeat((100.0 - 0.3 * np.arange(60))[:, None], 9, axis=1)
    kind = cut_border(z.shape)
    kind[58] = WATER
    got = run(z, kind, max_run=20.0)[1:58, 4]
    length = np.arange(57, 0, -1)
    np.testing.assert_array_equal(got[:, TO_WATER], length <= 20)
    np.testing.assert_array_equal(got[:, TO_UNKNOWN], length > 20)
    np.testing.assert_array_equal(np.isinf(got[:, LENGTH]), length > 20)
    np.testing.assert_array_equal(np.isinf(got[:, REACH]), length > 20)


def test_a_hill_in_a_lake_and_a_pond_in_a_bowl() -> None:
    # On a cone every way leads down the radius. A path over grid cells is longer than the radius by at most the ratio
    # of eight-way to straight distance, 1.0824 = 1 / cos(22.5 degrees) (arithmetic).
    i, j = np.mgrid[-40:41, -40:41].astype(float)
    radius = np.hypot(i, j)
    for z, wet, off in ((60.0 - 0.4 * radius, radius >= 35, 35.0 - radius), (0.4 * radius, radius <= 5, radius - 5.0)):
        kind = cut_border(z.shape)
        kind[wet & (kind == PLAIN)] = WATER
        dry = ~wet & (radius > 0) & (radius < 38)
        got = run(z, kind, mu=(0.2, 1.0), max_run=1e3)[dry]
        np.testing.assert_allclose(got[:, TO_WATER], 1.0, atol=1e-12)
        assert (got[:, REACH] == 0.0).all()  # steeper than the friction: it arrives from rest
        assert (got[:, LENGTH] >= off[dry] - 1e-9).all()
        assert (got[:, LENGTH] <= 1.0824 * (off[dry] + 1.5)).all()
        fall = z[dry] - got[:, HAZARD_Z]
        assert (got[:, REACH + 1] >= off[dry] - fall - 1e-9).all()
        assert (got[:, REACH + 1] <= got[:, LENGTH] - fall + 1e-9).all()
        assert dry.sum() > 3500


def test_two_receivers_split_by_angle() -> None:
    # A plane that falls toward 20 degrees north of east: 20/45 of the flow goes north-east, the rest east.
    south, east = np.mgrid[-1:2, -1:2].astype(float)
    a = math.radians(20.0)
    z = -0.5 * (east * math.cos(a) - south * math.sin(a))
    kind = cut_border(z.shape)
    kind[1, 2], kind[0, 2] = WATER, DROP
    got = run(z, kind)[1, 1]
    assert got[TO_DROP] == pytest.approx(20.0 / 45.0, abs=1e-12)
    assert got[TO_WATER] == pytest.approx(25.0 / 45.0, abs=1e-12)
    assert (got[LENGTH], got[LONGEST]) == (1.0, pytest.approx(math.sqrt(2.0)))
    assert got[HAZARD_Z] == z[1, 2]
    kind[1, 2] = CUT
    assert run(z, kind)[1, 1, TO_DROP] == 1.0  # the other way goes on past any length: the hazard counts in full


def test_equally_steep_ways_share() -> None:
    z = np.full((3, 3), 5.0)
    z[1, 1], z[1, 0], z[1, 2], z[0, 1] = 5.0, 4.0, 4.0, 6.0
    assert receivers(z, 1.0, 1.0)[1, 1].tolist() == [0.5, 0, 0, 0, 0.5, 0, 0, 0]


def bench(length: float, cell: float, phase: float = 0.0, turn_deg: float = 0.0, size: int = 0) -> np.ndarray:
    """1 in 3 ground, a bench of 1 in 100, 1 in 3 ground again; s is the distance down the fall line, bench at s = 0."""
    t = math.radians(turn_deg)
    i, j = np.mgrid[0:size, 0:size].astype(float)
    s = ((i - size / 2) * math.cos(t) + (j - size / 2) * math.sin(t)) * cell + phase
    return 100.0 - np.where(s < 0.0, s / 3.0, np.where(s < length, s / 100.0, length / 100.0 + (s - length) / 3.0))


@pytest.mark.parametrize(("cells", "lands"), [(59, False), (61, True)])
def test_bench_of_just_under_and_just_over_six_metres(cells: int, lands: bool) -> None:
    # Benches of 5.9 and 6.1 m at cells of 0.1 m, landing length 6 m, between 1 in 3 slopes above water.
    cell, rows = 0.1, 160
    gentle = np.zeros((rows, 5), bool)
    gentle[50 : 50 + cells] = True
    fall = np.where(gentle[:, 0], 0.01, 1.0 / 3.0) * cell
    z = np.repeat(100.0 - np.concatenate([[0.0], np.cumsum(fall[:-1])])[:, None], 5, axis=1)
    kind = cut_border(z.shape)
    kind[rows - 2] = WATER
    got = run(z, kind, cell, gentle=gentle)[:, 2]
    assert got[50, FLAT_RUN] == pytest.approx(cells * cell)
    assert got[49, FLAT_RUN] == 0.0
    upper, lower = got[1:50], got[50 + cells : rows - 2]
    np.testing.assert_array_equal(upper[:, TO_LEVEL if lands else TO_WATER], 1.0)
    assert np.isinf(upper[:, LENGTH]).all() == lands
    np.testing.assert_array_equal(lower[:, TO_WATER], 1.0)
    # Evidence beside the outcome: the reach test looks across landings too.
    assert np.isfinite(upper[:, REACH]).all()
    # Sixty steps of 0.1 m add up to 6 m give or take a rounding, so the second cell may go either way.
    assert (got[50 : 50 + cells, TO_LEVEL] == 1.0).sum() in ((1, 2) if lands else (0,))


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 30.0, 45.0, 90.0])
@pytest.mark.parametrize(("length", "lands"), [(4.0, False), (10.0, True)])
def test_bench_at_one_metre_wherever_the_grid_lies(length: float, lands: bool, turn_deg: float) -> None:
    # Gentle ground is measured on the grid itself, so the bench's edges are blurred: 4 m never lands, 10 m always.
    size = 60
    for phase in np.arange(0.0, 1.0, 0.125):
        z = bench(length, 1.0, phase, turn_deg, size)
        i, j = np.mgrid[0:size, 0:size].astype(float)
        t = math.radians(turn_deg)
        s = (i - size / 2) * math.cos(t) + (j - size / 2) * math.sin(t) + phase
        kind = cut_border(z.shape)
        kind[(s > length + 6.0) & (kind == PLAIN)] = WATER
        above = (s < -2.0) & (s > -8.0) & (np.abs((j - 30) * math.cos(t) - (i - 30) * math.sin(t)) < 8.0)
        got = run(z, kind)[above]
        assert len(got) > 60
        np.testing.assert_allclose(got[:, TO_LEVEL if lands else TO_WATER], 1.0, atol=1e-12)


def test_a_bench_below_a_drop_saves_nobody_above_it() -> None:
    z = np.repeat(np.concatenate([100.0 - 0.3 * np.arange(20), 92.0 - 0.01 * np.arange(20)])[:, None], 7, axis=1)
    kind = cut_border(z.shape)
    kind[19, 1:-1] = DROP
    got = run(z, kind)[:, 3]
    np.testing.assert_array_equal(got[1:19, TO_DROP], 1.0)
    np.testing.assert_array_equal(got[1:19, LENGTH], np.arange(18, 0, -1))
    np.testing.assert_array_equal(got[22:33, TO_LEVEL], 1.0)  # the bench itself is a landing down to 6 m from its end
