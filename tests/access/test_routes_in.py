"""Routes in, end to end: made ground, an entrance, and what becomes of the machines.

Ground, machines and figures are invented; what must come out follows from the drawing of each case.
"""

from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from golden_ground import GOLDEN_WIDTHS, golden_entrances, golden_fleet, golden_heights, golden_parcel
from ground_maker import NORTH, SHORT_LOOK, WEST, Answer, answer, box, elevation_of, fleet_of

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.permits.judge import BIT, judge
from slopekit.screening.batch import screen
from slopekit.screening.ground import read_ground
from slopekit.sources.elevation import Elevation
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.parcels import Parcel

pytestmark = pytest.mark.property

LAWN = box(100.0, 100.0, 40.0, 40.0)
ALL = ("ride_on", "stand_on", "walk_behind", "crew")


def point(col: float, row: float) -> shapely.Point:
    return shapely.Point(WEST + col, NORTH - row)


def doors(*shapes: shapely.Geometry, width: float | None = None) -> Layer:
    return Layer.of("entrances.gpkg", shapes, widths=[np.nan if width is None else width] * len(shapes))


def fleet(**machines: Any) -> Fleet:
    return fleet_of(settings=SHORT_LOOK, **machines)


@pytest.fixture(scope="module")
def lawn(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    # Falls 3 % to the south and 1 % to the east; level ground would be taken for water.
    row, col = np.mgrid[:240, :240]
    return elevation_of(tmp_path_factory.mktemp("lawn") / "lawn.tif", 100.0 - 0.03 * row - 0.01 * col)


@pytest.fixture(scope="module")
def golden(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    return elevation_of(tmp_path_factory.mktemp("golden") / "golden.tif", golden_heights())


def without_a_route(a: Answer, machine: str, condition: str = "dry") -> np.ndarray:
    return a.refused(machine, "no_route", condition) & a.inside


def test_without_entrances_nothing_is_refused_for_want_of_a_way(lawn: Elevation) -> None:
    a = answer(lawn, LAWN, fleet())
    assert (a.verdict.reasons == judge(a.ground, a.fleet).reasons).all()
    assert a.records["routes"] == [] and "Not assessed: routes in" in a.records["parcels"][0]["note"]
    tables = screen(lawn, [Parcel("p", LAWN)], fleet())
    assert tables["routes"].empty and tables["run_notes"].value.str.startswith("Routes in for machines").any()
    assert set(tables["routes"].columns) >= {"direction", "entrance", "weighted_length_m", "geometry"}


@pytest.mark.parametrize(("width", "kept"), [(1.6, ALL), (1.4, ALL[1:]), (1.0, ALL[2:]), (0.5, ALL[3:])])
def test_a_gate_too_narrow_for_a_machine(lawn: Elevation, width: float, kept: tuple[str, ...]) -> None:
    # Working widths: ride-on 1.5 m, stand-on 1.2 m, walk-behind 0.9 m; the crew goes through any gate.
    a = answer(lawn, LAWN, fleet(), Layers(entrances=doors(point(99.0, 120.0), width=width)))
    for machine in ALL:
        lost = without_a_route(a, machine)
        assert (lost == (a.inside & (machine not in kept))).all(), machine
    (zone,) = a.zones.itertuples()
    assert zone.permitted == ",".join(kept) and zone.way == "either"
    assert zone.reason == ("" if len(kept) == 4 else "no_route")
    if len(kept) < 4:
        assert "there is no way in and out from an entrance" in zone.note
    (notes,) = (r["note"] for r in a.records["parcels"])
    assert "Routes in are judged from entrance 1." in notes and "routes in for machines" not in notes


@pytest.mark.parametrize(("away", "leads"), [(4.9, True), (5.1, False)])
def test_an_entrance_within_reach_leads_in(lawn: Elevation, away: float, leads: bool) -> None:
    a = answer(lawn, LAWN, fleet(), Layers(entrances=doors(point(100.0 - away, 120.5))))
    assert without_a_route(a, "ride_on").any() != leads
    if not leads:
        assert set(a.zones.machine_class) == {"none"} and set(a.zones.reason) == {"no_route"}
        assert "No entrance lies within 5 m of it" in a.records["parcels"][0]["note"]
        assert all(without_a_route(a, machine).sum() == a.inside.sum() for machine in ALL)


def test_an_entrance_on_refused_ground_is_told(lawn: Elevation) -> None:
    layers = Layers(water=Layer.of("water", [box(90, 110, 16, 20)]), entrances=doors(point(100, 120), point(120, 100)))
    note = answer(lawn, LAWN, fleet(), layers).records["parcels"][0]["note"]
    assert "from entrances 1, 2. Entrance 1 lets nobody in: look at the ground there." in note


def test_an_island_behind_water(lawn: Elevation) -> None:
    ditch = Layer.of("water", [box(118, 90, 4, 60)])
    a = answer(lawn, LAWN, fleet(), Layers(water=ditch, entrances=doors(point(100, 120))))
    col = np.arange(a.grid.width) + (a.grid.west - WEST)
    for machine in ALL:
        lost = without_a_route(a, machine)
        assert not lost[:, col < 118].any()
        assert (lost == (a.raw(machine) | lost) & a.inside & (col > 121)).all() and lost.sum() > 500
    # A frontage along the top reaches both sides.
    frontage = shapely.LineString([(WEST + 100, NORTH - 99), (WEST + 140, NORTH - 99)])
    both = answer(lawn, LAWN, fleet(), Layers(water=ditch, entrances=doors(frontage)))
    assert not any(without_a_route(both, machine).any() for machine in ALL)


def test_excluded_ground_is_crossed_where_it_may_be_driven_on(lawn: Elevation) -> None:
    path, part = Layer.of("exclude", [box(118, 90, 4, 60)]), Layer.of("drives.gpkg", [box(118, 112, 4, 3)])
    closed = answer(lawn, LAWN, fleet(), Layers(exclude=path, entrances=doors(point(100, 120))))
    assert without_a_route(closed, "ride_on").sum() > 600 and without_a_route(closed, "crew").sum() > 600
    opened = answer(lawn, LAWN, fleet(), Layers(exclude=path, drives=part, entrances=doors(point(100, 120))))
    assert not any(without_a_route(opened, machine).any() for machine in ALL)
    # Every other reason counts there too.
    road = Layer.of("hazards", [box(118, 90, 4, 60)], ["road"])
    layers = Layers(exclude=path, drives=part, hazards=road, entrances=doors(point(100, 120)))
    assert without_a_route(answer(lawn, LAWN, fleet(), layers), "crew").sum() > 600


def test_ways_do_not_cross_the_neighbours_ground(lawn: Elevation) -> None:
    two = shapely.MultiPolygon([box(100, 100, 18, 40), box(122, 100, 18, 40)])
    a = answer(lawn, two, fleet(), Layers(entrances=doors(point(100, 120))))
    col = np.arange(a.grid.width) + (a.grid.west - WEST)
    for machine in ALL:
        assert (without_a_route(a, machine) == a.inside & (col >= 122)).all()


@pytest.fixture(scope="module")
def terraces(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    """Two lawns, and between them from row 115 to 127 a face of 25 % (14.0 degrees) that falls to the south."""
    row, col = np.mgrid[:240, :240]
    z = 100.0 - 0.03 * row - 0.01 * col - 0.22 * np.clip(row - 115.0, 0.0, 12.0)
    return elevation_of(tmp_path_factory.mktemp("terraces") / "terraces.tif", z)


def test_a_machine_that_goes_down_but_not_up(terraces: Elevation) -> None:
    # The upper one lies near the face, so that the route in is that way.
    above, below = point(120, 108), point(120, 140)
    machines: dict[str, Any] = {
        "stand_on": {"across_deg": 10.0, "up_down_deg": 10.0},
        "walk_behind": {"across_deg": 16.0, "up_down_deg": 5.0, "cross_up_deg": 5.0, "cross_down_deg": 16.0},
    }
    row = {}
    for name, entrances in (("top", [above]), ("both", [above, below])):
        a = answer(terraces, LAWN, fleet(**machines), Layers(entrances=doors(*entrances)))
        row[name] = np.flatnonzero(without_a_route(a, "walk_behind").any(axis=1)) + round(NORTH - a.grid.north)
        assert not without_a_route(a, "crew").any()
        if name == "both":
            out = [r for r in a.records["routes"] if r["machine"] == "walk_behind" and r["direction"] == "out"]
            assert out and {r["entrance"] for r in out} == {2}
            assert all(r["geometry"].coords[-1][1] < r["geometry"].coords[0][1] for r in out)
    assert row["both"].size == 0
    # All that lies so far down the face that no way leads up again.
    assert row["top"].max() == 139 and 113 <= row["top"].min() <= 118
    free = answer(
        terraces, LAWN, fleet(walk_behind={"across_deg": 16.0, "up_down_deg": 16.0}), Layers(entrances=doors(above))
    )
    assert not without_a_route(free, "walk_behind").any()


def test_a_machine_held_to_up_and_down_gets_to_both_lawns(terraces: Elevation) -> None:
    only = {"class": "walk-behind", "width_m": 0.9, "speed_kmh": 4.0, "up_down_deg": 16.0, "ground_pressure_kpa": 20.0}
    a = answer(terraces, LAWN, fleet(straight=only), Layers(entrances=doors(point(120, 100))))
    assert a.raw("straight")[a.inside].all()


def test_lines_begin_at_entrances_end_in_zones_and_cross_nothing_refused(golden: Elevation) -> None:
    shapes = golden_entrances()
    a = answer(golden, golden_parcel(), golden_fleet(), Layers(entrances=Layer.of("e", shapes, widths=GOLDEN_WIDTHS)))
    barred = sum(int(BIT[c]) for c in BIT if c not in ("slope", "narrow", "no_route"))
    routes = a.records["routes"]
    assert len(routes) > 5 and {r["direction"] for r in routes} >= {"in"}
    shape_of = dict(zip(a.zones.zone_id, a.zones.geometry, strict=True))
    ended = 0
    for route in routes:
        xy = shapely.get_coordinates(shapely.segmentize(route["geometry"], 0.2))
        cells = np.array([a.grid.cell_at(*place) for place in xy])
        at = tuple(cells.T)
        assert (a.reasons(route["machine"], route["condition"])[at] & barred == 0).all()
        assert not a.ground.drop[at].any()
        assert shapely.dwithin(a.parcel.geometry, route["geometry"].boundary, 1.5)
        begin, end = xy[0], xy[-1]
        if route["direction"] == "out":
            begin, end = end, begin
        # An entrance leads to the nearest cells, and the machine's middle stands at most so far from one.
        width = a.fleet.machines[route["machine"]].width_m or 0.0
        far = shapely.distance(shapes[route["entrance"] - 1], shapely.Point(begin))
        assert far <= 5.0 + np.sqrt(2.0) * (width / 2.0 + 1.0)
        ended += shapely.dwithin(shape_of[route["zone_id"]], shapely.Point(end), 1e-9)
        assert shapely.distance(shape_of[route["zone_id"]], shapely.Point(end)) < 2.0
        assert route["length_m"] == pytest.approx(route["geometry"].length)
        assert route["weighted_length_m"] >= route["length_m"] - 1e-9
    assert ended > 0.8 * len(routes)


def test_more_entrances_never_refuse_more_and_none_permits_more_than_the_rules(golden: Elevation) -> None:
    rng = np.random.default_rng(8)
    ring = golden_parcel().geoms[0].exterior
    places = [ring.interpolate(d) for d in rng.uniform(0.0, ring.length, 6)]
    before: np.ndarray | None = None
    lost = []
    for count in (1, 3, 6):
        a = answer(golden, golden_parcel(), golden_fleet(), Layers(entrances=doors(*places[:count])))
        refused = a.verdict.reasons & BIT["no_route"] != 0
        assert ((a.verdict.reasons & ~BIT["no_route"]) == judge(a.ground, a.fleet).reasons).all()
        # Only what was permitted is refused for want of a way, and no way of working is left there.
        assert (a.verdict.reasons[refused] == BIT["no_route"]).all() and (a.verdict.ways[refused] == 0).all()
        if before is not None:
            assert not (refused & ~before).any()
        before = refused
        lost.append(int(refused.sum()))
    assert lost[0] > lost[-1]


def test_bad_entrances_are_told_in_one_sentence(lawn: Elevation) -> None:
    parcels = [Parcel("a", LAWN), Parcel("b", box(150, 100, 10, 10))]
    with pytest.raises(
        InputError, match=r"^entrances\.gpkg: no entrance in it lies within 5 m of any parcel, so check"
    ) as told:
        screen(lawn, parcels, fleet(), Layers(entrances=doors(point(120, 94.9), point(500, 100))))
    assert str(told.value).count(". ") == 0 and "routes.entrance_reach_m" in str(told.value)
    with pytest.raises(InputError, match=r"^drives\.gpkg: .* so give --entrances too\.$"):
        screen(lawn, parcels, fleet(), Layers(drives=Layer.of("drives.gpkg", [LAWN])))
    # Near one parcel alone is no fault: the other one's note tells it.
    tables = screen(lawn, parcels, fleet(), Layers(entrances=doors(point(120, 100))))
    one, other = tables["parcels"].note
    assert "from entrance 1" in one and "No entrance lies within 5 m" in other
    assert set(tables["zones"][tables["zones"].parcel_id == "b"].machine_class) == {"none"}
    assert isinstance(tables["routes"], pd.DataFrame) and not tables["run_notes"].value.str.contains("Routes in").any()


def test_what_else_was_read_does_not_matter(golden: Elevation) -> None:
    layers = Layers(entrances=Layer.of("e", golden_entrances(), widths=GOLDEN_WIDTHS))
    wide = read_ground(golden, [golden_parcel().buffer(40.0)], golden_fleet())
    near, far = (answer(golden, golden_parcel(), golden_fleet(), layers, ground).records for ground in (None, wide))
    for name in ("zones", "routes", "starts", "directions"):
        one, two = (pd.DataFrame(found[name]).astype(object) for found in (near, far))
        pd.testing.assert_frame_equal(one.where(one.notna(), None), two.where(two.notna(), None), check_exact=True)
    assert len(near["routes"]) > 5
