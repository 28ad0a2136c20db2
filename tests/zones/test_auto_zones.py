"""What zones.min_zone_m2 = "auto" promises, on real ground in parcels of 1 ha and of 3.8 ha, under two conditions.

Bounds: the project's own, from what people can mark out and keep in mind; common practice, no source.
"""

import re
from pathlib import Path

import numpy as np
import pytest
import shapely
from ground_maker import SHORT_LOOK, answer, fleet_of

from slopekit.fleet.settings import AUTO_ZONE_M2, ZoneSettings
from slopekit.schema.as_text import is_spot
from slopekit.sources.elevation import open_elevation

pytestmark = pytest.mark.reference

GROUND = Path(__file__).parents[1] / "data" / "ground"
README = Path(__file__).parents[2] / "README.md"
TWO = {"dry": {"friction": 0.35, "limit_factor": 1.0}, "wet": {"friction": 0.2, "limit_factor": 0.8}}
MARGIN = 110.0
"""Of the grid round the parcels: a run of 60 m, and the ground that tells of a drop there."""


@pytest.mark.parametrize("side", [100.0, 195.0])
@pytest.mark.parametrize(
    ("name", "most", "step"), [("village_scarp_1m", 6.0, 150.0), ("farmland_channel_1m", 4.0, 90.0)]
)
def test_zones_are_few_and_nothing_is_less_restricted(name: str, most: float, step: float, side: float) -> None:
    elevation = open_elevation([GROUND / f"{name}.tif"])
    fleet = fleet_of(conditions=TWO, settings={**SHORT_LOOK, "zones": {"min_zone_m2": "auto"}})
    west, south, east, north = elevation.survey.grid.bounds
    moved, met, count = [], set(), []
    for x in np.arange(west + MARGIN, east - MARGIN - side, step):
        for y in np.arange(south + MARGIN, north - MARGIN - side, step):
            found = answer(elevation, shapely.box(x, y, x + side, y + side), fleet)
            zones = found.zones[~found.zones.zone_id.map(is_spot).to_numpy(bool)]
            assert len(zones) <= most * side * side / 1e4
            before, after = found.raw_class()[found.inside], found.final_class()[found.inside]
            assert (after >= before).all()
            moved.append((after > before).mean())
            count.append(len(zones))
            met |= set(zones.machine_class)
    share = 100.0 * float(np.mean(moved))
    print(f"{name}, {side * side / 1e4:.1f} ha: {np.mean(count):.1f} zones, at most {max(count)}; {share:.1f} % moved")
    assert len(moved) >= 4
    if name.startswith("village"):
        assert {"ride-on", "walk-behind", "hand crew"} <= met
        told = re.search(r"moves (\d+) % of the area", README.read_text(encoding="utf-8"))
        assert told and round(share) == int(told[1])
    else:
        assert share < 1.0


def test_the_least_area_goes_by_the_parcel_alone() -> None:
    auto = ZoneSettings(min_zone_m2="auto")
    least, part, most = AUTO_ZONE_M2
    assert auto.least_m2(100.0) == least and auto.least_m2(1e6) == most
    assert auto.least_m2(5_000.0) == pytest.approx(part * 5_000.0)
    areas = np.linspace(0.0, 5e4, 200)
    assert (np.diff([auto.least_m2(area) for area in areas]) >= 0.0).all()
    assert ZoneSettings(min_zone_m2=70.0).least_m2(1e6) == 70.0
