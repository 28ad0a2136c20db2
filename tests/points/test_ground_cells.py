"""Bare ground and counts against scipy's triangulation and numpy's histogram, on made and on real points."""

from pathlib import Path

import laspy
import numpy as np
import pytest
from points_maker import Cloud, ground_cloud, layers_of, tilted, write_points
from real_points import HOUSES
from scipy.interpolate import LinearNDInterpolator

from slopekit.points.settings import PointSettings


def centres(layers: object) -> tuple[np.ndarray, np.ndarray]:
    grid = layers.grid  # type: ignore[attr-defined]
    xs = grid.west + (np.arange(grid.width) + 0.5) * grid.step_x
    ys = grid.north - (np.arange(grid.height) + 0.5) * grid.step_y
    return np.meshgrid(xs, ys)


def histogram(layers: object, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Points by cell, as numpy counts them."""
    grid = layers.grid  # type: ignore[attr-defined]
    rows, cols = np.arange(grid.height + 1.0), np.arange(grid.width + 1.0)
    return np.histogram2d((grid.north - y) / grid.step_y, (x - grid.west) / grid.step_x, [rows, cols])[0]


@pytest.mark.parametrize("density", [1.0, 8.0])
@pytest.mark.parametrize("cell", [1.0, 0.5])
def test_a_plane_comes_out_as_it_is(tmp_path: Path, density: float, cell: float) -> None:
    cloud = ground_cloud(lambda x, y: 50.0 + 0.3 * x - 0.2 * y, density, 40.0, noise_m=0.0)
    layers = layers_of(write_points(tmp_path / "a.laz", cloud), tmp_path / "s", PointSettings(cell_m=cell))
    x, y = centres(layers)
    known = np.isfinite(layers.ground)
    truth = 50.0 + 0.3 * (x - 500_000.0) - 0.2 * (y - (4_100_000.0 - 60.0))
    # A lone node without neighbours enough for a plane keeps its mean: as far off as its centre is.
    assert np.median(np.abs(layers.ground - truth)[known]) < 1e-3
    assert np.abs(layers.ground - truth)[known].max() < 0.36 * cell
    assert known.mean() > (0.85 if density == 1.0 else 0.99)


@pytest.mark.parametrize("tile", HOUSES, ids=lambda path: path.stem)
def test_real_ground_is_that_of_a_triangulation(tmp_path: Path, tile: Path) -> None:
    layers = layers_of(tile, tmp_path / "s")
    las = laspy.read(tile)
    ground = np.asarray(las.classification) == 2
    x, y, z = (np.asarray(v)[ground] for v in (las.x, las.y, las.z))
    other = LinearNDInterpolator(np.column_stack([x, y]), z)(*centres(layers))
    with_returns = layers.returns > 0
    filled = np.isfinite(layers.ground) & ~with_returns & np.isfinite(other)
    apart = np.abs(layers.ground - other)
    # A triangulation takes single returns as they are, whose scatter is 5 cm; means carry a tenth of it.
    assert np.nanmedian(apart[with_returns]) < 0.03
    assert np.nanquantile(apart[with_returns], 0.99) < 0.25
    assert np.median(apart[filled]) < 0.06
    assert np.quantile(apart[filled], 0.95) < 0.35


@pytest.mark.parametrize("tile", HOUSES, ids=lambda path: path.stem)
def test_counts_are_those_of_a_histogram(tmp_path: Path, tile: Path) -> None:
    layers = layers_of(tile, tmp_path / "s")
    las = laspy.read(tile)
    of = np.asarray(las.classification) == 2
    # Two returns on one millimetre are one.
    x, y, _ = np.unique(np.stack([las.x, las.y, las.z])[:, of], axis=1)
    want = histogram(layers, x, y)
    np.testing.assert_array_equal(layers.returns, np.minimum(want, 255))


def test_gaps_are_filled_up_to_their_width_and_nothing_beyond_the_last_return(tmp_path: Path) -> None:
    cloud = ground_cloud(tilted, 8.0, 60.0)
    narrow = (np.abs(cloud.x - 20.0) < 1.9) & (np.abs(cloud.y - 30.0) < 10.0)
    wide = (np.abs(cloud.x - 42.0) < 6.0) & (np.abs(cloud.y - 30.0) < 6.0)
    layers = layers_of(write_points(tmp_path / "a.laz", cloud.where(~(narrow | wide))), tmp_path / "s")
    empty = layers.returns == 0
    assert np.isfinite(layers.ground[21:39, 18:22]).all()
    assert empty[21:39, 19:21].all()
    assert np.abs(layers.ground[21:39, 20] - (50.0 + 0.02 * 20.5)).max() < 0.1
    middle = layers.ground[27:33, 39:45]
    assert np.isnan(middle).all()
    strict = layers_of(tmp_path / "a.laz", tmp_path / "t", PointSettings(gap_m=0.0))
    assert np.isnan(strict.ground[21:39, 19:21]).all()
    half = write_points(tmp_path / "b.laz", cloud.where(cloud.x < 30.0) + _corner())
    assert np.isnan(layers_of(half, tmp_path / "u").ground[:, 32:59]).all()


def _corner() -> Cloud:
    """One return that makes the grid wide."""
    return Cloud(np.array([59.9]), np.array([0.1]), np.array([51.2]), np.array([1], np.uint8))


def test_what_is_withheld_synthetic_or_noise_counts_for_nothing(tmp_path: Path) -> None:
    good = ground_cloud(tilted, 8.0, 40.0)
    n = len(good.x)
    flags = {name: np.zeros(n, np.uint8) for name in ("withheld", "synthetic", "overlap")}
    good.extra = flags
    bad = ground_cloud(lambda x, y: tilted(x, y) - 5.0, 8.0, 40.0, seed=1)
    kinds = np.arange(len(bad.x)) % 4
    bad.code = np.choose(kinds, [2, 2, 7, 18]).astype(np.uint8)
    bad.extra = {
        "withheld": (kinds == 0).astype(np.uint8),
        "synthetic": (kinds == 1).astype(np.uint8),
        "overlap": np.zeros(len(bad.x), np.uint8),
    }
    plain = layers_of(write_points(tmp_path / "a.laz", good), tmp_path / "s")
    mixed = layers_of(write_points(tmp_path / "b.laz", good + bad), tmp_path / "t")
    part = (slice(0, 39), slice(0, 39))
    np.testing.assert_array_equal(plain.ground[part], mixed.ground[part])
    np.testing.assert_array_equal(plain.returns[part], mixed.returns[part])
    # Overlap is ground as measured from another strip.
    good.extra["overlap"][::2] = 1
    both = layers_of(write_points(tmp_path / "c.laz", good), tmp_path / "u")
    np.testing.assert_array_equal(plain.returns[part], both.returns[part])


def test_many_files_and_pieces_are_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from slopekit.points.classes import classes_of
    from slopekit.points.survey import survey_points
    from slopekit.sources import points
    from slopekit.sources.point_files import open_points

    cloud = ground_cloud(tilted, 4.0, 60.0)
    whole = layers_of(write_points(tmp_path / "whole.laz", cloud), tmp_path / "s")
    folder = tmp_path / "tiles"
    folder.mkdir()
    for n, part in enumerate((cloud.x < 25.0, cloud.x >= 25.0)):
        write_points(folder / f"{n}.{'las' if n else 'laz'}", cloud.where(part))
    monkeypatch.setattr(points, "CHUNK", 997)
    (tmp_path / "t").mkdir()
    again = survey_points(open_points([folder]), classes_of("asprs"), PointSettings(), tmp_path / "t")
    assert again.grid == whole.grid
    np.testing.assert_allclose(again.ground, whole.ground, atol=1e-5)
    np.testing.assert_array_equal(again.returns, whole.returns)


def test_a_return_that_two_files_hold_counts_once(tmp_path: Path) -> None:
    """Overlapping tiles are no second look: else they would be dense enough to clear a drop."""
    from slopekit.points.classes import classes_of
    from slopekit.points.survey import survey_points
    from slopekit.sources.point_files import open_points

    cloud = ground_cloud(tilted, 4.0, 60.0)
    whole = layers_of(write_points(tmp_path / "whole.laz", cloud), tmp_path / "s")
    paths = [
        write_points(tmp_path / f"{n}.laz", cloud.where(part))
        for n, part in enumerate((cloud.x < 45.0, cloud.x > 15.0))
    ]
    (tmp_path / "t").mkdir()
    again = survey_points(open_points(paths), classes_of("asprs"), PointSettings(), tmp_path / "t")
    assert again.grid == whole.grid and (whole.returns > 0).sum() > 3000
    np.testing.assert_array_equal(again.returns, whole.returns)
    np.testing.assert_array_equal(again.steps, whole.steps)
