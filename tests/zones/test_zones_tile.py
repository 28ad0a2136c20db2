"""Zones tile the parcel, and no cell of a zone lacks what the zone permits."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
import shapely.affinity
from golden_ground import golden_fleet, golden_heights, golden_parcel
from ground_maker import NORTH, WEST, Answer, answer, box, elevation_of, permits, tiling_faults, touched

from slopekit.fleet.model import Fleet
from slopekit.permits.judge import ACROSS, UP_DOWN
from slopekit.schema.classes import MACHINE_CLASSES
from slopekit.screening.batch import screen
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.parcels import Parcel

pytestmark = pytest.mark.property

NO_LAYERS = Layers()
EXCLUDED = Layers(
    exclude=Layer.of(
        "exclude",
        [
            box(100.3, 90.2, 9.4, 17.7),
            shapely.Point(WEST + 150.0, NORTH - 140.0).buffer(8.0),
            # One that crosses the parcel's edge, and one inside another.
            box(60.0, 130.0, 40.0, 3.3),
            box(102.0, 95.0, 3.0, 3.0),
        ],
    )
)
FIELD = box(88.0, 90.0, 60.0, 60.0)
PARCELS: dict[str, shapely.Geometry] = {
    "parts and a hole": golden_parcel(),
    "on the cells' edges": FIELD,
    "off the cells' edges": shapely.transform(FIELD, lambda xy: xy + [0.37, 0.61]),
    "turned": shapely.Polygon([(WEST + c, NORTH - r) for c, r in [(90, 120), (130, 88), (171, 131), (124, 169)]]),
    "narrower than a cell": shapely.LineString([(WEST + 90, NORTH - 90), (WEST + 180, NORTH - 163)]).buffer(0.31),
    "smaller than a cell": shapely.Point(WEST + 120.4, NORTH - 140.3).buffer(0.2),
    "many holes": shapely.difference(
        FIELD, shapely.union_all([shapely.Point(x, y).buffer(2.3) for x in range(int(WEST) + 92, int(WEST) + 145, 9)
                                  for y in range(int(NORTH) - 146, int(NORTH) - 92, 9)])
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def golden(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    z = golden_heights()
    z[128:131, 120:124] = np.nan
    return elevation_of(tmp_path_factory.mktemp("golden") / "golden.tif", z, z_rmse_m=0.05)


def fleets() -> dict[str, Fleet]:
    return {
        "by class": golden_fleet(),
        "by machines": golden_fleet(zones={"split_by": "machines"}),
        "nothing joined": golden_fleet(zones={"min_zone_m2": 0.0}),
        "much joined": golden_fleet(zones={"min_zone_m2": 600.0}),
    }


def check_permits(a: Answer) -> None:
    """No zone permits on any cell that it touches a machine, or a way of working, that the cell's verdict lacks."""
    ways = dict(zip(a.verdict.pairs, a.verdict.ways, strict=True))
    needed = {"either": ACROSS | UP_DOWN, "across": ACROSS, "up-and-down": UP_DOWN, "differs by machine": 0}
    for machine, condition in a.verdict.pairs:
        members = a.zones[permits(a.zones, machine, condition)]
        cells = touched(members.geometry, a.grid)
        assert not (cells & ~a.raw(machine, condition)).any(), (machine, condition)
    for zone in a.zones.itertuples():
        cells = touched([zone.geometry], a.grid)
        in_all = [
            m
            for m in a.fleet.machines
            if all(m in getattr(zone, f"permitted_{c}").split(",") for c in a.fleet.conditions)
        ]
        assert ",".join(in_all) == zone.permitted
        classes = [a.fleet.machines[m].machine_class for m in in_all]
        if zone.machine_class != "excluded":
            assert zone.machine_class == min(classes, key=MACHINE_CLASSES.index, default="none")
        for machine, machine_class in zip(in_all, classes, strict=True):
            if machine_class == zone.machine_class:
                for condition in a.fleet.conditions:
                    lacking = needed[zone.way] & ~ways[machine, condition][cells]
                    assert not lacking.any(), (zone.zone_id, machine, condition)


@pytest.mark.parametrize("layers", [NO_LAYERS, EXCLUDED], ids=["all of it", "with excluded ground"])
@pytest.mark.parametrize("fleet", fleets().values(), ids=fleets())
@pytest.mark.parametrize("shape", PARCELS.values(), ids=PARCELS)
def test_zones_tile_and_permit_nothing_new(
    golden: Elevation, shape: shapely.Geometry, fleet: Fleet, layers: Layers
) -> None:
    a = answer(golden, shape, fleet, layers)
    assert tiling_faults(a.zones, shape) == []
    assert a.zones.zone_id.is_unique and (a.zones.plan_m2 > 0.0).all()
    check_permits(a)
    excluded = a.zones[a.zones.machine_class == "excluded"]
    if layers.exclude is None:
        assert excluded.empty
    else:
        left_out = shapely.intersection(shape, shapely.union_all(layers.exclude.geometries))
        assert excluded.geometry.area.sum() == pytest.approx(left_out.area, abs=1e-6)
        assert set(excluded.permitted) <= {""}


