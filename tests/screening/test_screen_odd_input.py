"""Odd input that must be screened all the same: voids, slivers, strange ids, big fleets. One run for many parcels."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from command_line import Runner, assert_done
from fault_site import HEAD, WALK_BEHIND, Site, at, gentle, lot, write_grid, write_shapes
from shapely import LineString, Polygon
from shapely.geometry import Point

pytestmark = pytest.mark.fault

ROWS, COLS = 120, 200
VOID = (slice(30, 40), slice(30, 40))
CLASS_AREAS = ["ride_on_m2", "stand_on_m2", "walk_behind_m2", "remote_controlled_m2", "hand_crew_m2", "none_m2"]

PARCELS: dict[str, Polygon] = {
    "void": lot(20, 20, 30, 30),
    "half outside": lot(190, 40, 20, 20),
    "spike": Polygon([at(150, 20), at(180, 20), at(180, 40), at(240, 40.2), at(150, 40.4)]),
    "circle": Point(at(80, 40)).buffer(15.0, quad_segs=256),
    "ten": lot(110, 20, 5, 2),
    "speck": lot(120.3, 20.3, 0.4, 0.4),
    "thread": lot(110, 30, 30, 0.05),
    "built on": lot(110, 40, 20, 10),
    "partly built on": lot(110, 60, 20, 10),
    "Grüne Wiese/三 \"A\", 'b'": lot(20, 70, 20, 10),
    "../x": lot(50, 70, 20, 10),
    ".._x": lot(80, 70, 20, 10),
    "a": lot(20, 90, 10, 10),
    "A": lot(40, 90, 10, 10),
    "a_limit": lot(60, 90, 10, 10),
    "long," * 60: lot(80, 90, 10, 10),
    "7": lot(110, 90, 10, 10),
}


@dataclass
class Result:
    folder: Path
    zones: gpd.GeoDataFrame
    parcels: gpd.GeoDataFrame

    def of(self, parcel: str) -> gpd.GeoDataFrame:
        return self.zones[self.zones.parcel_id == parcel]


@pytest.fixture(scope="module")
def result(run: Runner, tmp_path_factory: pytest.TempPathFactory) -> Result:
    folder = tmp_path_factory.mktemp("odd")
    z = gentle(ROWS, COLS)
    z[VOID] = np.nan
    z[31, 31] = np.inf
    z[32, 32] = -np.inf
    site = Site.make(folder)
    write_grid(folder / "ground.tif", z)
    write_shapes(folder / "parcels.gpkg", list(PARCELS.values()), name=list(PARCELS))
    write_shapes(folder / "exclude.gpkg", [lot(105, 35, 30, 20), lot(115, 60, 30, 20)])
    far = {f"{name}.gpkg": lot(90_000, 90_000, 9, 9) for name in ("water", "hazards", "dry", "soft", "canopy")}
    for name, shape in far.items():
        write_shapes(folder / name, [shape])
    write_shapes(folder / "walls.gpkg", [LineString([at(90_000, 90_000), at(90_009, 90_000)])])
    layers = {name: f"{name}.gpkg" for name in ("water", "walls", "hazards", "dry", "exclude", "soft", "canopy")}
    more = ["--id-column", "name", "--rasters", "inside/rasters", "--report", "report.json", "--workers", "1"]
    assert_done(run(site.line(*more, **layers), folder))
    return Result(folder, *(gpd.read_file(site.out, layer=layer) for layer in ("zones", "parcels")))


def test_every_parcel_is_tiled_by_its_zones(result: Result) -> None:
    # Areas of the parcels as drawn; GEOS does the sums.
    assert list(result.parcels.parcel_id) == list(PARCELS)
    for name, shape in PARCELS.items():
        zones = result.of(name)
        assert zones.geometry.is_valid.all(), name
        assert zones.plan_m2.sum() == pytest.approx(shape.area, rel=1e-3, abs=1e-3), name
        assert shapely.union_all(zones.geometry).symmetric_difference(shape).area < 1e-3 * shape.area + 1e-3, name


def test_ground_without_heights_is_permitted_to_nobody(result: Result) -> None:
    holes = {
        "void": lot(30, 30, 10, 10),
        "half outside": lot(200, 40, 10, 20),
        "spike": PARCELS["spike"].intersection(lot(200, 0, 100, 100)),
    }
    for name, hole in holes.items():
        zones = result.of(name)
        unknown = zones[zones.reason == "unknown_ground"]
        missed = hole.difference(shapely.union_all(unknown.geometry)).area
        assert missed < 1e-6, f"{name}: {missed} m2 without heights are not unknown ground"
        assert (unknown.machine_class == "none").all()
        assert (unknown.permitted.fillna("") == "").all()
        told = result.parcels.set_index("parcel_id").loc[name]
        assert told.unknown_m2 >= hole.area - 1e-6
    # The void does not spread over the parcel: on this even ground only paths that end in it are unknown.
    assert result.of("circle").machine_class.eq("walk-behind").all()


def test_ground_that_is_wholly_excluded(result: Result) -> None:
    (row,) = result.of("built on").itertuples()
    assert (row.machine_class, row.permitted or "") == ("excluded", "")
    parcel = result.parcels.set_index("parcel_id").loc["built on"]
    assert parcel.excluded_m2 == pytest.approx(200.0)
    assert sum(parcel[name] for name in CLASS_AREAS) == 0.0
    partly = result.of("partly built on").set_index("machine_class").plan_m2
    assert partly["excluded"] == pytest.approx(150.0)


def test_rasters_stay_in_their_folder_and_each_has_its_own(result: Result) -> None:
    folder = result.folder / "inside" / "rasters"
    files = sorted(path for path in result.folder.rglob("*.tif") if path.name != "ground.tif")
    assert {path.parent for path in files} == {folder}
    fields = ("aspect", "hazard", "machine_slope", "slope", "speed_to_hazard")
    assert len(files) == len(PARCELS) * len(fields)
    # Some file systems ignore case.
    assert len({path.name.casefold() for path in files}) == len(files)
    # Which parcel a file belongs to shows in where it lies: every parcel has one slope round its centre.
    slopes = [
        path for path in files if path.name.endswith("_slope.tif") and not path.name.endswith("machine_slope.tif")
    ]
    assert len(slopes) == len(PARCELS)
    centres = []
    for path in slopes:
        with rasterio.open(path) as file:
            bounds = file.bounds
        centres.append(((bounds.left + bounds.right) / 2, (bounds.bottom + bounds.top) / 2))
    for name, shape in PARCELS.items():
        middle = shapely.box(*shape.bounds).centroid
        assert any(np.hypot(x - middle.x, y - middle.y) < 2.0 for x, y in centres), name


def test_ids_come_back_as_they_were(result: Result) -> None:
    report = json.loads((result.folder / "report.json").read_text(encoding="utf-8"))
    assert [row["parcel_id"] for row in report["parcels"]] == list(PARCELS)
    assert {row["parcel_id"] for row in report["zones"]} == set(result.zones.parcel_id) == set(PARCELS)


def machines(count: int, kind: str = "walk-behind") -> str:
    text = WALK_BEHIND.replace("walk-behind", kind)
    if kind == "ride-on":
        text = text.replace("above_hazard = false\n", "")
    # Limits from 2 degrees upward, so that machines differ over the ground.
    return "".join(
        text.replace("[machines.m1]", f"[machines.m{n}]").replace("15.0", f"{2.0 + 0.25 * n}") for n in range(count)
    )


CONDITIONS = (
    HEAD
    + "[conditions.damp]\nfriction = 0.25\nlimit_factor = 0.8\n"
    + ("[conditions.wet]\nfriction = 0.2\nlimit_factor = 0.5\n")
)


def zones_of(run: Runner, site: Site, fleet: str) -> gpd.GeoDataFrame:
    (site.folder / "fleet.toml").write_text(fleet)
    assert_done(run(site.line("--quiet"), site.folder))
    return gpd.read_file(site.out, layer="zones")


def test_more_machines_and_conditions_than_a_word_has_bits(run: Runner, site: Site) -> None:
    zones = zones_of(run, site, CONDITIONS + machines(70))
    assert zones.plan_m2.sum() == pytest.approx(800.0)
    for condition, factor in (("dry", 1.0), ("damp", 0.8), ("wet", 0.5)):
        for zone in zones.itertuples():
            named = {name for name in (getattr(zone, f"permitted_{condition}") or "").split(",") if name}
            # Reducing a limit by the condition's factor is the fleet file's own rule; the steepest cell decides.
            may = {f"m{n}" for n in range(70) if (2.0 + 0.25 * n) * factor >= zone.machine_slope_max_deg}
            assert may <= named, f"{condition}: {sorted(may - named)}"
            never = {f"m{n}" for n in range(70) if (2.0 + 0.25 * n) * factor < zone.slope_mean_deg - 2.5}
            assert not named & never
    assert zones.permitted_wet.str.count(",").max() > 20


@pytest.mark.parametrize(
    ("fleet", "classes"),
    [
        (HEAD + machines(1).replace("2.0", "15.0"), {"walk-behind"}),
        # The ground ends 20 to 40 m below. At 4.6 degrees a machine at 4 km/h stops before that (arithmetic:
        # a loss of 0.14 m a metre, of which the ground gives 0.08 back); 2.46 m of head, 25 km/h, last 40 m.
        (HEAD + machines(4, "ride-on").replace("2.0", "15.0"), {"ride-on"}),
        (HEAD + machines(4, "ride-on").replace("2.0", "15.0").replace("4.0", "25.0"), {"none"}),
        (HEAD + machines(1).replace("across_deg = 2.0\n", ""), {"none"}),
        (HEAD + '[machines.crew]\nclass = "hand crew"\n', {"none"}),
    ],
    ids=["one machine", "one class", "one fast class", "a blank limit", "no limits at all"],
)
def test_small_fleets(run: Runner, site: Site, fleet: str, classes: set[str]) -> None:
    zones = zones_of(run, site, fleet)
    assert set(zones.machine_class) == classes, zones[["machine_class", "reasons"]]
    assert [name for name in zones.columns if name.startswith("permitted_")] == ["permitted_dry"]
    assert zones.plan_m2.sum() == pytest.approx(800.0)


def test_heights_that_are_not_numbers_are_missing(run: Runner, site: Site) -> None:
    z: np.ndarray[Any, Any] = gentle()
    z[30, 40], z[30, 41], z[31, 40] = np.nan, np.inf, -np.inf
    write_grid(site.folder / "ground.tif", z)
    zones = zones_of(run, site, HEAD + WALK_BEHIND)
    unknown = shapely.union_all(zones[zones.reason == "unknown_ground"].geometry)
    for col, row in ((40, 30), (41, 30), (40, 31)):
        assert unknown.contains(lot(col, row, 1, 1).centroid)
    assert unknown.area < 400.0
