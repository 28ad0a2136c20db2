"""The golden ground turned and mirrored: the answer turns with it."""

from pathlib import Path

import pytest
import shapely
from golden_ground import (
    GOLDEN_WIDTHS,
    golden_entrances,
    golden_fleet,
    golden_heights,
    golden_parcel,
    turned,
    turned_back,
    turned_shape,
)
from ground_maker import Answer, answer, elevation_of

from slopekit.schema.reasons import REASON_CODES
from slopekit.sources.layers import Layer, Layers

pytestmark = pytest.mark.property

KEYS = ["machine_class", "way", "reason", "permitted", "permitted_dry", "permitted_wet"]


def golden(folder: Path, way: int) -> Answer:
    elevation = elevation_of(folder / f"golden_{way}.tif", turned(golden_heights(), way))
    shapes = [turned_shape(shape, way) for shape in golden_entrances()]
    layers = Layers(entrances=Layer.of("entrances", shapes, widths=GOLDEN_WIDTHS))
    return answer(elevation, turned_shape(golden_parcel(), way), golden_fleet(), layers)


@pytest.fixture(scope="module")
def upright(tmp_path_factory: pytest.TempPathFactory) -> Answer:
    return golden(tmp_path_factory.mktemp("golden"), 0)


def test_golden_ground_holds_what_the_turns_should_test(upright: Answer) -> None:
    a = upright
    met = {code for code in REASON_CODES if any(a.refused(m, code)[a.inside].any() for m in a.fleet.machines)}
    # No layer but the entrances is given, so no road, trees or missing limit; the ground has no void near the parcel.
    assert met == set(REASON_CODES) - {"above_hazard", "low_clearance", "no_limit_given", "no_go", "unknown_ground"}
    # The ride-on does not fit through the gates and the frontage lets it in; much ground is reached and some is not.
    lost = a.refused("ride_on", "no_route")[a.inside]
    assert 20 < lost.sum() < 0.5 * a.raw("ride_on")[a.inside].sum()
    assert len(a.records["routes"]) > 5 and len(a.records["starts"]) > 5
    hazards = a.window.hazards
    assert hazards.flat.any() and hazards.crest.any() and a.window.floors.wet.any()
    assert {"either", "up-and-down"} <= set(a.zones.way)
    assert {"ride-on", "walk-behind", "hand crew", "none"} == set(a.zones.machine_class)


@pytest.mark.parametrize("way", range(1, 8))
def test_turned_ground_has_the_same_answer(upright: Answer, tmp_path: Path, way: int) -> None:
    a = golden(tmp_path, way)
    assert (turned_back(a.inside, way) == upright.inside).all()
    for n, pair in enumerate(a.verdict.pairs):
        assert (turned_back(a.verdict.reasons[n], way) == upright.verdict.reasons[n]).all(), pair
        # Which way across the face is does not turn with the ground.
        assert (turned_back(a.verdict.ways[n], way) == upright.verdict.ways[n]).all(), pair
    areas, wanted = (x.zones.groupby("machine_class").plan_m2.sum() for x in (a, upright))
    assert areas.to_dict() == pytest.approx(wanted.to_dict(), abs=1e-6)
    assert len(a.zones) == len(upright.zones)
    routes, wanted_routes = (
        sorted((r["machine"], r["direction"], round(r["weighted_length_m"], 6)) for r in x.records["routes"])
        for x in (a, upright)
    )
    assert routes == wanted_routes
    groups, wanted_groups = dict(list(a.zones.groupby(KEYS))), dict(list(upright.zones.groupby(KEYS)))
    assert groups.keys() == wanted_groups.keys()
    for key, rows in groups.items():
        back = turned_shape(shapely.union_all(rows.geometry), way, undo=True)
        apart = shapely.symmetric_difference(back, shapely.union_all(wanted_groups[key].geometry))
        assert apart.area < 1e-6, key
