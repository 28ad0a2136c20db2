"""Water, low trees, buildings and bridges on made clouds, and the class of water on real ones."""

from pathlib import Path

import laspy
import numpy as np
import pytest
import shapely
import shapely.affinity
from ground_maker import NORTH, WEST
from points_maker import Cloud, ground_cloud, layers_of, tilted, write_points
from real_points import CANAL_CRS, CANALS
from test_ground_cells import histogram

from slopekit.points.survey import PointLayers

SOUTH = NORTH - 60.0


def of_kind(layers: PointLayers, layer: str, kind: str) -> shapely.Geometry:
    return shapely.union_all([one["geometry"] for one in layers.layers[layer] if one["kind"] == kind])


def at(x: float, y: float) -> shapely.Point:
    return shapely.Point(WEST + x, SOUTH + y)


def dished(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Ground that falls to a pond of 18 x 14 m with banks of 3:1 around it."""
    away = np.hypot(np.maximum(np.abs(x - 30.0) - 9.0, 0.0), np.maximum(np.abs(y - 30.0) - 7.0, 0.0))
    return 50.0 + np.minimum(away / 3.0, 1.5)


def in_pond(cloud: Cloud) -> np.ndarray:
    return (np.abs(cloud.x - 30.0) < 9.0) & (np.abs(cloud.y - 30.0) < 7.0)


@pytest.mark.parametrize("density", [2.0, 8.0, 20.0])
def test_a_pond_that_gives_no_return_is_possible_water(tmp_path: Path, density: float) -> None:
    cloud = ground_cloud(dished, density)
    layers = layers_of(write_points(tmp_path / "a.laz", cloud.where(~in_pond(cloud))), tmp_path / "s")
    found = of_kind(layers, "point_water", "possible water")
    truth = shapely.box(WEST + 21.0, SOUTH + 23.0, WEST + 39.0, SOUTH + 37.0)
    assert shapely.intersection(found, truth).area > 0.75 * truth.area
    assert shapely.difference(found, truth.buffer(1.5)).area == 0.0
    whole = layers_of(write_points(tmp_path / "b.laz", cloud), tmp_path / "t")
    assert not whole.layers["point_water"]


def test_weak_returns_from_water_are_no_returns(tmp_path: Path) -> None:
    cloud = ground_cloud(dished, 8.0)
    cloud.extra["intensity"] = np.where(in_pond(cloud), 40, 1000).astype(np.uint16)
    found = of_kind(layers_of(write_points(tmp_path / "a.laz", cloud), tmp_path / "s"), "point_water", "possible water")
    assert found.contains(at(30.0, 30.0))
    assert found.area > 200.0


def test_a_gap_on_a_slope_and_a_narrow_one_are_no_water(tmp_path: Path) -> None:
    cloud = ground_cloud(lambda x, y: 50.0 + 0.08 * x, 8.0)
    slope = layers_of(write_points(tmp_path / "a.laz", cloud.where(~in_pond(cloud))), tmp_path / "s")
    assert not slope.layers["point_water"]
    level = ground_cloud(dished, 8.0)
    narrow = layers_of(write_points(tmp_path / "b.laz", level.where(np.abs(level.x - 30.0) > 0.9)), tmp_path / "t")
    assert not narrow.layers["point_water"]


def test_a_thin_survey_says_that_it_cannot_tell(tmp_path: Path) -> None:
    cloud = ground_cloud(dished, 0.1)
    layers = layers_of(write_points(tmp_path / "a.laz", cloud.where(~in_pond(cloud))), tmp_path / "s")
    told = [note["value"] for note in layers.notes if note["topic"] == "not assessed"]
    assert any(text.startswith("Possible water: the survey is too thin") for text in told)
    assert any(text.startswith("Steps:") for text in told)


@pytest.mark.parametrize("canal", CANALS, ids=lambda path: path.stem)
def test_cells_of_class_9_are_those_of_a_histogram(tmp_path: Path, canal: Path) -> None:
    layers = layers_of(canal, tmp_path / "s", crs=CANAL_CRS)
    las = laspy.read(canal)
    water = np.asarray(las.classification) == 9
    cells = histogram(layers, np.asarray(las.x)[water], np.asarray(las.y)[water]) > 0
    found = of_kind(layers, "point_water", "water by class")
    grid = layers.grid
    rows, cols = np.nonzero(cells)
    xs, ys = grid.west + (cols + 0.5) * grid.step_x, grid.north - (rows + 0.5) * grid.step_y
    shapely.prepare(found)
    assert shapely.contains_xy(found, xs, ys).all()
    # What is added has no return but from water, and lies near some.
    ground = histogram(layers, np.asarray(las.x)[~water], np.asarray(las.y)[~water]) > 0
    rows, cols = np.nonzero(ground & ~cells)
    assert not shapely.contains_xy(found, grid.west + cols + 0.5, grid.north - rows - 0.5).any()


def block(code: int, x0: float, y0: float, side: float, low: float, high: float, density: float = 10.0) -> Cloud:
    rng = np.random.default_rng(code)
    n = rng.poisson(density * side * side)
    x, y = x0 + rng.uniform(0.0, side, n), y0 + rng.uniform(0.0, side, n)
    return Cloud(x, y, tilted(x, y) + rng.uniform(low, high, n), np.full(n, code, np.uint8))


def scene() -> Cloud:
    """A lawn with a tree that hangs low, one that does not, a dense one, a car, a roof and a bridge."""
    ground = ground_cloud(tilted, 8.0)
    dense = (np.abs(ground.x - 45.0) < 4.0) & (np.abs(ground.y - 45.0) < 4.0)
    roof = (np.abs(ground.x - 13.0) < 4.0) & (np.abs(ground.y - 13.0) < 4.0)
    low = block(4, 10.0, 41.0, 8.0, 3.0, 6.0) + block(3, 12.0, 43.0, 4.0, 1.0, 2.0)
    high = block(5, 25.0, 41.0, 8.0, 3.0, 9.0)
    hidden = block(5, 41.0, 41.0, 8.0, 3.0, 9.0, 20.0)
    car = block(1, 30.0, 10.0, 3.0, 1.3, 1.5)
    roofs = block(6, 9.0, 9.0, 8.0, 4.0, 5.0, 20.0)
    deck = block(17, 44.0, 8.0, 6.0, 2.9, 3.0, 20.0)
    return ground.where(~(dense | roof)) + low + high + hidden + car + roofs + deck


def test_trees_buildings_and_bridges_are_told_apart(tmp_path: Path) -> None:
    layers = layers_of(write_points(tmp_path / "a.laz", scene()), tmp_path / "s")
    low, unseen = (of_kind(layers, "point_canopy", kind) for kind in ("low trees", "not assessed"))
    assert low.contains(at(14.0, 45.0))
    assert not low.intersects(at(29.0, 45.0).buffer(3.0))
    assert not low.intersects(at(31.5, 11.5).buffer(3.0))
    assert unseen.contains(at(45.0, 45.0))
    assert not unseen.intersects(at(29.0, 45.0))
    building, bridge = (of_kind(layers, "point_exclude", kind) for kind in ("building", "bridge"))
    assert building.contains(at(13.0, 13.0).buffer(3.0))
    assert bridge.contains(at(47.0, 11.0).buffer(2.0))
    assert not building.intersects(bridge)
    for record in (*layers.layers["point_canopy"], *layers.layers["point_exclude"]):
        assert record["area_m2"] == pytest.approx(record["geometry"].area)
    # Roof, deck and car are never ground.
    assert np.nanmax(np.abs(layers.ground - (50.0 + 0.02 * (np.arange(layers.grid.width) + 0.5)))) < 0.3
    # A missing class is not "none".
    told = " ".join(note["value"] for note in layers.notes if note["topic"] == "not assessed")
    assert "Water by class" in told and "Buildings" not in told and "Bridges" not in told


def test_the_height_of_the_roll_bar_counts(tmp_path: Path) -> None:
    from slopekit.points.settings import PointSettings

    path = write_points(tmp_path / "a.laz", scene())
    tall = layers_of(path, tmp_path / "s", PointSettings(roll_bar_m=3.5))
    found = of_kind(tall, "point_canopy", "low trees")
    assert shapely.intersection(found, at(29.0, 45.0).buffer(3.0)).area > 10.0


def turned(across: float, deep: float, azimuth: float) -> tuple[object, shapely.Geometry]:
    """The ways along and beside a pond that lies turned on the grid, and its outline."""
    c, s = np.cos(azimuth), np.sin(azimuth)
    place = shapely.affinity.rotate(shapely.box(-across / 2, -deep / 2, across / 2, deep / 2), azimuth, (0, 0), True)

    def along(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return (x - 30.3) * c + (y - 29.6) * s, (y - 29.6) * c - (x - 30.3) * s

    return along, shapely.affinity.translate(place, WEST + 30.3, SOUTH + 29.6)


def covered(tmp_path: Path, cloud: Cloud, truth: shapely.Geometry) -> float:
    """Part of a pond that is possible water."""
    folder = tmp_path / f"s{len(list(tmp_path.iterdir()))}"
    found = of_kind(layers_of(write_points(tmp_path / "a.laz", cloud), folder), "point_water", "possible water")
    assert shapely.difference(found, truth.buffer(1.5)).area == 0.0
    return float(shapely.intersection(found, truth).area / truth.area)


@pytest.mark.parametrize("density", [2.0, 8.0])
@pytest.mark.parametrize("azimuth", [0.0, 0.4, 0.785])
def test_a_swimming_pool_of_4_x_8_m_is_possible_water_however_it_lies(
    tmp_path: Path, density: float, azimuth: float
) -> None:
    along, truth = turned(4.0, 8.0, azimuth)
    cloud = ground_cloud(tilted, density)
    u, v = along(cloud.x, cloud.y)  # type: ignore[operator]
    assert covered(tmp_path, cloud.where((np.abs(u) > 2.0) | (np.abs(v) > 4.0)), truth) > 0.6


@pytest.mark.parametrize("share", [0.05, 0.2])
def test_a_pond_that_gives_a_few_returns_is_possible_water(tmp_path: Path, share: float) -> None:
    # Waves, floating leaves, steep pulses.
    cloud = ground_cloud(dished, 8.0)
    some = np.random.default_rng(5).random(len(cloud.x)) < share
    truth = shapely.box(WEST + 21.0, SOUTH + 23.0, WEST + 39.0, SOUTH + 37.0)
    assert covered(tmp_path, cloud.where(~in_pond(cloud) | some), truth) > 0.8


@pytest.mark.parametrize("form", ["quay", "dam"])
def test_a_pond_with_a_quay_or_behind_a_dam_is_possible_water(tmp_path: Path, form: str) -> None:
    along, truth = turned(18.0, 14.0, 0.4)

    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        u, v = along(x, y)  # type: ignore[operator]
        away = np.hypot(np.maximum(np.abs(u) - 9.0, 0.0), np.maximum(np.abs(v) - 7.0, 0.0))
        bank = np.minimum(away / 3.0, 1.5)
        if form == "quay":
            return 50.0 + np.where(u > 9.0, 1.5, bank)
        crest = np.minimum(0.5 * away, 0.5) - 0.2 * np.maximum(away - 2.0, 0.0)
        return 50.0 + np.where(u > 0.0, crest, bank)

    cloud = ground_cloud(ground, 8.0)
    u, v = along(cloud.x, cloud.y)  # type: ignore[operator]
    assert covered(tmp_path, cloud.where((np.abs(u) > 9.0) | (np.abs(v) > 7.0)), truth) > 0.8


def test_a_wide_gap_that_is_no_pond_is_not_known(tmp_path: Path) -> None:
    cloud = ground_cloud(lambda x, y: 50.0 + 0.08 * x, 8.0)
    layers = layers_of(write_points(tmp_path / "a.laz", cloud.where(~in_pond(cloud))), tmp_path / "s")
    assert not layers.seen[26:34, 25:35].any()
    assert layers.seen[:20].all()
