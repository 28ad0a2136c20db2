"""The fit of a step against numpy's least squares, and how often walls are found (docs/detection.md)."""

import math

import numpy as np
import pytest
from point_rates import BANKS, DENSITIES, DOCS, HEAD, alarm_rate, case, steps_in, wall, wall_rate

from slopekit.kernels import step_windows
from slopekit.kernels.step_fit import (
    ABOVE,
    BELOW,
    BINS,
    ERROR,
    FIGURES,
    HEIGHT,
    MOST_OFFSET,
    NX,
    NY,
    OFFSET,
    RESIDUAL,
    WIDTH,
    WIDTHS,
    WORK,
    fit_step,
)  # fmt: skip

SEEDS = range(8)


def fitted(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    out = np.empty(FIGURES)
    fit_step(
        x,
        y,
        z,
        len(x),
        np.empty((WORK, len(x))),
        np.empty(len(x), np.int32),
        np.empty((BINS, 4)),
        step_windows.LEAST,
        out,
    )
    return out


def window(density: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.random.Generator]:
    rng = np.random.default_rng(seed)
    n = rng.poisson(9.0 * density)
    return rng.uniform(-1.5, 1.5, n), rng.uniform(-1.5, 1.5, n), rng


@pytest.mark.parametrize("seed", range(10))
def test_height_error_and_residual_are_those_of_least_squares(seed: int) -> None:
    x, y, rng = window(10.0, seed)
    z = 20.0 + 0.1 * x - 0.2 * y + np.where(0.6 * x + 0.8 * y > 0.3, 0.8, 0.0) + rng.normal(0.0, 0.05, len(x))
    found = fitted(x, y, z)
    u = x * found[NX] + y * found[NY] - found[OFFSET]
    step = (u > 0.0).astype(float) if found[WIDTH] == 0.0 else np.clip(u / found[WIDTH] + 0.5, 0.0, 1.0)
    design = np.column_stack([np.ones_like(x), x, y, step])
    solved, squares, *_ = np.linalg.lstsq(design, z, rcond=None)
    residual = math.sqrt(squares[0] / (len(x) - 6))
    assert found[HEIGHT] == pytest.approx(solved[3], rel=1e-6)
    assert found[RESIDUAL] == pytest.approx(residual, rel=1e-6)
    assert found[ERROR] == pytest.approx(residual * math.sqrt(np.linalg.inv(design.T @ design)[3, 3]), rel=1e-6)
    half = 0.5 * found[WIDTH]
    assert (found[ABOVE], found[BELOW]) == ((u > half).sum(), (u <= -half).sum())
    # Where it is known: the line, and which side is up.
    assert found[NX] * 0.6 + found[NY] * 0.8 > 0.95
    assert found[HEIGHT] == pytest.approx(0.8, abs=0.2)


def test_a_step_shows_in_the_residual_of_the_plain_plane_wherever_it_runs() -> None:
    # What lets smooth windows go without a fit, on points evenly spread: numpy's own least squares.
    side = np.linspace(-1.5, 1.5, 41)
    x, y = (a.ravel() for a in np.meshgrid(side, side))
    q, _ = np.linalg.qr(np.column_stack([np.ones_like(x), x, y]))
    least = math.inf
    for angle in np.radians(np.arange(0.0, 180.0, 7.5)):
        for offset in np.arange(-MOST_OFFSET, MOST_OFFSET + 0.01, 0.125):
            for width in WIDTHS:
                u = x * math.cos(angle) + y * math.sin(angle) - offset
                step = (u > 0.0).astype(float) if width == 0.0 else np.clip(u / width + 0.5, 0.0, 1.0)
                least = min(least, float(np.sqrt(np.mean((step - q @ (q.T @ step)) ** 2))))
    assert 1.2 * step_windows.SHARE < least < 0.3


def test_no_step_where_returns_lie_on_one_side_only_or_are_too_few() -> None:
    x, y, rng = window(20.0, 1)
    z = rng.normal(0.0, 0.05, len(x))
    low = y < -0.9
    assert np.isnan(fitted(x[low], y[low], z[low] - 3.0)).all() or fitted(x[low], y[low], z[low])[HEIGHT] < 0.3
    # A few high returns that are no side: a bush in one place.
    bush = np.hypot(x - 0.5, y - 0.5) < 0.3
    keep = low | bush
    assert np.isnan(fitted(x[keep], y[keep], np.where(bush, 2.0, z)[keep])).all()
    assert np.isnan(fitted(x[:9], y[:9], z[:9])).all()
    assert np.isnan(fitted(x, np.zeros_like(y), z)).all()
    one = case(wall(1.5), 8, 3)
    lower = one.across(one.x, one.y) < 0.0
    nodes, _ = steps_in(one.x[lower], one.y[lower], one.z[lower], one.role[lower])
    assert not len(nodes)


@pytest.mark.parametrize("density", DENSITIES)
@pytest.mark.parametrize("height", [0.5, 0.9, 1.5, 2.0])
def test_walls_are_found_with_their_height_and_their_upper_side(height: float, density: float) -> None:
    rate = wall_rate(height, density, SEEDS)
    assert rate.median == pytest.approx(height, abs=0.03)
    assert rate.tenth > 0.85 * height
    assert rate.found > 0.9
    assert rate.right_side > 0.98
    assert rate.counted > 0.9 if height >= 0.9 else rate.counted < 0.1


@pytest.mark.parametrize("density", DENSITIES)
@pytest.mark.parametrize("gap", ["bare", "loose"])
def test_a_gap_of_the_filter_is_bridged_by_what_it_left_and_else_not_assessed(gap: str, density: float) -> None:
    rate = wall_rate(1.2, density, SEEDS, gap)
    if gap == "loose":
        assert rate.found > 0.8
        assert rate.median == pytest.approx(1.2, abs=0.05)
    for seed in SEEDS:
        one = case(wall(1.2), density, seed, gap)
        nodes, bound = steps_in(one.x, one.y, one.z, one.role)
        n = len(bound)
        yy, xx = np.mgrid[:n, :n] + 0.5
        at_wall = np.abs(one.across(xx, yy)) < 0.9
        assert not (bound[at_wall] < 0.45).any()
        assert (nodes[:, 11] == 1.0).any() == (gap == "loose")


@pytest.mark.parametrize("density", [8, 20])
@pytest.mark.parametrize("name", ["level ground", "rough ground, 10 cm", "bank 3:1, 0.9 m high", "bank 3:1, 2 m high",
                                  "bank 2:1, 0.9 m high", "bank 2:1, 2 m high"])  # fmt: skip
def test_no_bank_of_2_to_1_counts_as_a_drop(name: str, density: float) -> None:
    form, rough = BANKS[name]
    steps, drops, told = alarm_rate(form, density, SEEDS, rough)
    assert drops == 0.0
    assert steps < (25.0 if "2:1" in name else 1.0)
    if density == 20 and "2:1, 0.9" not in name:
        assert told > 0.9


@pytest.mark.parametrize("name", ["bank 1:1, 0.9 m high", "bank 1:1, 2 m high"])
def test_a_face_that_is_a_drop_is_never_told_to_be_none(name: str) -> None:
    form, rough = BANKS[name]
    for seed in SEEDS:
        one = case(form, 20, seed, rough=rough)
        _, bound = steps_in(one.x, one.y, one.z, one.role)
        n = len(bound)
        yy, xx = np.mgrid[:n, :n] + 0.5
        assert not (bound[np.abs(one.across(xx, yy)) < 0.6] < 0.45).any()


def test_points_thinner_than_8_clear_nothing() -> None:
    for seed in SEEDS:
        one = case(BANKS["bank 3:1, 0.9 m high"][0], 4, seed)
        _, bound = steps_in(one.x, one.y, one.z, one.role)
        assert np.isfinite(bound).mean() < 0.01


def test_the_page_holds_these_rates() -> None:
    text = DOCS.read_text(encoding="utf-8").partition(HEAD)[2]
    row = next(line for line in text.splitlines() if line.startswith("| 0.9 | 8 | none"))
    rate = wall_rate(0.9, 8, range(4))
    assert float(row.split("|")[4].strip(" %")) / 100.0 == pytest.approx(rate.found, abs=0.05)
    assert float(row.split("|")[6].split(",")[0]) == pytest.approx(rate.median, abs=0.02)


def test_returns_that_come_twice_tell_no_more_than_once() -> None:
    for seed in range(3):
        one = case(BANKS["bank 3:1, 0.9 m high"][0], 6, seed)
        cloud = one.x, one.y, one.z, one.role
        nodes, bound = steps_in(*cloud)
        again, twice = steps_in(*(np.concatenate([values] * 3) for values in cloud))
        np.testing.assert_array_equal(nodes, again)
        np.testing.assert_array_equal(bound, twice)
