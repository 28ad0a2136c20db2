"""What a screening finds with the points that it misses on the grid alone, and what it never frees."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from ground_maker import SHORT_LOOK, UTM, WEST, fleet_of, write_ground
from points_maker import ground_cloud, write_points

import slopekit as sk
from slopekit.errors import InputError

SIZE = 200.0
SOUTH = 4_100_000.0 - SIZE
NORTH = 4_100_000.0
FLEET = fleet_of(settings=SHORT_LOOK)


def lawn(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """It falls to the south at 12 %, so that whatever rolls goes on."""
    return 50.0 + 0.12 * y


def parcel(x0: float, y0: float, x1: float, y1: float) -> gpd.GeoDataFrame:
    shape = shapely.box(WEST + x0, SOUTH + y0, WEST + x1, SOUTH + y1)
    return gpd.GeoDataFrame({"id": ["a"]}, geometry=[shape], crs=UTM)


def made(tmp_path: Path, name: str, ground: object, density: float, keep: object = None) -> Path:
    cloud = ground_cloud(ground, density, SIZE)  # type: ignore[arg-type]
    if keep is not None:
        cloud = cloud.where(keep(cloud.x, cloud.y))  # type: ignore[operator]
    path = write_points(tmp_path / f"{name}.laz", cloud, south=SOUTH)
    return sk.points(path, tmp_path / name)


def grid_of(tmp_path: Path, ground: object, smooth: int = 0) -> Path:
    """The same ground as a survey's own 1 m grid has it: means over `smooth` more cells on each side."""
    n = int(SIZE)
    fine = np.arange(0.125, SIZE, 0.25)
    x, y = np.meshgrid(fine, SIZE - fine)
    z = ground(x, y).reshape(n, 4, n, 4).mean(axis=(1, 3))  # type: ignore[operator]
    if smooth:
        from scipy import ndimage

        z = ndimage.uniform_filter(z, 2 * smooth + 1, mode="nearest")
    return write_ground(tmp_path / "grid.tif", z)


def class_area(result: sk.Result, code: str) -> float:
    zones = result.zones
    return float(zones.loc[zones.machine_class == code, "plan_m2"].sum())


def refused(result: sk.Result, reason: str) -> shapely.Geometry:
    zones = result.zones
    return shapely.union_all(zones.geometry[zones.reasons.str.contains(reason)].to_numpy())


def test_a_wall_that_the_grid_smears_is_a_drop_with_its_height(tmp_path: Path) -> None:
    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        # The lawn falls to the south, to a wall of 1.1 m at y = 90.3.
        return lawn(x, y) - np.where(y < 90.3, 1.1, 0.0)

    grid = grid_of(tmp_path, ground, smooth=2)
    folder = made(tmp_path, "points", ground, 8.0)
    lots = parcel(80.0, 95.0, 120.0, 125.0)
    alone = sk.screen(grid, lots, FLEET, workers=1)
    assert not len(alone.layers["drops"])
    both = sk.screen(grid, lots, FLEET, points=folder, workers=1)
    drops = both.layers["drops"]
    assert drops.height_m.max() == pytest.approx(1.1, abs=0.15)
    assert (abs(shapely.get_coordinates(drops.geometry.to_numpy())[:, 1] - (SOUTH + 90.3)) < 2.0).all()
    assert refused(alone, "above_drop").area == 0.0
    assert refused(both, "above_drop").area > 0.9 * 1200.0
    # Its ground alone shows the wall too.
    own = sk.screen(None, lots, FLEET, points=folder, workers=1)
    assert refused(own, "above_drop").area > 0.9 * 1200.0
    # The foot side is not refused for it.
    below = sk.screen(grid, parcel(80.0, 60.0, 120.0, 85.0), FLEET, points=folder, workers=1)
    assert refused(below, "above_drop").area == 0.0
    assert both.why(WEST + 100.0, SOUTH + 100.0).lines()


