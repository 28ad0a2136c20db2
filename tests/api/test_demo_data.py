"""The committed demo site is what its script makes, and its ground has the forms that its README promises."""

import importlib.util
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import richdem
import shapely
from rasterio.features import geometry_mask
from scipy import ndimage

from slopekit.fleet.load import load_fleet
from slopekit.schema.classes import MACHINE_CLASSES

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
LAYERS = ("parcels", "water", "walls", "hazards", "exclude", "soft", "canopy", "entrances", "drives")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    subprocess.run([sys.executable, str(DEMO / "make_demo.py"), str(folder)], check=True, capture_output=True)
    return folder


@pytest.fixture(scope="module")
def site() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_demo", DEMO / "make_demo.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def z() -> np.ndarray:
    with rasterio.open(DEMO / "office_park.tif") as dataset:
        return dataset.read(1).astype(np.float64)


def slope_deg(site: ModuleType, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Slope of the noise-free ground by central differences over 2 cm."""
    h = 0.01
    p = (site.ground(x + h, y) - site.ground(x - h, y)) / (2 * h)
    q = (site.ground(x, y + h) - site.ground(x, y - h)) / (2 * h)
    return np.degrees(np.arctan(np.hypot(p, q)))


def in_site(site: ModuleType, path: Path) -> np.ndarray:
    """Cells whose centre lies in any polygon of a layer."""
    with rasterio.open(DEMO / "office_park.tif") as dataset:
        return geometry_mask(gpd.read_file(path).geometry, dataset.shape, dataset.transform, invert=True)


def test_script_reproduces_the_committed_raster_cell_by_cell(made: Path) -> None:
    with rasterio.open(made / "office_park.tif") as new, rasterio.open(DEMO / "office_park.tif") as old:
        assert (new.shape, new.transform, new.crs, new.nodata) == (old.shape, old.transform, old.crs, old.nodata)
        assert old.dtypes == ("float32",) and old.units == ("metre",) and old.crs.to_epsg() == 25832
        np.testing.assert_array_equal(new.read(1), old.read(1))
    assert (DEMO / "office_park.tif").stat().st_size < 1_500_000


@pytest.mark.parametrize("name", LAYERS)
def test_script_reproduces_the_committed_layers(made: Path, name: str) -> None:
    new, old = gpd.read_file(made / f"{name}.gpkg"), gpd.read_file(DEMO / f"{name}.gpkg")
    assert new.crs == old.crs and len(old) > 0
    assert bool(np.all(shapely.equals_exact(new.geometry.values, old.geometry.values, 1e-6)))
    assert new.drop(columns="geometry").equals(old.drop(columns="geometry"))
    assert bool(old.geometry.is_valid.all())


def test_nothing_is_committed_that_the_script_does_not_make(made: Path) -> None:
    data = {path.name for path in DEMO.iterdir() if path.suffix in (".tif", ".gpkg")}
    assert data == {path.name for path in made.iterdir()}


# Arctangents of 1/3 and 1/2 (arithmetic): 18.435 and 26.565 degrees.
@pytest.mark.parametrize(
    ("west", "east", "foot_y", "degrees"),
    [(213, 257, 350, 18.435), (273, 313, 350, 26.565), (370, 424, 335, 18.435), (441, 497, 335, 26.565)],
    ids=["3:1 above the pond", "2:1 above the pond", "3:1 above level lawn", "2:1 above level lawn"],
)
def test_banks_have_the_stated_ratio_and_height(
    site: ModuleType, west: float, east: float, foot_y: float, degrees: float
) -> None:
    x, up = np.meshgrid(np.linspace(west, east, 40), np.linspace(0.1, 9.0, 40))
    np.testing.assert_allclose(slope_deg(site, x, foot_y + up), degrees, atol=0.01)
    across = np.linspace(west, east, 40)
    rise = site.ground(across, np.full(40, foot_y + 17.0)) - site.ground(across, np.full(40, foot_y - 0.01))
    assert rise.min() > 4.6 and rise.max() < 5.3


def test_bank_meets_the_water_and_the_other_one_meets_level_lawn(site: ModuleType) -> None:
    x = np.linspace(206, 322, 60)
    assert (site.ground(x, np.full(60, 349.9)) == site.POND_LEVEL).all()
    assert slope_deg(site, x, np.full(60, 350.3)).min() > 14.0
    lawn_x, lawn_y = np.meshgrid(np.linspace(372, 498, 60), np.linspace(335.0 - 20.0, 334.9, 60))
    fall = slope_deg(site, lawn_x, lawn_y)
    # 1 % is 0.573 degrees (arctangent).
    assert fall.max() <= 3.0 and fall.min() >= 0.573


def test_open_lawns_fall_one_to_three_percent_on_the_raster(z: np.ndarray) -> None:
    """Planes fitted to 10 m squares of the raster itself, noise included."""
    for row, col in ((190, 220), (190, 300), (190, 440), (300, 400), (300, 480), (350, 230), (345, 390)):
        v, u = np.mgrid[0:10, 0:10]
        columns = np.column_stack([u.ravel(), v.ravel(), np.ones(100)])
        (p, q, _), *_ = np.linalg.lstsq(columns, z[row : row + 10, col : col + 10].ravel(), rcond=None)
        assert 0.01 <= np.hypot(p, q) <= 0.03, (row, col)


def test_noise_is_about_one_centimetre_and_absent_from_water(site: ModuleType, z: np.ndarray) -> None:
    noise = z - site.ground(*site.cell_centres())
    water = in_site(site, DEMO / "water.gpkg")
    assert 0.006 < noise[~water].std() < 0.012 and np.abs(noise).max() < 0.06
    assert np.unique(z[water]).tolist() == [site.POND_LEVEL]


def test_flat_cells_are_the_two_ponds_only(site: ModuleType, z: np.ndarray) -> None:
    """Areas of 4-connected equal cells, one height at a time, down to half the area that is taken for water."""
    areas: dict[float, int] = {}
    millimetres = np.round(z * 1000).astype(np.int64)
    heights, counts = np.unique(millimetres, return_counts=True)
    for height in heights[counts >= 50]:
        labels, _ = ndimage.label(millimetres == height)
        biggest = int(np.bincount(labels.ravel())[1:].max())
        if biggest >= 50:
            areas[height / 1000] = biggest
    assert sorted(areas) == [site.FLAT_POND_LEVEL, site.POND_LEVEL]
    assert areas[site.FLAT_POND_LEVEL] >= 150
    given = in_site(site, DEMO / "water.gpkg")
    assert areas[site.POND_LEVEL] == given.sum()
    assert not given[np.isclose(z, site.FLAT_POND_LEVEL, atol=1e-4)].any()


def test_wall_is_one_step_between_two_rows(site: ModuleType, z: np.ndarray) -> None:
    below = int(site.HEIGHT - site.WALL_Y)
    columns = slice(206, 294)
    step = z[below - 1, columns] - z[below, columns]
    assert step.min() > 1.15 and step.max() < 1.27
    for row in (below - 6, below - 3, below + 3, below + 6):
        assert np.abs(z[row, columns] - z[row + 1, columns]).max() < 0.07


def test_the_basin_is_the_only_deep_hollow(z: np.ndarray) -> None:
    """Against the depression filling of richdem."""
    ground = richdem.rdarray(z, no_data=-9999.0, geotransform=(0, 1, 0, 0, 0, -1))
    depth = np.asarray(richdem.FillDepressions(ground, in_place=False)) - z
    labels, count = ndimage.label(depth >= 0.3)
    assert count == 1
    row, col = ndimage.center_of_mass(labels == 1)
    assert abs(col - 440) < 3 and abs(620 - row - 262) < 3
    assert depth.max() == pytest.approx(1.2, abs=0.05)


def test_basin_sides_floor_and_ditch(site: ModuleType) -> None:
    def at(x: float, y: float) -> float:
        return float(slope_deg(site, np.array([x]), np.array([y]))[0])

    # Arctangents: 4:1 14.036, 3:1 18.435, 2:1 26.565 degrees, 1 % 0.573 degrees. The floor's fall adds to the sides.
    assert at(440, 262) == pytest.approx(0.573, abs=0.001)
    assert at(422, 262) == pytest.approx(14.036, abs=0.05)
    assert at(458, 262) == pytest.approx(14.036, abs=0.05)
    assert at(440, 274) == pytest.approx(18.435, abs=0.6)
    y = np.array([100.0, 50.0, 1.0])
    bed, edge = site.ground(np.full(3, 470.0), y), site.ground(np.full(3, 472.5), y)
    np.testing.assert_allclose(edge - bed, 1.0, atol=0.02)
    assert at(471, 50) == pytest.approx(26.565, abs=0.25)  # the lawn falls 0.4 % the other way
    assert (np.diff(bed) < 0).all()


def test_berm_stands_above_the_lawn_and_lets_water_out_at_the_spillway(site: ModuleType) -> None:
    crest = site.ground(np.array([425.0, 455.0]), np.array([243.6, 243.6]))
    lawn = site.ground(np.array([425.0, 449.0]), np.array([236.0, 236.0]))
    assert crest[0] - lawn[0] > 0.8
    assert crest[1] - lawn[1] < 0.1


def test_parcels_leave_room_for_the_run_out(site: ModuleType) -> None:
    parcels = gpd.read_file(DEMO / "parcels.gpkg")
    assert parcels["parcel_id"].is_unique and len(parcels) == 4
    west, south, east, north = parcels.total_bounds
    # The look of 150 m, four times a smoothing of 2 m, and 3 cells.
    room = min(west - site.EAST, south - site.NORTH, site.EAST + site.WIDTH - east, site.NORTH + site.HEIGHT - north)
    assert room >= 161
    shapes = list(parcels.geometry)
    assert any(len(part.interiors) for shape in shapes for part in shape.geoms)
    assert any(len(shape.geoms) > 1 for shape in shapes)
    assert sum(a.intersection(b).area for i, a in enumerate(shapes) for b in shapes[:i]) == 0.0


def test_fleet_has_one_machine_of_each_class_and_keeps_the_seated_operator_from_hazards() -> None:
    fleet = load_fleet(DEMO / "fleet.toml")
    assert sorted(m.machine_class for m in fleet.machines.values()) == sorted(MACHINE_CLASSES)
    assert list(fleet.conditions) == ["dry", "wet"]
    for name, machine in fleet.machines.items():
        for dry, wet in zip(fleet.limits(name, "dry"), fleet.limits(name, "wet"), strict=True):
            assert dry is not None and wet is not None and wet < dry
        assert machine.may_work_above_hazard == (machine.operator in ("remote", "hand"))
    assert "INVENTED" in (DEMO / "fleet.toml").read_text(encoding="utf-8")
