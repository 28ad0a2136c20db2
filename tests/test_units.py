"""Conversions between degrees, percent and H:V, and foot lengths. All by arithmetic, never from a printed table."""

import math

import pytest

from slopekit.units import METRES_PER_UNIT, hv_ratio, hv_text, percent, unit_name

pytestmark = pytest.mark.reference


@pytest.mark.parametrize(
    ("run", "degrees"),
    [(10, 5.711), (6, 9.462), (5, 11.310), (4, 14.036), (3, 18.435), (2.5, 21.801), (2, 26.565), (1.5, 33.690)],
)
def test_h_to_v(run: float, degrees: float) -> None:
    # By arctangent of rise over run.
    assert hv_ratio(degrees) == pytest.approx(run, rel=2e-4)
    assert hv_text(degrees) == f"{run:.1f}:1"


@pytest.mark.parametrize(("degrees", "per_cent"), [(5, 8.75), (10, 17.63), (15, 26.79), (20, 36.40), (30, 57.74)])
def test_percent(degrees: float, per_cent: float) -> None:
    assert percent(degrees) == pytest.approx(per_cent, abs=0.005)


def test_ninety_percent_is_not_forty_five_degrees() -> None:
    # At least one printed table has 90 % as 45.00 degrees; 45 degrees is 100 %, and 90 % is 41.99 degrees.
    assert percent(45.0) == pytest.approx(100.0)
    assert percent(41.987) == pytest.approx(90.0, abs=0.005)


def test_fifteen_degrees_lies_between_four_to_one_and_three_to_one() -> None:
    # 15 degrees (OSHA, where the maker gives no limit; quoted) is 3.73:1, so a 3:1 bank breaks it.
    assert hv_ratio(15.0) == pytest.approx(3.73, abs=0.005)
    assert hv_text(15.0) == "3.7:1"


def test_level_ground_has_no_ratio() -> None:
    assert hv_ratio(0.0) == math.inf
    assert hv_text(0.0) == "level"
    assert hv_text(0.5) == "level"
    assert hv_text(1.0) == "57.3:1"


def test_feet() -> None:
    # International yard and pound agreement (1959): exactly 0.3048 m. US survey foot: exactly 1200/3937 m.
    assert METRES_PER_UNIT[unit_name("ft") or ""] == 0.3048
    assert METRES_PER_UNIT[unit_name("US survey foot") or ""] * 3937.0 == pytest.approx(1200.0, rel=1e-15)
    assert unit_name("fathom") is None
    # 5 ft of set-back (OSHA; quoted) is 1.524 m.
    assert 5.0 * METRES_PER_UNIT["foot"] == pytest.approx(1.524)
