"""Walls with known truth on real texture: real ground returns on one side of a line raised by a known height.

Points: IGN LiDAR HD, licence Etalab 2.0."""

from pathlib import Path

import laspy
import numpy as np
import pytest
from point_rates import LEAST_M, steps_in
from real_points import HOUSES

from slopekit.kernels import point_cells, step_windows

SIZE = 50.0


def ground_of(tile: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    las = laspy.read(tile)
    keep = np.asarray(las.classification) == 2
    x, y, z = (np.asarray(v, dtype=np.float64)[keep] for v in (las.x, las.y, las.z))
    return x - float(las.header.mins[0]), y - float(las.header.mins[1]), z


def steps(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    inside = (x < SIZE) & (y < SIZE)
    role = np.full(int(inside.sum()), point_cells.GROUND + point_cells.LAST, np.uint8)
    return steps_in(x[inside], y[inside], z[inside], role, SIZE)


def along_line(tile: Path, azimuth: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    x, y, z = ground_of(tile)
    return x, y, z, (x - 25.0) * np.cos(azimuth) + (y - 25.0) * np.sin(azimuth)


@pytest.mark.parametrize("tile", HOUSES, ids=lambda path: path.stem)
@pytest.mark.parametrize("height", [0.5, 0.9, 1.5])
def test_a_raised_side_is_found_where_both_sides_have_returns(tile: Path, height: float) -> None:
    found, tall, sides = [], [], []
    for azimuth in (0.3, 1.2, 2.2):
        x, y, z, u = along_line(tile, azimuth)
        nodes, _ = steps(x, y, z + np.where(u > 0.0, height, 0.0))
        nx, ny = nodes[:, 2], nodes[:, 3]
        off = (nx - 25.0) * np.cos(azimuth) + (ny - 25.0) * np.sin(azimuth)
        near = np.abs(off) < 1.0
        tall += nodes[near, 6].tolist()
        sides += (nodes[near, 4] * np.cos(azimuth) + nodes[near, 5] * np.sin(azimuth) > 0.0).tolist()
        t = (ny - 25.0) * np.cos(azimuth) - (nx - 25.0) * np.sin(azimuth)
        tv = (y - 25.0) * np.cos(azimuth) - (x - 25.0) * np.sin(azimuth)
        for place in np.arange(-20.0, 20.5):
            beside = np.abs(tv - place) < 0.5
            sides_of = [(beside & (u > a) & (u < b)).sum() for a, b in ((-1.0, 0.0), (0.0, 1.0))]
            # Where trees and houses left returns on both sides, the wall must show.
            if min(sides_of) >= 6:
                found.append(bool((np.abs(t[near] - place) < 1.5).any()))
    assert len(found) > 20
    assert np.mean(found) > (0.75 if height < 0.9 else 0.9)
    assert np.median(tall) == pytest.approx(height, abs=0.06)
    assert np.mean(sides) > 0.97


@pytest.mark.parametrize("tile", HOUSES, ids=lambda path: path.stem)
def test_the_ground_as_it_is_holds_hardly_a_drop(tile: Path) -> None:
    x, y, z = ground_of(tile)
    nodes, _ = steps(x, y, z)
    drops = nodes[:, 6] + step_windows.Z_99 * nodes[:, 7] >= LEAST_M
    # Gardens and streets without walls that are known: nobody has looked on site, so few and not none.
    assert drops.sum() <= 5
