"""The table of refusals: shares counted by hand, and the same answer as the zones' own columns."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import slopekit
from slopekit.permits.judge import BIT, Verdict
from slopekit.schema.fields import fields_of
from slopekit.schema.reasons import REASON_CODES
from slopekit.zones.refusals import refusal_records

PAIRS = (("rider", "dry"), ("rider", "wet"), ("crew", "dry"), ("crew", "wet"))


def test_shares_are_those_counted_by_hand() -> None:
    # Zone 0 has four cells, zone 2 two; row 1 has none; one cell is outside.
    row = np.array([[0, 0, 2], [0, 0, 2], [-1, -1, -1]], np.int32)
    water, slope = BIT["above_water"], BIT["slope"]
    reasons = np.zeros((4, 3, 3), water.dtype)
    reasons[0, 0, 0] = slope
    reasons[1, 0] = [slope | water, slope, 0]
    reasons[1, 1, 0] = water
    reasons[3, :, 2] = slope
    reasons[2, 2] = water  # outside: no row
    verdict = Verdict(PAIRS, reasons, np.zeros((4, 3, 3), np.uint8))
    zones = {n: {"parcel_id": "p", "zone_id": f"p-z{n}"} for n in (0, 2)}
    found = [tuple(r.values()) for r in refusal_records(zones, row, verdict)]
    assert found == [
        ("p", "p-z0", "rider", "dry", "slope", 0.25),
        ("p", "p-z0", "rider", "wet", "above_water", 0.5),
        ("p", "p-z0", "rider", "wet", "slope", 0.5),
        ("p", "p-z2", "crew", "wet", "slope", 1.0),
    ]
    assert refusal_records({}, row, verdict) == []


@pytest.fixture(scope="module")
def result() -> slopekit.Result:
    data = slopekit.demo_data()
    layers = {name: data / f"{name}.gpkg" for name in ("water", "walls", "hazards", "exclude", "soft", "canopy")}
    return slopekit.screen(
        data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", id_column="parcel_id", workers=1, **layers
    )


def test_a_machine_is_permitted_where_nothing_refuses_it_and_nowhere_else(result: slopekit.Result) -> None:
    zones, refusals = result.zones, result.layers["refusals"]
    judged = zones[zones.machine_class != "excluded"]
    machines = list(result.fleet.machines)
    refused = set(zip(refusals.zone_id, refusals.machine, refusals.condition, strict=True))
    told = set()
    for condition in result.fleet.conditions:
        for zone, permitted in zip(judged.zone_id, judged[f"permitted_{condition}"], strict=True):
            told |= {(zone, m, condition) for m in machines if m not in permitted.split(",")}
    assert refused == told
    assert len(told) > 100


def test_the_reasons_are_those_of_the_zones(result: slopekit.Result) -> None:
    refusals = result.layers["refusals"]
    assert list(refusals.columns) == [f.name for f in fields_of("refusals")]
    by_zone = {zone: set(rows) for zone, rows in refusals.groupby("zone_id")["reason"]}
    for zone, reasons in zip(result.zones.zone_id, result.zones.reasons, strict=True):
        assert by_zone.get(zone, set()) == {code for code in reasons.split(",") if code}
    assert set(refusals.reason) <= set(REASON_CODES)
    assert refusals.share.between(0.0, 1.0, inclusive="right").all()
    assert not refusals.duplicated(["zone_id", "machine", "condition", "reason"]).any()


@pytest.mark.parametrize("ending", ["gpkg", "parquet"])
def test_the_table_comes_back_from_the_disk(result: slopekit.Result, ending: str, tmp_path: Path) -> None:
    from slopekit.sources.results import read_result

    result.write(tmp_path / f"zones.{ending}")
    back = read_result(tmp_path / f"zones.{ending}", ("refusals",))["refusals"]
    pd.testing.assert_frame_equal(pd.DataFrame(back), result.layers["refusals"], check_dtype=False)
