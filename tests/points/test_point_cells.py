"""Both passes put a point into the same cell, whatever the cell's size, and leave out heights that cannot be."""

from pathlib import Path

import numpy as np
import pytest
from points_maker import ground_cloud, layers_of, tilted, write_points

from slopekit.errors import InputError
from slopekit.kernels import point_cells
from slopekit.points import gather
from slopekit.points.classes import classes_of
from slopekit.points.gather import DEEP, grid_of
from slopekit.points.settings import PointSettings
from slopekit.sources.point_files import open_points


def laid(x: np.ndarray, y: np.ndarray, z: np.ndarray, used: np.ndarray, size: float, halo: int) -> tuple:
    """Counts of ground of the first pass, and the points of each stripe for the second."""
    role = np.full(len(x), point_cells.GROUND, np.uint8)
    shape = used.shape
    counts = np.zeros((5, *shape), np.uint32)
    point_cells.add_points(
        x, y, z, role, np.ones(len(x), np.uint16), used, size, counts, np.zeros(shape, np.uint16),
        np.zeros((2, *shape), np.float32), np.zeros(shape),
    )  # fmt: skip
    sizes = np.zeros(-(-shape[0] // DEEP), np.int64)
    point_cells.stripe_sizes(x, y, z, role, used, size, DEEP, halo, sizes)
    ends = np.cumsum(sizes)
    out = np.zeros((int(ends[-1]), 4), np.int32)
    at = ends - sizes
    point_cells.to_stripes(x, y, z, role, used, size, DEEP, halo, at, out)
    np.testing.assert_array_equal(at, ends)
    return counts[1], [out[end - n : end] for end, n in zip(ends, sizes, strict=True)]


@pytest.mark.parametrize("size", [0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
def test_both_passes_have_a_point_in_the_same_cell(size: float) -> None:
    # Places on whole centimetres, as surveys write them, with what subtracting from a northing of 5,530 km adds: many
    # lie on the line between two cells, where 1.2 / 0.4 is 3 or a hair less.
    north = 5_530_000.0
    y = north - (north - np.arange(0, 200 * round(100 * size)) / 100.0)
    x = np.full(len(y), 0.5 * size)
    halo = int(np.ceil(3.0 / size))
    first, stripes = laid(x, y, np.zeros(len(y)), np.ones((200, 1), bool), size, halo)
    assert first.sum() == len(y)
    for number, points in enumerate(stripes):
        start = max(0, number * DEEP - halo)
        rows = min(200, (number + 1) * DEEP + halo) - start
        # As `by_cell` finds them.
        second = np.bincount((points[:, 1] / 1000.0 / size).astype(int), minlength=200)
        np.testing.assert_array_equal(second[start : start + rows], first[start : start + rows, 0])
        assert second.sum() == first[start : start + rows].sum()


@pytest.mark.parametrize("z", [np.nan, np.inf, -np.inf, 3e6, -2.2e6])
def test_a_height_that_cannot_be_counts_nowhere(z: float) -> None:
    # 3,000 km in millimetres is no number of 32 bits.
    place = np.array([1.5, 2.5])
    first, stripes = laid(place, place, np.array([10.0, z]), np.ones((4, 4), bool), 1.0, 3)
    assert first.sum() == 1
    assert stripes[0].tolist() == [[1500, 1500, 10000, point_cells.GROUND]]


def test_a_survey_as_long_as_a_continent_is_refused(tmp_path: Path) -> None:
    cloud = ground_cloud(tilted, 4.0, 4.0)
    cloud.x[0] = 1_100_000.0
    path = write_points(tmp_path / "a.laz", cloud)
    with pytest.raises(InputError, match=r"a\.laz: the area is 1,100 km long, .* smaller --area"):
        grid_of(open_points([path]), 1.0, None)


def test_odd_cells_make_the_layers_that_others_do(tmp_path: Path) -> None:
    cloud = ground_cloud(tilted, 8.0, 60.0)
    cloud.x, cloud.y = np.round(cloud.x, 1), np.round(cloud.y, 1)
    layers = layers_of(write_points(tmp_path / "a.laz", cloud), tmp_path / "s", PointSettings(cell_m=0.4))
    # A return on the same millimetre as another is no second one.
    once = np.unique(np.floor(np.stack([cloud.x, cloud.y, np.round(cloud.z, 3)]) * 1000.0 + 0.5), axis=1)
    assert len(cloud.x) - 20 < once.shape[1] < len(cloud.x)
    assert layers.returns.sum() == once.shape[1]
    assert not layers.layers["point_walls"]


def test_a_stripe_holds_as_many_points_however_dense_they_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # What is in memory in the second pass are whole stripes.
    monkeypatch.setattr(gather, "STRIPE_POINTS", 10_000)
    held = []
    for density in (2.0, 6.0, 12.0):
        survey = open_points([write_points(tmp_path / f"{density:g}.laz", ground_cloud(tilted, density, 120.0))])
        folder = tmp_path / f"s{density:g}"
        folder.mkdir()
        _, stripes = gather.gather(survey, grid_of(survey, 1.0, None), None, classes_of("asprs"), folder)
        counts = [len(stripes.read(number)) for number in range(len(stripes))]
        held.append(max(counts))
        # 16 bytes each, at most twice.
        assert sum(counts) <= 2 * survey.count
    # With the rows beside its own a stripe holds up to twice as many.
    assert max(held) < 2.2 * 10_000
