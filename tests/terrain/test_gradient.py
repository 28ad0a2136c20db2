"""Gradient, slope and aspect against worked examples, closed forms and error propagation."""

import math

import numpy as np
import pytest
from scipy import ndimage

from slopekit.kernels.gradient import gaussian, horn, zevenbergen_thorne
from slopekit.terrain.surface import aspect_deg

pytestmark = pytest.mark.reference

# A worked example of Horn (1981) on a 3 x 3 window of cell size 5, seen in five public test suites; the formula gives
# the printed figures (arithmetic).
PRINTED_SLOPE = np.array([[50.0, 45.0, 50.0], [30.0, 30.0, 30.0], [8.0, 10.0, 10.0]])
# One for aspect, quoted and not seen in the original; the formula gives the printed figure (arithmetic).
PRINTED_ASPECT = np.array([[101.0, 92.0, 85.0], [101.0, 92.0, 85.0], [101.0, 91.0, 84.0]])


def slope_deg(p: np.ndarray, q: np.ndarray) -> np.ndarray:
    return np.degrees(np.arctan(np.hypot(p, q)))


def test_horn_worked_example() -> None:
    p, q = horn(PRINTED_SLOPE, 5.0, 5.0)
    assert p[1, 1] == pytest.approx(0.05, abs=1e-12)
    assert q[1, 1] == pytest.approx(-3.8, abs=1e-12)
    assert slope_deg(p, q)[1, 1] == pytest.approx(75.2576, abs=1e-4)


def test_zevenbergen_thorne_worked_example() -> None:
    # The formula of the 1987 paper on the same window: p = 0, q = (10 - 45) / 10.
    p, q = zevenbergen_thorne(PRINTED_SLOPE, 5.0, 5.0)
    assert (p[1, 1], q[1, 1]) == (pytest.approx(0.0, abs=1e-12), pytest.approx(-3.5, abs=1e-12))
    assert slope_deg(p, q)[1, 1] == pytest.approx(74.0546, abs=5e-5)


def test_aspect_worked_example() -> None:
    p, q = horn(PRINTED_ASPECT, 5.0, 5.0)
    assert float(np.asarray(aspect_deg(p, q))[1, 1]) == pytest.approx(92.64, abs=0.005)


@pytest.mark.parametrize("azimuth", range(0, 360, 15))
def test_aspect_is_the_compass_bearing_of_the_fall(azimuth: int) -> None:
    # Arithmetic: ground that falls at 1 in 5 toward `azimuth`; rows run south.
    south, east = np.mgrid[0:3, 0:3].astype(float)
    a = math.radians(azimuth)
    p, q = horn(-0.2 * (east * math.sin(a) - south * math.cos(a)), 1.0, 1.0)
    got = float(np.asarray(aspect_deg(p, q))[1, 1])
    assert 0.0 <= got < 360.0 or got == pytest.approx(360.0)
    assert abs((got - azimuth + 180.0) % 360.0 - 180.0) < 1e-9


def test_aspect_of_level_ground_is_undefined() -> None:
    assert np.isnan(np.asarray(aspect_deg(np.zeros((1, 1)), np.zeros((1, 1))))).all()


def test_pyramid_of_the_postgis_manual() -> None:
    # PostGIS manual, ST_Slope: border 1, ring 2, centre 3. The outer cells depend on that program's edge rule.
    z = np.array([[1, 1, 1, 1, 1], [1, 2, 2, 2, 1], [1, 2, 3, 2, 1], [1, 2, 2, 2, 1], [1, 1, 1, 1, 1]], float)
    slope = slope_deg(*horn(z, 1.0, 1.0))[1:4, 1:4]
    corner, side = 35.264, 36.870
    expected = [[corner, side, corner], [side, 0.0, side], [corner, side, corner]]
    np.testing.assert_allclose(slope, expected, atol=5e-4)


@pytest.mark.parametrize("method", [horn, zevenbergen_thorne])
def test_exact_on_quadratic_ground_with_oblong_cells(method) -> None:  # type: ignore[no-untyped-def]
    # Central differences are exact on any quadratic (arithmetic). A swapped axis, sign or cell size shows here.
    dx, dy = 0.5, 2.0
    y, x = np.mgrid[0:9, 0:12].astype(float) * np.array([dy, dx])[:, None, None]
    p, q = method(0.3 * x * x - 0.11 * x * y + 0.07 * y * y + 0.9 * x - 0.4 * y + 100.0, dx, dy)
    inner = (slice(1, -1), slice(1, -1))
    np.testing.assert_allclose(p[inner], (0.6 * x - 0.11 * y + 0.9)[inner], atol=1e-12)
    np.testing.assert_allclose(q[inner], (-0.11 * x + 0.14 * y - 0.4)[inner], atol=1e-12)
    assert np.isfinite(p).sum() == np.isfinite(q).sum() == 7 * 10


@pytest.mark.parametrize("method", [horn, zevenbergen_thorne])
def test_a_missing_cell_takes_the_gradient_of_its_eight_neighbours(method) -> None:  # type: ignore[no-untyped-def]
    for i in range(1, 6):
        for j in range(1, 6):
            z = np.arange(49.0).reshape(7, 7)
            z[i, j] = np.nan
            expected = np.zeros((7, 7), bool)
            expected[1:-1, 1:-1] = True
            expected[i - 1 : i + 2, j - 1 : j + 2] = False
            for part in method(z, 1.0, 1.0):
                np.testing.assert_array_equal(np.isfinite(part), expected)


@pytest.mark.parametrize("cell", [1.0, 2.0])
def test_horn_error_by_monte_carlo(cell: float) -> None:
    # Error propagation, uncorrelated error of standard deviation s: s * sqrt(12) / (8 L) = 0.433 s / L for each
    # component (Florinsky 1998 gives the family). 0.10 m at 1 m is 2.5 degrees on level ground.
    s = 0.10
    noise = np.random.default_rng(20).normal(0.0, s, (1500, 1500))
    p, q = horn(noise, cell, cell)
    for part in (p, q):
        part = part[1:-1, 1:-1]
        assert part.size == 1498**2
        assert part.std() == pytest.approx(0.433 * s / cell, rel=0.005)
        assert part.std() == pytest.approx(s * math.sqrt(12.0) / (8.0 * cell), rel=0.005)
    assert math.degrees(math.atan(0.433 * s)) == pytest.approx(2.5, abs=0.05)


@pytest.mark.parametrize(("sigma_rows", "sigma_cols"), [(0.75, 0.75), (1.5, 0.5), (3.0, 1.25)])
def test_gaussian_against_scipy(sigma_rows: float, sigma_cols: float) -> None:
    z = np.random.default_rng(3).normal(200.0, 5.0, (60, 50))
    got = gaussian(z, sigma_rows, sigma_cols)
    expected = ndimage.gaussian_filter(z, (sigma_rows, sigma_cols), truncate=4.0)
    near, across = math.ceil(4.0 * sigma_rows), math.ceil(4.0 * sigma_cols)
    inner = (slice(near, 60 - near), slice(across, 50 - across))
    np.testing.assert_allclose(got[inner], expected[inner], atol=1e-9)
    assert np.isfinite(got).sum() == (60 - 2 * near) * (50 - 2 * across)


def test_gaussian_keeps_a_missing_cell_and_all_that_it_touches_missing() -> None:
    z = np.zeros((21, 21))
    z[10, 10] = np.nan
    got = gaussian(z, 0.75, 0.75)
    expected = np.zeros((21, 21), bool)
    expected[3:-3, 3:-3] = True
    expected[7:14, 7:14] = False
    np.testing.assert_array_equal(np.isfinite(got), expected)
