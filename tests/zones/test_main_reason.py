"""The reason that is named first, and ground that is not known: by cells, never by whole zones."""

from pathlib import Path

import numpy as np
import pytest
import shapely
from ground_maker import SHORT_LOOK, Answer, answer, fleet_of

from slopekit.permits.judge import BIT
from slopekit.schema.reasons import REASONS
from slopekit.sources.elevation import open_elevation
from slopekit.sources.raster import rasterize
from slopekit.zones.describe import main_reason
from slopekit.zones.words import zone_note

GROUND = Path(__file__).parents[1] / "data" / "ground" / "village_scarp_1m.tif"


def note(reason: str, reasons: list[str], shares: dict[str, float], who: str = "hand crew") -> str:
    record = {"machine_class": who, "way": "either", "reason": reason, "reasons": tuple(reasons)}
    figures = {"slope_max_deg": None, "marginal_share": 0.0, "short_steep_share": 0.0, "channel_share": 0.0}
    rest = {"to_hazard": "", "itself": "", "spot": False, "short_drop": False, "cell_m": 1.0, "pressures": ""}
    return " ".join(zone_note(record | figures, shares, **rest))


def test_what_holds_on_most_of_a_zone_is_named_before_a_graver_sliver() -> None:
    shares = {"stand_off": 0.002, "unknown_basin": 0.99}
    reason = main_reason(shares)
    assert reason == "unknown_basin"
    told = note(reason, ["stand_off", "unknown_basin", "slope"], shares)
    first, second, third = told.split(". ")[1:4]
    assert REASONS["unknown_basin"].words in first and "99 %" in first
    assert REASONS["stand_off"].words in second and "gravest" in second and "under 1 %" in second
    assert REASONS["slope"].words in third and REASONS["stand_off"].words not in third
    # Nothing is told twice where the gravest holds on most.
    same = note("stand_off", ["stand_off"], {"stand_off": 1.0})
    assert same.count(REASONS["stand_off"].words) == 1 and "gravest" not in same and "%" not in same


def test_the_gravest_of_those_on_most_of_it_and_else_the_one_on_most() -> None:
    assert main_reason({"above_water": 0.7, "reach": 0.9, "slope": 1.0}) == "above_water"
    assert main_reason({"above_water": 0.2, "reach": 0.4, "slope": 0.3}) == "reach"
    assert main_reason({"above_water": 0.5, "slope": 0.5}) == "above_water"
    assert main_reason({}) == ""


@pytest.fixture(scope="module")
def found() -> list[Answer]:
    elevation = open_elevation([GROUND])
    west, south, _, _ = elevation.survey.grid.bounds
    fleet = fleet_of(settings={**SHORT_LOOK, "zones": {"min_zone_m2": "auto"}})
    # On whole cells, so that areas are numbers of cells. The last one lies at the survey's edge.
    places = [(150.0, 620.0), (420.0, 300.0), (650.0, 500.0), (700.0, 180.0), (10.0, 450.0)]
    return [
        answer(elevation, shapely.box(west + x, south + y, west + x + 90, south + y + 90), fleet) for x, y in places
    ]


def test_unknown_ground_is_counted_by_cells(found: list[Answer]) -> None:
    whole_zones = cells = 0.0
    for one in found:
        unknown = np.bitwise_or.reduce(one.verdict.reasons, axis=0) & BIT["unknown_ground"] != 0
        (parcel,) = one.records["parcels"]
        m2 = float((unknown & one.inside).sum()) * one.grid.cell_m2
        assert parcel["unknown_m2"] == pytest.approx(m2, abs=1e-6)
        assert (f"On {m2:.0f} m2 the ground" in parcel["note"]) == (m2 > 0.0)
        held = one.zones["reasons"].str.split(",").map(lambda codes: "unknown_ground" in codes)
        whole_zones += one.zones.loc[held, "plan_m2"].sum()
        cells += m2
    # One cell made a whole zone unknown: several times the ground that is.
    assert 0.0 < cells < 0.8 * whole_zones


def test_the_reason_of_a_zone_is_counted_by_cells(found: list[Answer]) -> None:
    graver = 0
    for one in found:
        ranks = [m.machine_class for m in one.fleet.machines.values()]
        for zone in one.records["zones"]:
            if zone["machine_class"] == "ride-on":
                assert zone["reason"] == ""
                continue
            refused = ranks.index(zone["machine_class"]) if zone["machine_class"] in ranks else len(ranks)
            bits = np.bitwise_or.reduce(one.verdict.reasons[:refused], axis=0)[rasterize([zone["geometry"]], one.grid)]
            shares = {code: float((bits & bit != 0).mean()) for code, bit in BIT.items()}
            assert shares[zone["reason"]] > 0.0
            # No reason that holds on more than half of it is graver than the one named, and none on more if none is.
            most = [code for code, share in shares.items() if share > 0.5]
            assert zone["reason"] == (most[0] if most else max(shares, key=lambda code: shares[code]))
            gravest = next(code for code, share in shares.items() if share > 0.0)
            graver += gravest != zone["reason"]
            assert ("The gravest reason" in zone["note"]) == (gravest != zone["reason"])
    assert graver > 3
