"""The standard error of slope: arithmetic of the published weights, and Monte Carlo with errors drawn here.

Horn (1981) and Zevenbergen and Thorne (1987) give the weights; general error propagation (Heuvelink 1998) the rule.
That correlated error can do worse than white noise is a result of Oksanen and Sarjakoski (2005).
Run with -s to see the table.
"""

import math

import numpy as np
import pytest

from slopekit.kernels.gradient import horn, zevenbergen_thorne
from slopekit.kernels.noise import error_field
from slopekit.terrain.settings import GradientName, TerrainSettings
from slopekit.terrain.uncertainty import gradient_error, slope_error_deg

pytestmark = pytest.mark.reference

DRAWS = 100_000
# The standard error of a standard deviation from n normal draws is 1 / sqrt(2 n) of it; four of them.
SAMPLING = 4.0 / math.sqrt(2.0 * DRAWS)
LENGTHS = (0.0, 0.5, 1.0, 1.355, 2.0, 3.0, 5.0)
FORMULAS: tuple[GradientName, ...] = ("horn", "zevenbergen-thorne")


def drawn_error(length: float, dx: float, dy: float, formula: GradientName) -> float:
    """The greater standard deviation of both gradient components over draws of nine correlated heights."""
    x, y = (v.ravel() for v in np.meshgrid(np.arange(3) * dx, np.arange(3) * dy))
    squared = np.subtract.outer(x, x) ** 2 + np.subtract.outer(y, y) ** 2
    correlation = np.exp(-squared / length**2) if length else np.eye(9)
    z = np.random.default_rng(20231).standard_normal((DRAWS, 9)) @ np.linalg.cholesky(correlation).T
    a, b, c, d, _, f, g, h, k = z.T
    if formula == "horn":
        p, q = (c + 2 * f + k - a - 2 * d - g) / (8 * dx), (g + 2 * h + k - a - 2 * b - c) / (8 * dy)
    else:
        p, q = (f - d) / (2 * dx), (h - b) / (2 * dy)
    return float(max(p.std(), q.std()))


def test_without_correlation_it_is_the_published_arithmetic() -> None:
    # 12 is the sum of Horn's squared weights 1 2 1 on two sides.
    assert gradient_error(0.10, 1.0, 1.0) == pytest.approx(0.10 * math.sqrt(12.0) / 8.0, rel=1e-12)
    assert gradient_error(0.10, 1.0, 1.0) == pytest.approx(0.0433, abs=5e-5)
    assert float(slope_error_deg(np.zeros(1), 0.10, 1.0, 1.0)[0]) == pytest.approx(2.5, abs=0.02)
    assert gradient_error(0.10, 2.0, 2.0, gradient="zevenbergen-thorne") == pytest.approx(0.10 / math.sqrt(2.0) / 2.0)


@pytest.mark.parametrize("formula", FORMULAS)
def test_draws_of_correlated_heights_agree(formula: GradientName) -> None:
    print(f"\n{formula}: standard error of a gradient component, in RMSE / cell side")
    print(" length, cells   formula    drawn")
    for length in LENGTHS:
        for dx, dy in ((1.0, 1.0), (0.5, 0.8)):
            ours, drawn = gradient_error(1.0, dx, dy, length * dx, formula), drawn_error(length * dx, dx, dy, formula)
            if dx == dy:
                print(f"{length:14.3f}{ours:10.4f}{drawn:9.4f}")
            assert ours == pytest.approx(drawn, rel=SAMPLING), (length, dx, dy)


@pytest.mark.parametrize("formula", FORMULAS)
def test_realisations_of_the_error_tilt_cells_as_much_as_the_formula_says(formula: GradientName) -> None:
    kernel = horn if formula == "horn" else zevenbergen_thorne
    for length, dx, dy in ((0.0, 1.0, 1.0), (1.5, 1.0, 1.0), (1.5, 2.0, 1.6), (5.0, 1.0, 1.0)):
        fields = [error_field(5, n, 0, 0, (402, 402), dx, dy, length, 0.1) for n in range(4)]
        parts = [kernel(field, dx, dy) for field in fields]
        found = max(np.nanstd([part[n] for part in parts]) for n in (0, 1))
        assert found == pytest.approx(gradient_error(0.1, dx, dy, length, formula), rel=0.02), (length, dx, dy)


def test_worst_correlation_is_about_the_window_and_never_below_white_noise() -> None:
    lengths = np.linspace(0.0, 20.0, 4001)
    error = np.array([gradient_error(1.0, 1.0, 1.0, length) for length in lengths])
    worst = lengths[error.argmax()]
    assert 1.0 < worst < 2.0  # within the window of 3 cells, more than one cell
    assert worst == pytest.approx(1.355, abs=0.01)
    assert error.max() == pytest.approx(1.267 * error[0], rel=1e-3)
    # Two heights 2 L apart whose error is long: the slope's variance falls to 2 rmse^2 / l^2, that of the derivative of
    # a field with this correlation (Papoulis 1991, from memory: minus its second derivative at 0).
    assert gradient_error(1.0, 1.0, 1.0, 20.0) == pytest.approx(math.sqrt(2.0) / 20.0, rel=0.01)


def test_default_never_understates_white_noise_on_working_cells() -> None:
    length = TerrainSettings().error_correlation_m
    cells = np.linspace(0.6, 5.0, 89)
    for cell in cells:
        assert gradient_error(0.1, cell, cell, length) >= gradient_error(0.1, cell, cell), cell
    worst = max(gradient_error(0.1, 1.0, 1.0, at) for at in np.linspace(0.0, 5.0, 501))
    assert gradient_error(0.1, 1.0, 1.0, length) > 0.99 * worst


def test_error_grows_with_the_survey_error_and_shrinks_with_the_cell() -> None:
    for length in LENGTHS:
        assert gradient_error(0.2, 1.0, 1.0, length) == pytest.approx(2.0 * gradient_error(0.1, 1.0, 1.0, length))
        assert gradient_error(0.0, 1.0, 1.0, length) == 0.0
        # Metres or twice as many of half the size: only ratios count.
        assert gradient_error(0.1, 2.0, 3.0, 2.0 * length) == pytest.approx(gradient_error(0.05, 1.0, 1.5, length))
    # Of two sides the shorter one tells.
    assert gradient_error(0.1, 1.0, 3.0) == pytest.approx(gradient_error(0.1, 1.0, 1.0))
    assert gradient_error(0.1, 3.0, 1.0) == pytest.approx(gradient_error(0.1, 1.0, 1.0))