def test_a_pond_without_returns_is_water_for_a_screening(tmp_path: Path) -> None:
    def pond(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return (np.abs(x - 100.0) < 12.0) & (np.abs(y - 70.0) < 8.0)

    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        away = np.hypot(np.maximum(np.abs(x - 100.0) - 12.0, 0.0), np.maximum(np.abs(y - 70.0) - 8.0, 0.0))
        return 50.0 + np.minimum(0.12 * away, 9.0)

    def spanned(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        # A triangulation spans the pond with slopes between uneven shores.
        return np.where(pond(x, y), 50.0 + 0.02 * (x - 100.0), ground(x, y))

    grid = grid_of(tmp_path, spanned)
    folder = made(tmp_path, "points", ground, 4.0, lambda x, y: ~pond(x, y))
    lots = parcel(85.0, 85.0, 115.0, 110.0)
    alone, both = (sk.screen(grid, lots, FLEET, points=points, workers=1) for points in (None, folder))
    assert not len(alone.layers["water"])
    assert refused(alone, "above_water").area == 0.0
    assert set(both.layers["water"].origin) == {"possible water"}
    assert refused(both, "above_water").area > 0.8 * 750.0
    assert any("points" in name for name in both.notes.name)


def steep_bank(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A bank of 3:1, 1.1 m high, below a gentle lawn: on 1 m cells with noise it looks like a wall."""
    return lawn(x, y) - 1.1 * np.clip((90.0 - y) / 3.3 + 0.5, 0.0, 1.0)


def noisy_grid(tmp_path: Path) -> Path:
    from scipy import ndimage

    path = grid_of(tmp_path, steep_bank)
    with rasterio.open(path) as file:
        z = file.read(1)
    error = ndimage.gaussian_filter(np.random.default_rng(4).normal(size=z.shape), 1.0)
    return write_ground(path, z + 0.1 * error / error.std())


def test_dense_points_clear_a_bank_that_the_grid_takes_for_a_wall_and_say_so(tmp_path: Path) -> None:
    grid = noisy_grid(tmp_path)
    lots = parcel(80.0, 95.0, 120.0, 125.0)
    alone = sk.screen(grid, lots, FLEET, workers=1)
    assert refused(alone, "above_drop").area > 100.0
    dense = sk.screen(grid, lots, FLEET, points=made(tmp_path, "dense", steep_bank, 25.0), workers=1)
    assert refused(dense, "above_drop").area == 0.0
    assert dense.zones.note.str.contains("Freed from a drop that the grid shows").any()
    thin = sk.screen(grid, lots, FLEET, points=made(tmp_path, "thin", steep_bank, 4.0), workers=1)
    assert refused(thin, "above_drop").area == pytest.approx(refused(alone, "above_drop").area, rel=0.02)
    assert not thin.zones.note.str.contains("Freed from a drop").any()
    # A gap of the ground filter along the foot: nothing is cleared there.
    gap = made(tmp_path, "gap", steep_bank, 25.0, lambda x, y: np.abs(y - 88.5) > 0.7)
    assert refused(sk.screen(grid, lots, FLEET, points=gap, workers=1), "above_drop").area > 100.0


def test_points_never_lift_what_the_user_gave(tmp_path: Path) -> None:
    grid = noisy_grid(tmp_path)
    folder = made(tmp_path, "dense", steep_bank, 25.0)
    lots = parcel(80.0, 95.0, 120.0, 125.0)
    wall = gpd.GeoDataFrame(geometry=[shapely.LineString([(WEST + 60, SOUTH + 90), (WEST + 140, SOUTH + 90)])], crs=UTM)
    pond = gpd.GeoDataFrame(geometry=[shapely.box(WEST + 60, SOUTH + 70, WEST + 140, SOUTH + 88)], crs=UTM)
    for name, given in (("walls", wall), ("water", pond), ("hazards", pond)):
        reason = {"walls": "above_drop", "water": "above_water", "hazards": "above_hazard"}[name]
        alone = refused(sk.screen(grid, lots, FLEET, workers=1, **{name: given}), reason)  # type: ignore[arg-type]
        result = sk.screen(grid, lots, FLEET, points=folder, workers=1, **{name: given})  # type: ignore[arg-type]
        assert alone.area > 100.0
        assert shapely.difference(alone, refused(result, reason).buffer(1e-6)).area < 1.0


def test_a_folder_that_is_not_whole_is_refused(tmp_path: Path) -> None:
    folder = made(tmp_path, "points", lawn, 2.0)
    lots = parcel(80.0, 95.0, 120.0, 125.0)
    (folder / "walls.gpkg").unlink()
    with pytest.raises(InputError, match=r"walls\.gpkg is missing in it"):
        sk.screen(None, lots, FLEET, points=folder, workers=1)
    with pytest.raises(InputError, match="there is no such folder"):
        sk.screen(None, lots, FLEET, points=tmp_path / "gone", workers=1)
    with pytest.raises(InputError, match="No elevation is named"):
        sk.screen(None, lots, FLEET, workers=1)


def test_what_the_points_do_not_reach_is_not_permitted_whatever_the_grid_has(tmp_path: Path) -> None:
    def flat(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 50.0 + 0.05 * y

    grid = grid_of(tmp_path, flat)
    folder = made(tmp_path, "half", flat, 4.0, lambda x, y: x < 110.0)
    beyond = sk.screen(grid, parcel(100.0, 90.0, 130.0, 110.0), FLEET, points=folder, workers=1)
    unknown = refused(beyond, "unknown_ground")
    assert unknown.contains(shapely.box(WEST + 115.0, SOUTH + 90.5, WEST + 129.5, SOUTH + 109.5))
    with pytest.raises(InputError, match="no elevation under it that the points show"):
        sk.screen(grid, parcel(150.0, 90.0, 180.0, 110.0), FLEET, points=folder, workers=1)
    with pytest.raises(InputError, match="the points have no return there"):
        sk.why(grid, WEST + 150.0, SOUTH + 100.0, FLEET, points=folder)


def test_why_of_elevation_and_points_answers_as_the_screening(tmp_path: Path) -> None:
    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return lawn(x, y) - np.where(y < 90.3, 1.1, 0.0)

    grid = grid_of(tmp_path, ground, smooth=2)
    folder = made(tmp_path, "points", ground, 8.0)
    codes = []
    for points in (None, folder):
        said = sk.why(grid, WEST + 100.5, SOUTH + 100.5, FLEET, points=points)
        codes.append({r.code for answer in said.answers for r in answer.refusals})
    assert "above_drop" not in codes[0] and "above_drop" in codes[1]
    assert any("Water by class" in text for text in said.not_assessed)


def test_a_wall_that_only_the_grid_has_is_not_cleared_by_older_points(tmp_path: Path) -> None:
    # Dense points from before the wall was built: they show the lawn alone.
    def walled(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return lawn(x, y) - np.where(y < 90.3, 1.5, 0.0)

    grid = grid_of(tmp_path, walled)
    lots = parcel(80.0, 95.0, 120.0, 125.0)
    alone = refused(sk.screen(grid, lots, FLEET, workers=1), "above_drop")
    older = sk.screen(grid, lots, FLEET, points=made(tmp_path, "older", lawn, 25.0), workers=1)
    assert alone.area > 1000.0
    assert shapely.difference(alone, refused(older, "above_drop").buffer(1e-6)).area < 1.0
