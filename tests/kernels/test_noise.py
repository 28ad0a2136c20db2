"""Correlated error: numpy and scipy measure what is drawn; SplitMix64 is checked against its published first output."""

import math
import os
import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from slopekit.kernels.noise import _mixed, error_field

pytestmark = pytest.mark.reference

Array = np.ndarray
LENGTHS = (0.0, 0.7, 1.0, 1.5, 4.0)


def field(row: int, col: int, shape: tuple[int, int], length: float = 1.5, *, seed: int = 11, number: int = 4) -> Array:
    return error_field(seed, number, row, col, shape, 1.0, 1.0, length, 0.1)


@pytest.mark.parametrize("length", LENGTHS)
def test_windows_that_overlap_agree_to_the_bit(length: float) -> None:
    whole = field(-70, -91, (160, 190), length)
    for row, col, height, width in (
        (-70, -91, 1, 1),
        (-33, -90, 50, 61),
        (0, 0, 90, 99),
        (-1, -2, 7, 8),
        (89, 98, 1, 1),
    ):
        part = field(row, col, (height, width), length)
        np.testing.assert_array_equal(part, whole[row + 70 : row + 70 + height, col + 91 : col + 91 + width])


def test_a_large_window_is_the_same_as_its_blocks() -> None:
    whole = field(10, 20, (256, 300))
    for side in (64, 77):
        for i in range(0, 256, side):
            for j in range(0, 300, side):
                block = whole[i : i + side, j : j + side]
                np.testing.assert_array_equal(field(10 + i, 20 + j, block.shape), block)


def test_rows_and_columns_far_from_the_origin_differ_too() -> None:
    far = field(-4_100_000, 500_000, (60, 60))
    assert np.abs(np.corrcoef(far.ravel(), field(0, 0, (60, 60)).ravel())[0, 1]) < 0.2
    np.testing.assert_array_equal(field(-4_099_990, 500_005, (50, 55)), far[10:, 5:])


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize(("dx", "dy"), [(1.0, 1.0), (0.6, 1.1)])
def test_correlation_is_the_one_asked_for(length: float, dx: float, dy: float) -> None:
    error = np.concatenate([error_field(3, n, 0, 0, (700, 700), dx, dy, length, 0.1) for n in range(4)])
    # 2 million values, of which at least one in 4 pi (l / cell)^2 is independent: under 1 % of sampling error.
    assert error.std() == pytest.approx(0.1, rel=0.01)
    assert abs(error.mean()) < 0.001
    stacks = error.reshape(4, 700, 700)
    for lag in (1, 2, 3, 6):
        for step, one, two in (
            (dx, stacks[:, :, lag:], stacks[:, :, :-lag]),
            (dy, stacks[:, lag:], stacks[:, :-lag]),
            (math.hypot(dx, dy), stacks[:, lag:, lag:], stacks[:, :-lag, :-lag]),
        ):
            wanted = math.exp(-((lag * step / length) ** 2)) if length else 0.0
            found = np.corrcoef(one.ravel(), two.ravel())[0, 1]
            assert found == pytest.approx(wanted, abs=0.015), (lag, step)


def test_values_are_normal() -> None:
    for length, apart in ((0.0, 1), (1.5, 6)):
        # Cells six apart are as good as independent, as the test asks.
        sample = field(0, 0, (300 * apart, 300 * apart), length)[::apart, ::apart].ravel() / 0.1
        assert stats.kstest(sample, "norm").pvalue > 0.01
        assert abs(stats.skew(sample)) < 0.04
        assert abs(stats.kurtosis(sample)) < 0.08
        assert 3.9 < np.abs(sample).max() < 6.0  # the largest of 90 000 normal values, but once in 1000


def test_pairs_of_columns_share_no_information() -> None:
    # Two values come from one pair of words: neither may tell of the other's size.
    white = field(0, 0, (600, 600), 0.0)
    for start in (0, 1):
        one, two = white[:, start:-2:2].ravel(), white[:, start + 1 : -1 : 2].ravel()
        assert abs(stats.spearmanr(one, two).statistic) < 0.01
        assert abs(stats.spearmanr(np.abs(one), np.abs(two)).statistic) < 0.01


def test_seeds_and_realisations_are_independent() -> None:
    fields = [
        field(0, 0, (300, 300), 0.0, seed=s, number=n).ravel() for s, n in ((0, 0), (0, 1), (1, 0), (1, 1), (-1, 0))
    ]
    off = np.corrcoef(fields)[~np.eye(len(fields), dtype=bool)]
    assert np.abs(off).max() < 4.5 / 300.0  # four and a half standard errors of 90 000 pairs
    # Nor is one realisation another one shifted.
    for shift in (1, 2, 7):
        assert abs(np.corrcoef(fields[0][shift:], fields[1][:-shift])[0, 1]) < 4.5 / 300.0
    np.testing.assert_array_equal(field(0, 0, (9, 9), seed=5), field(0, 0, (9, 9), seed=5))
    assert (field(0, 0, (9, 9), seed=5) != field(0, 0, (9, 9), seed=2**63 + 5)).all()


def test_no_error_is_exactly_none() -> None:
    np.testing.assert_array_equal(error_field(0, 0, 0, 0, (20, 30), 1.0, 1.0, 1.5, 0.0), np.zeros((20, 30)))


def test_plain_python_draws_the_same_bytes() -> None:
    draw = (
        "import sys; from slopekit.kernels.noise import error_field\n"
        "for row, col in ((-5, -7), (0, 0), (3, -1), (-4_100_000, 500_001)):\n"
        "    sys.stdout.buffer.write(error_field(-11, 4, row, col, (9, 8), 1.0, 1.1, 1.5, 0.1).tobytes())"
    )
    plain, compiled = (
        subprocess.run(
            [sys.executable, "-W", "error", "-c", draw],
            env={**os.environ, "NUMBA_DISABLE_JIT": off},
            capture_output=True,
            check=True,
        ).stdout
        for off in ("1", "0")
    )
    assert len(plain) == 4 * 9 * 8 * 8 and plain == compiled


def test_first_word_of_splitmix64() -> None:
    # First output for seed 0, as published with the generator (Steele, Lea and Flood 2014; value from memory).
    assert int(_mixed(np.uint64(0x9E3779B97F4A7C15))) == 0xE220A8397B1DCDAF
