"""The one-pass run-out against a slow walk from every cell, and the same in all eight ways a grid can lie."""

import math

import numpy as np
import pytest
from hollows_by_hand import flood
from scipy import ndimage
from turns import ALL, sides, turned
from walk_by_hand import AROUND, Walk, flow

from slopekit.kernels.descent import (
    ANY_LENGTH,
    CUT,
    DROP,
    DRY_FLOOR,
    FLAT_RUN,
    FLOOR,
    HAZARD,
    HAZARD_Z,
    LENGTH,
    LONGEST,
    MISSING,
    OUTCOMES,
    PLAIN,
    REACH,
    WATER,
    outcomes,
)  # fmt: skip
from slopekit.kernels.flood import fill
from slopekit.kernels.order import ascending
from slopekit.kernels.receivers import receivers

WORDS = {
    PLAIN: "plain", WATER: "water", DROP: "drop", HAZARD: "hazard", MISSING: "missing", FLOOR: "floor",
    DRY_FLOOR: "dry floor", CUT: "cut",
}  # fmt: skip
MU = np.array([0.35, 0.2, 0.05])


def scene(rng: np.random.Generator, size: int, step: float, filled: bool):  # type: ignore[no-untyped-def]
    """Rough sloping ground with every kind of cell: surface, kind, gentle. step: rounding (m), 0 for none."""
    i, j = np.mgrid[0:size, 0 : size + 2]
    z = 1.5 * ndimage.gaussian_filter(rng.normal(size=i.shape), 1.0) - rng.uniform(0, 0.3) * i - rng.uniform(0, 0.2) * j
    if step:
        z = np.round(z / step) * step
    kind = rng.choice([PLAIN, WATER, DROP, HAZARD, FLOOR, DRY_FLOOR], i.shape, p=[0.9, 0.02, 0.02, 0.02, 0.02, 0.02])
    border = np.ones(i.shape, bool)
    border[1:-1, 1:-1] = False
    kind[border] = rng.choice([CUT, MISSING, WATER], border.sum(), p=[0.4, 0.3, 0.3])
    gap = rng.random(i.shape) < 0.01
    kind[ndimage.binary_dilation(gap, np.ones((3, 3)))] = MISSING
    z[gap] = np.nan
    kind = kind.astype(np.uint8)
    if filled:
        seed = np.where(np.isin(kind, (PLAIN, DRY_FLOOR)) | gap, 0, 1).astype(np.uint8)
        # Raised by more than a rounding step, so that no near tie hangs on the last digit of either formula.
        z = flood(z, seed, lambda value: value + rng.uniform(1e-5, 1e-4))
    gentle = ndimage.gaussian_filter(rng.normal(size=i.shape), 1.5) > 0.0
    return z, kind, gentle.astype(np.uint8)


@pytest.mark.parametrize(
    ("step", "filled", "dx", "dy", "landing", "max_run"),
    [
        (0.0, True, 1.0, 1.0, 3.0, 150.0),
        (0.0, True, 1.0, 1.0, 2.5, 8.0),
        (0.0, False, 0.5, 0.8, 1.5, 5.0),
        (0.0, True, 2.0, 1.37, 1e9, 150.0),
        (0.5, False, 1.0, 1.0, 3.0, 150.0),
        (0.5, False, 1.0, 1.0, 2.5, 7.0),
    ],
)
def test_against_a_walk_from_every_cell(  # type: ignore[no-untyped-def]
    step, filled, dx, dy, landing, max_run
) -> None:
    rng = np.random.default_rng(int(100 * max_run + 10 * landing + dx) % 2**31)
    cells = 0
    seen: dict[str, int] = dict.fromkeys(OUTCOMES, 0)
    for _ in range(25):
        w, kind, gentle = scene(rng, 12, step, filled)
        got = outcomes(w, kind, gentle, MU, dx, dy, landing, max_run).reshape(*w.shape, -1)
        words = np.vectorize(WORDS.get, otypes=[object])(kind)
        walk = Walk(w, words, gentle != 0, MU, dx, dy, landing, max_run)
        for c in np.ndindex(w.shape):
            here = got[c]
            if np.isnan(w[c]):
                assert not here.any()
                continue
            shares = walk.shares(c)
            for s, name in enumerate(OUTCOMES):
                assert here[s] == pytest.approx(shares.get(name, 0.0), abs=1e-9), (c, name)
                seen[name] += here[s] > 0.0
            assert here[:LENGTH].sum() == pytest.approx(1.0, abs=1e-12)
            length, bottom = walk.nearest(c)
            assert here[LENGTH] == pytest.approx(length, abs=1e-9)
            assert np.isinf(length) == np.isnan(here[HAZARD_Z])
            if np.isfinite(length):
                assert here[HAZARD_Z] == pytest.approx(bottom, abs=1e-9)
            longest = walk.longest(c) if walk.longest(c) <= walk.max_run else math.inf
            assert here[LONGEST] == pytest.approx(longest, abs=1e-9)
            assert here[FLAT_RUN] == pytest.approx(walk.gentle_ahead(c), abs=1e-9)
            assert here[ANY_LENGTH] == pytest.approx(walk.any_length(c), abs=1e-9)
            for s in range(MU.size):
                assert here[REACH + s] == pytest.approx(walk.head(c, s), abs=1e-9)
            cells += 1
    assert 25 * 12 * 14 > cells > 0.95 * 25 * 12 * 14
    for name, count in seen.items():
        assert count > 40 or (name == "level" and landing > 1e6), (name, count)


