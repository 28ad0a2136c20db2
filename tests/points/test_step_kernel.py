"""What must not change a step: how the cloud is turned, its order, pieces, units and place; and clouds that are odd."""

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from point_rates import LEAST_M, SIZE, Case, case, steps_in, wall, wall_rate
from points_maker import Cloud, ground_cloud, layers_of, write_points

from slopekit.kernels import point_cells, step_windows
from slopekit.kernels.step_fit import (
    ABOVE,
    BELOW,
    BINS,
    FIGURES,
    HEIGHT,
    NX,
    NY,
    OFFSET,
    RESIDUAL,
    WORK,
    fit_step,
)  # fmt: skip
from slopekit.points import gather
from slopekit.sources import points

SEEDS = range(4)
Turn = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
TURNS: dict[str, Turn] = {
    "mirrored west to east": lambda x, y: (SIZE - x, y),
    "mirrored north to south": lambda x, y: (x, SIZE - y),
    "by 90 degrees": lambda x, y: (SIZE - y, x),
    "by 180 degrees": lambda x, y: (SIZE - x, SIZE - y),
    "x and y changed": lambda x, y: (y, x),
}


def fitted(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    n, out = len(x), np.empty(FIGURES)
    fit_step(x, y, z, n, np.empty((WORK, n)), np.empty(n, np.int32), np.empty((BINS, 4)), 4, out)
    return out


def at_cells(nodes: np.ndarray) -> dict[tuple[int, int], np.ndarray]:
    return {(int(node[0]), int(node[1])): node for node in nodes}


def on_millimetres(one: Case) -> tuple[np.ndarray, np.ndarray]:
    """Places in the middle of a millimetre, so that none lies between two cells however the cloud is turned."""
    return np.floor(one.x * 1000.0) / 1000.0 + 0.0005, np.floor(one.y * 1000.0) / 1000.0 + 0.0005


@pytest.mark.parametrize("density", [2, 8, 20])
@pytest.mark.parametrize("name", TURNS)
def test_a_turned_cloud_shows_the_same_walls(name: str, density: float) -> None:
    turn, same, all_of_them, apart = TURNS[name], 0, 0, []
    for seed in SEEDS:
        one = case(wall(1.2), density, seed)
        x, y = on_millimetres(one)
        plain, _ = steps_in(x, y, one.z, one.role)
        turned, _ = steps_in(*turn(x, y), one.z, one.role)
        j, i = turn(plain[:, 1] + 0.5, plain[:, 0] + 0.5)
        here, there = at_cells(np.column_stack([i - 0.5, j - 0.5, plain[:, 2:]])), at_cells(turned)
        both = here.keys() & there.keys()
        same += len(both)
        all_of_them += max(len(here), len(there))
        apart += [abs(here[cell][6] - there[cell][6]) for cell in both]
    # Whole millimetres are cut off towards one side: single points leave a window and others come in.
    assert same >= 0.96 * all_of_them
    assert np.mean(apart) < 0.01
    if name == "x and y changed":
        assert same == all_of_them
        assert max(apart) < 1e-6


def test_the_order_of_the_points_does_not_count() -> None:
    one = case(wall(1.2), 8, 1)
    mixed = np.random.default_rng(0).permutation(len(one.x))
    nodes, bound = steps_in(one.x, one.y, one.z, one.role)
    again, bound_again = steps_in(one.x[mixed], one.y[mixed], one.z[mixed], one.role[mixed])
    np.testing.assert_allclose(again, nodes, atol=1e-6)
    np.testing.assert_allclose(bound_again, bound, atol=1e-6)


def walled(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 50.0 + 0.05 * x + np.where(0.6 * x + 0.8 * y > 42.0, 1.2, 0.0)


def walls_of(path: Path, folder: Path, **options: object) -> list[dict[str, object]]:
    return list(layers_of(path, folder, **options).layers["point_walls"])


def test_neither_stripes_nor_pieces_change_a_wall(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_points(tmp_path / "a.laz", ground_cloud(walled, 8.0, 60.0))
    whole = layers_of(path, tmp_path / "s")
    assert len(whole.layers["point_walls"]) > 5
    monkeypatch.setattr(points, "CHUNK", 1009)
    for name, value in (("DEEP", 5), ("DEEP", 16), ("STRIPE_POINTS", 4000)):
        monkeypatch.setattr(gather, name, value)
        parts = layers_of(path, tmp_path / f"{name}{value}")
        assert parts.layers == whole.layers
        np.testing.assert_array_equal(parts.steps, whole.steps)
        np.testing.assert_array_equal(parts.ground, whole.ground)


def test_large_coordinates_and_feet_change_no_height(tmp_path: Path) -> None:
    cloud = ground_cloud(walled, 8.0, 60.0)
    near = walls_of(write_points(tmp_path / "a.laz", cloud), tmp_path / "s")
    # The far end of the UTM zone: 9,900 km of northing.
    far = walls_of(write_points(tmp_path / "b.laz", cloud, south=9_900_000.0), tmp_path / "t")
    # What rounding does to a whole millimetre takes single points out of a window.
    apart = np.abs([float(str(a["height"])) - float(str(b["height"])) for a, b in zip(far, near, strict=True)])
    assert np.median(apart) < 1e-4
    assert apart.max() < 0.1
    foot = 1200.0 / 3937.0
    feet = write_points(
        tmp_path / "c.laz", cloud, crs="EPSG:2263", west=980_000.0, south=190_000.0, unit=foot, z_unit=foot
    )
    heights = [wall["height"] for wall in walls_of(feet, tmp_path / "u", z_unit="us-survey-foot")]
    assert np.median(heights) == pytest.approx(1.2, abs=0.05)
    assert len(heights) == pytest.approx(len(near), abs=3)


def test_the_line_runs_in_the_middle_of_a_gap() -> None:
    # Any line through the gap parts these points alike.
    rng = np.random.default_rng(3)
    x, y = rng.uniform(-1.5, 1.5, 200), rng.uniform(-1.5, 1.5, 200)
    u = 0.6 * x + 0.8 * y - 0.2
    keep = np.abs(u) > 0.5
    x, y, u = x[keep], y[keep], u[keep]
    found = fitted(x, y, np.where(u > 0.0, 1.2, 0.0) + rng.normal(0.0, 0.02, len(u)))
    assert found[HEIGHT] == pytest.approx(1.2, abs=0.1)
    assert found[NX] * 0.6 + found[NY] * 0.8 > math.cos(math.radians(8.0))
    assert found[OFFSET] == pytest.approx(0.2, abs=0.1)


@pytest.mark.parametrize(("gap", "least"), [("loose", 0.97), ("bare", 0.9)])
def test_a_wall_in_a_wide_gap_is_found_where_returns_are_dense(gap: str, least: float) -> None:
    rate = wall_rate(1.5, 20, range(6), gap)
    assert rate.found > least
    assert rate.median == pytest.approx(1.5, abs=0.05)


def test_no_step_has_fewer_than_four_returns_on_a_side() -> None:
    fewest = []
    for seed in range(12):
        one = case(wall(1.2), 2, seed)
        nodes, _ = steps_in(one.x, one.y, one.z, one.role)
        fewest.append(nodes[:, 9:11].min())
    # There are walls with so few: the bound is met.
    assert min(fewest) == 4.0
    rng = np.random.default_rng(0)
    for _ in range(50):
        x, y = rng.uniform(-1.5, 1.5, 40), rng.uniform(-1.5, 1.5, 40)
        high = np.argsort(x)[-3:]
        z = rng.normal(0.0, 0.03, 40)
        z[high] += 2.0
        found = fitted(x, y, z)
        assert np.isnan(found[HEIGHT]) or min(found[ABOVE], found[BELOW]) >= 4.0


def test_doubled_returns_give_the_same_step() -> None:
    one = case(wall(1.2), 8, 2)
    nodes, _ = steps_in(one.x, one.y, one.z, one.role)
    twice, _ = steps_in(*(np.concatenate([values, values]) for values in (one.x, one.y, one.z, one.role)))
    here, there = at_cells(nodes), at_cells(twice)
    # More windows have the 4 returns on a side, so there may be more steps.
    both = here.keys() & there.keys()
    assert len(both) >= 0.95 * len(here)
    assert np.median([abs(here[cell][6] - there[cell][6]) for cell in both]) < 1e-6


def test_returns_of_the_face_one_over_another_do_not_hide_the_wall() -> None:
    found, heights = [], []
    for seed in SEEDS:
        one = case(wall(1.5), 8, seed)
        rng = np.random.default_rng(seed)
        # Two columns of three returns for each metre of the wall: the same place, heights from the foot to the top.
        t = np.repeat(rng.uniform(-14.0, 14.0, 56), 3)
        x = 0.5 * SIZE + one.offset * one.cos - t * one.sin
        y = 0.5 * SIZE + one.offset * one.sin + t * one.cos
        z = 0.03 * x + np.tile([0.3, 0.75, 1.2], 56)
        role = np.full(len(x), point_cells.GROUND + point_cells.LAST, np.uint8)
        nodes, _ = steps_in(*(np.concatenate(two) for two in ((one.x, x), (one.y, y), (one.z, z), (one.role, role))))
        near = np.abs(one.across(nodes[:, 2], nodes[:, 3])) < 1.0
        heights += nodes[near, 6].tolist()
        away = np.abs(np.arange(-11.0, 11.5)[:, None] - one.along(nodes[near, 2], nodes[near, 3])[None, :])
        found.append((away < 1.0).any(axis=1).mean())
    assert np.mean(found) > 0.95
    # They pull the line to the foot and the height up, by a tenth: no wall is read lower for them.
    assert 1.45 < np.median(heights) < 1.7


@pytest.mark.parametrize("wobble", [0.0, 1e-9])
def test_points_along_one_line_tell_nothing(wobble: float) -> None:
    rng = np.random.default_rng(5)
    t = rng.uniform(-1.5, 1.5, 60)
    for azimuth in (0.0, 0.4, 0.5 * math.pi):
        x, y = t * math.cos(azimuth), t * math.sin(azimuth) + wobble * rng.normal(size=60)
        assert np.isnan(fitted(x, y, np.where(t > 0.0, 1.0, 0.0))).all()
    assert np.isnan(fitted(np.zeros(60), np.zeros(60), rng.normal(size=60))).all()


def test_a_scan_line_alone_clears_nothing() -> None:
    # Dense along one line in each window and a step across it: neither a bound nor a wall without a second side.
    x = np.arange(1.0, SIZE - 1.0, 0.02)
    y = np.full(len(x), 18.25)
    z = np.where(x > 18.0, 1.2, 0.0)
    role = np.full(len(x), point_cells.GROUND + point_cells.LAST, np.uint8)
    nodes, bound = steps_in(x, y, z, role)
    assert not len(nodes)
    assert np.isnan(bound).all()


def test_heights_at_the_ends_of_the_scale_are_as_good_as_others() -> None:
    rng = np.random.default_rng(7)
    x, y = rng.uniform(-1.5, 1.5, 90), rng.uniform(-1.5, 1.5, 90)
    z = np.where(x > 0.1, 1.2, 0.0) + rng.normal(0.0, 0.02, 90)
    low, high = fitted(x, y, z), fitted(x, y, z + 99_000.0)
    np.testing.assert_allclose(high, low, rtol=1e-6, atol=1e-6)
    # A spike among them is noise, and never makes a step sure.
    spiked = z.copy()
    spiked[5] += 5000.0
    found = fitted(x, y, spiked)
    assert np.isnan(found[HEIGHT]) or found[RESIDUAL] > 100.0


def test_a_cell_of_very_many_returns_shows_its_wall() -> None:
    # 60 a square metre: every so many are used.
    one = case(wall(LEAST_M), 60, 0)
    nodes, bound = steps_in(one.x, one.y, one.z, one.role)
    near = np.abs(one.across(nodes[:, 2], nodes[:, 3])) < 0.5
    assert near.mean() > 0.95
    assert np.median(nodes[near, 6]) == pytest.approx(LEAST_M, abs=0.03)
    yy, xx = np.mgrid[: len(bound), : len(bound)] + 0.5
    assert not (bound[np.abs(one.across(xx, yy)) < 0.7] < 0.5 * LEAST_M).any()
    assert step_windows.MOST < 60


def test_two_files_over_one_another_are_one_cloud(tmp_path: Path) -> None:
    cloud = ground_cloud(walled, 8.0, 60.0)
    folder = tmp_path / "both"
    folder.mkdir()
    half = np.arange(len(cloud.x)) % 2 == 0
    for name, part in (("a.laz", cloud.where(half)), ("b.laz", cloud.where(~half))):
        write_points(folder / name, part)
    together = layers_of(folder, tmp_path / "s")
    ordered = Cloud(*(np.concatenate([v[half], v[~half]]) for v in (cloud.x, cloud.y, cloud.z, cloud.code)))
    alone = layers_of(write_points(tmp_path / "c.laz", ordered), tmp_path / "t")
    assert together.layers["point_walls"] == alone.layers["point_walls"]
    np.testing.assert_array_equal(together.steps, alone.steps)