def test_missing_ground_permits_nobody(golden: Elevation) -> None:
    a = answer(golden, FIELD, golden_fleet())
    void = np.isnan(a.ground.limit_deg) & a.inside
    assert void.sum() >= 12
    zones = a.over(void)
    assert set(zones.machine_class) == {"none"} and all("unknown_ground" in r.split(",") for r in zones.reasons)


def test_tiling_faults_are_found() -> None:
    # The checks above must be able to fail.
    half, rest, lapping = box(0, 0, 5, 10), box(5, 0, 5, 10), box(4.9, 0, 5.1, 10)

    def faults(*shapes: shapely.Polygon) -> list[str]:
        rows: list[dict[str, Any]] = [
            {"zone_id": f"z{n}", "plan_m2": g.area, "geometry": g} for n, g in enumerate(shapes)
        ]
        return tiling_faults(gpd.GeoDataFrame(rows, geometry="geometry"), box(0, 0, 10, 10))

    assert faults(half, rest) == []
    assert len(faults(half)) == 3
    assert any("share" in fault for fault in faults(half, lapping))
    bow = shapely.Polygon([(WEST, NORTH), (WEST + 10, NORTH - 10), (WEST + 10, NORTH), (WEST, NORTH - 10)])
    assert any("valid" in fault for fault in faults(bow))


def test_parcel_table_adds_up(golden: Elevation, tmp_path: Path) -> None:
    parcels = [Parcel(name, shape) for name, shape in PARCELS.items()]
    tables = screen(golden, parcels, golden_fleet(), EXCLUDED, workers=1)
    zones = tables["zones"]
    columns = {c: c.replace("-", "_").replace(" ", "_") + "_m2" for c in (*MACHINE_CLASSES, "none", "excluded")}
    assert tables["parcels"].parcel_id.tolist() == list(PARCELS)
    for row, parcel in zip(tables["parcels"].itertuples(), parcels, strict=True):
        own = zones[zones.parcel_id == parcel.id]
        assert row.plan_m2 == pytest.approx(parcel.geometry.area, rel=1e-9)
        assert sum(getattr(row, c) for c in columns.values()) == pytest.approx(row.plan_m2, rel=1e-6)
        for code, column in columns.items():
            area = own.geometry[own.machine_class == code].area.sum()
            assert getattr(row, column) == pytest.approx(area, rel=1e-9, abs=1e-9)
        assert row.zones + row.spots == len(own)
        assert row.surface_m2 >= row.plan_m2 * (1.0 - 1e-9) or np.isnan(row.surface_m2)
        judged = own[own.machine_class != "excluded"]
        if len(judged):
            mean = np.average(judged.marginal_share, weights=judged.plan_m2)
            assert row.marginal_share == pytest.approx(mean, rel=1e-9)


REAL = ["village_scarp_1m", "embankment_2m", "farmland_channel_1m", "kettle_ground"]


def check_real(elevation: Elevation) -> None:
    """Round and slanted parcels all over a grid, its corners too, where the ground ends."""
    grid = elevation.survey.grid
    random = np.random.default_rng(11)
    fleet = golden_fleet(runout={"look_m": 150.0})
    inside = shapely.box(*grid.bounds)
    centres = [grid.centre(3, 3), grid.centre(grid.height - 4, grid.width - 4)]
    centres += [grid.centre(*random.uniform((0, 0), grid.shape)) for _ in range(6)]
    met = set()
    for n, (x, y) in enumerate(centres):
        blob = shapely.Point(x, y).buffer(random.uniform(20.0, 55.0), quad_segs=2 + n)
        shape = shapely.intersection(shapely.affinity.skew(blob, 20.0 * n), inside)
        a = answer(elevation, shape, fleet)
        assert tiling_faults(a.zones, shape) == []
        check_permits(a)
        check_seated(a)
        met |= set(a.zones.machine_class)
    assert {"ride-on", "none"} <= met


def check_seated(a: Answer) -> None:
    """Nobody sits on a machine where a hazard is, or below which one lies, or where nothing is known."""
    hazards, view = a.window.hazards, a.window.surface.grid.covering(a.grid.bounds).slices
    refused = (hazards.water | hazards.drop | hazards.other | hazards.stand_off)[view] | np.isnan(a.ground.limit_deg)
    still = a.fleet.runout.still_head_m
    for head in a.ground.heads.values():
        refused |= (head <= still).all(axis=0)
    for condition in a.fleet.conditions:
        seated = a.zones.geometry[permits(a.zones, "ride_on", condition)]
        assert not (touched(seated, a.grid) & refused).any()


@pytest.mark.parametrize("name", REAL)
def test_real_ground(open_data: Callable[[str], Path], name: str) -> None:
    check_real(open_elevation([open_data(f"{name}.tif")]))
