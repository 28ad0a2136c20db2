"""Wetness asked for: it never permits more, turns with the ground, and does not depend on how the ground was cut."""

from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import shapely
from golden_ground import golden_fleet, golden_heights, golden_parcel, turned, turned_back, turned_shape
from ground_maker import answer, elevation_of, fleet_of

from slopekit.fleet.model import Fleet
from slopekit.permits.judge import BIT
from slopekit.screening.ground import read_ground
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.parcels import Parcel

pytestmark = pytest.mark.property


def asking(wetness_from: float | None, length_m: float = 40.0) -> Fleet:
    soft: dict[str, Any] = {"pressure_limit_kpa": 30.0, "wetness_length_m": length_m}
    return golden_fleet(soft_ground=soft if wetness_from is None else {**soft, "wetness_from": wetness_from})


@pytest.fixture(scope="module")
def golden(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    return elevation_of(tmp_path_factory.mktemp("golden") / "golden.tif", golden_heights())


def test_asking_for_it_never_permits_more(golden: Elevation) -> None:
    found = [answer(golden, golden_parcel(), asking(least)) for least in (None, 9.0, 7.0, 5.0, 0.0)]
    for loose, tight in pairwise(found):
        # What does not fit may be refused for another reason instead.
        assert not (loose.verdict.reasons & ~tight.verdict.reasons & ~BIT["narrow"]).any()
        for machine, condition in tight.verdict.pairs:
            assert not (tight.raw(machine, condition) & ~loose.raw(machine, condition)).any()
    soft = [int(a.refused("ride_on", "soft")[a.inside].sum()) for a in found]
    assert soft == sorted(soft) and len(set(soft)) == 5
    assert found[-1].ground.soft[found[-1].inside].mean() > 0.95
    # The light machine and people on foot are held to nothing more.
    for machine in ("walk_behind", "crew"):
        assert (found[-1].reasons(machine) == found[0].reasons(machine)).all()


@pytest.mark.parametrize("way", range(1, 8))
def test_it_turns_with_the_ground(golden: Elevation, tmp_path: Path, way: int) -> None:
    upright = answer(golden, golden_parcel(), asking(6.5))
    over = elevation_of(tmp_path / "turned.tif", turned(golden_heights(), way))
    a = answer(over, turned_shape(golden_parcel(), way), asking(6.5))
    assert (turned_back(a.ground.soft, way) == upright.ground.soft).all()
    assert 0.02 < upright.ground.soft[upright.inside].mean() < 0.98


def same_zones(a: dict[str, Any], b: dict[str, Any]) -> None:
    one, two = (pd.DataFrame(t["zones"]).astype(object) for t in (a, b))
    pd.testing.assert_frame_equal(one.where(one.notna(), None), two.where(two.notna(), None), check_exact=True)


REAL = [
    ("village_scarp_1m", 400.0, 450.0),
    ("village_scarp_1m", 600.0, 640.0),
    ("embankment_2m", 500.0, 540.0),
    ("farmland_channel_1m", 240.0, 230.0),
    ("farmland_channel_1m", 370.0, 290.0),
]


@pytest.mark.parametrize(("name", "east", "south"), REAL)
def test_more_ground_changes_nothing_on_real_ground(open_data: Any, name: str, east: float, south: float) -> None:
    elevation = open_elevation([open_data(f"{name}.tif")])
    west, _, _, north = elevation.survey.grid.bounds
    parcel = Parcel("p", shapely.Point(west + east + 0.3, north - south - 0.4).buffer(40.0))
    fleet = fleet_of(settings={"soft_ground": {"pressure_limit_kpa": 30.0, "wetness_from": 8.0}})
    wanted = answer(elevation, parcel, fleet).zones
    assert wanted.reasons.str.contains("soft").any()
    for more in (7.0, 90.0):
        ground = read_ground(elevation, [parcel.geometry.buffer(more)], fleet)
        same_zones({"zones": answer(elevation, parcel, fleet, ground=ground).zones}, {"zones": wanted})
