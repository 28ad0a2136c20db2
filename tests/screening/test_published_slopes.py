"""Class by zone on one made site for each published rule on mowable slopes.

The agencies disagree, which is why slopekit ships no limit: each rule is typed here as the limit of the ride-on and
asked on a face a little flatter and a little steeper than it. The rules are fixtures, never advice.
"""

import math
from pathlib import Path

import pytest
from accident_ground import along, bank, ground, plan_of, screened
from ground_maker import Answer, fleet_of

pytestmark = pytest.mark.reference

# Run to 1 of rise, and who says so.
RULES = {
    "MoDOT Engineering Policy Guide 822: no mowing equipment over 1V:3H unless designed for it": 3.0,
    "GDOT Design Policy Manual 6.2.3 (2007): 4:1 or flatter is easily mowed": 4.0,
    "PennDOT LTAP Technical Sheet 134 (2007): roadside mown to 1 in 2.5": 2.5,
    "USACE TI 804-01, 4-5 (1998): banks over 3:1 discouraged": 3.0,
    "Ohio State Univ. Extension Bulletin 813, Table 4: 3:1 or flatter face": 3.0,
    "Cass County ND subdivision rules (2022), p. 103: unfenced basin sides at most 6:1": 6.0,
    "OSHA, Dangers of Roll-Overs of Riding Mowers (quoted): 15 degrees": 1.0 / math.tan(math.radians(15.0)),
}
HEIGHT_M = 5.0
NEAR = 0.02
"""Part by which the faces are flatter and steeper than the rule."""


def on_the_face(tmp_path: Path, run: float, limit_run: float, azimuth: float) -> tuple[Answer, set[str], set[str]]:
    """Classes and reasons of the zones on the middle of a face of `run` : 1, with the limit of `limit_run` : 1."""
    limit, angle = (math.degrees(math.atan(1.0 / value)) for value in (limit_run, run))
    # Of the others the limits are wide enough, so that the rule alone decides between the ride-on and the stand-on.
    a = screened(tmp_path, ground(bank(angle, HEIGHT_M), azimuth), fleet_of((limit, 35.0, 36.0, 60.0)))
    d = along(a.grid, azimuth)
    # Three cells in from crest and foot, where the machine-scale surface rounds the edges.
    middle = a.inside & (d > 3.0) & (d < plan_of(angle, HEIGHT_M) - 3.0)
    assert middle.sum() > 100
    zones = a.over(middle)
    return a, set(zones.machine_class), set(zones.reason)


@pytest.mark.parametrize("azimuth", [0.0, 27.0])
@pytest.mark.parametrize("rule", RULES)
def test_class_by_zone_follows_the_rule(tmp_path: Path, rule: str, azimuth: float) -> None:
    run = RULES[rule]
    _, classes, reasons = on_the_face(tmp_path, run * (1.0 + NEAR), run, azimuth)
    assert (classes, reasons) == ({"ride-on"}, {""})
    _, classes, reasons = on_the_face(tmp_path, run * (1.0 - NEAR), run, azimuth)
    assert (classes, reasons) == ({"stand-on"}, {"slope"})


def test_a_bank_that_one_agency_calls_mowable_breaks_the_rule_of_another(tmp_path: Path) -> None:
    """3:1 is 18.43 degrees, 15 degrees are 3.73:1 (arithmetic)."""
    fifteen = 1.0 / math.tan(math.radians(15.0))
    a, classes, _ = on_the_face(tmp_path, 3.0 * (1.0 + NEAR), fifteen, 0.0)
    assert classes == {"stand-on"}
    steepest = a.zones.slope_max_deg.max()
    assert 15.0 < steepest < math.degrees(math.atan(1.0 / 3.0))