@pytest.mark.parametrize(("step", "dx", "dy"), [(0.0, 1.0, 1.0), (0.0, 0.7, 1.1), (0.5, 1.0, 1.0)])
def test_receivers_against_the_published_formulas(step: float, dx: float, dy: float) -> None:
    z = 3.0 * ndimage.gaussian_filter(np.random.default_rng(6).normal(size=(40, 45)), 0.9)
    z = np.round(z / step) * step if step else z
    got = receivers(z, dx, dy)
    shared = 0
    for c in np.ndindex(38, 43):
        c = (c[0] + 1, c[1] + 1)
        expected = flow(z, c, dx, dy)
        for k, (a, b) in enumerate(AROUND):
            assert got[c][k] == pytest.approx(expected.get((c[0] + a, c[1] + b), 0.0), abs=1e-9)
        shared += len(expected) > 1
    assert shared > 300


@pytest.mark.parametrize(("dx", "dy", "max_run"), [(1.0, 1.0, 150.0), (1.0, 1.0, 15.0), (2.0, 1.0, 30.0)])
def test_the_same_in_all_eight_ways(dx: float, dy: float, max_run: float) -> None:
    # Rough ground rounded to 0.1 m, so that ties abound; filled; with water, drops, a floor and gentle ground.
    rng = np.random.default_rng(13)
    z = np.round(6.0 * ndimage.gaussian_filter(rng.normal(size=(70, 90)), 3.0), 1) - np.round(0.05 * np.arange(90), 1)
    z = np.round(z, 1)
    kind = np.full(z.shape, PLAIN, np.uint8)
    kind[rng.random(z.shape) < 0.01] = WATER
    kind[rng.random(z.shape) < 0.01] = DROP
    kind[40:44, 50:55] = FLOOR
    kind[0] = kind[-1] = kind[:, 0] = kind[:, -1] = CUT
    gentle = (ndimage.gaussian_filter(rng.normal(size=z.shape), 3.0) > 0.03).astype(np.uint8)

    def all_of(way: int) -> tuple[np.ndarray, np.ndarray]:
        zt, kt, gt = turned(z, way), turned(kind, way), turned(gentle, way)
        w, _, _ = fill(zt, (kt != PLAIN).astype(np.uint8), ascending(zt))
        return w, outcomes(w, kt, gt, MU, *sides(dx, dy, way), 6.0, max_run).reshape(*w.shape, -1)

    w0, state0 = all_of(0)
    assert ((state0[..., :LENGTH] > 0.0).sum(axis=(0, 1))[[0, 1, 3, 4, 5]] > 100).all()
    for way in ALL:
        w, state = all_of(way)
        np.testing.assert_array_equal(w, turned(w0, way))
        np.testing.assert_allclose(state, turned(state0, way), rtol=0.0, atol=1e-12)


def test_only_the_cells_asked_for_and_what_lies_below_them() -> None:
    rng = np.random.default_rng(17)
    given = 0
    for _ in range(20):
        w, kind, gentle = scene(rng, 14, 0.0, True)
        whole = outcomes(w, kind, gentle, MU, 1.0, 1.0, 3.0, 30.0)
        start = rng.random(w.shape) < 0.03
        part = outcomes(w, kind, gentle, MU, 1.0, 1.0, 3.0, 30.0, start)
        np.testing.assert_array_equal(part[start.ravel()], whole[start.ravel()])
        traced = part.any(axis=1)
        np.testing.assert_array_equal(part[traced], whole[traced])
        given += traced.sum()
    assert 20 * 14 * 16 * 0.03 < given < 20 * 14 * 16 * 0.8
