"""Routes in against the graph search of scikit-image on the same cells. Ratios are printed."""

import numpy as np
import pytest
from bench_clock import in_turns
from bench_site import Table
from numpy.typing import NDArray
from scipy import ndimage
from skimage.graph import MCP_Geometric

from slopekit.access.routes import Crossing, Entrance, Terrain, reach_of
from slopekit.kernels.gradient import horn
from slopekit.kernels.route import least_cost

SIDE = 316  # 10 ha at 1 m
FREE = {"up": 10.0, "down": 10.0, "cross": 10.0}


@pytest.fixture(scope="module")
def ground() -> tuple[Terrain, NDArray[np.bool_]]:
    """Rolling ground, and a tenth of it in patches that are not crossed."""
    rng = np.random.default_rng(6)
    rough = ndimage.gaussian_filter(rng.standard_normal((SIDE, SIDE)), 12.0)
    z = 100.0 + 1.5 * rough / rough.std() + 0.02 * np.arange(SIDE)
    p, q = horn(z, 1.0, 1.0)
    closed = ndimage.gaussian_filter(rng.standard_normal((SIDE, SIDE)), 3.0)
    shut = closed > np.quantile(closed, 0.9)
    shut |= np.isnan(p)
    slope = np.degrees(np.arctan(np.hypot(p, q)))
    return Terrain(z, np.nan_to_num(p), np.nan_to_num(q), np.nan_to_num(slope), 1.0, 1.0), shut


def test_one_search(ground: tuple[Terrain, NDArray[np.bool_]], table: Table) -> None:
    terrain, shut = ground
    start = np.argwhere(~shut)[0]
    flat = np.array([start[0] * SIDE + start[1]], np.int64)

    def ours() -> NDArray[np.float64]:
        return least_cost(terrain.z, terrain.p, terrain.q, shut, flat, 1.0, 1.0, **FREE, corners=True).cost

    def theirs() -> NDArray[np.float64]:
        return MCP_Geometric(np.where(shut, -1.0, 1.0)).find_costs([tuple(start)])[0]

    # Plan lengths: both find the same.
    np.testing.assert_allclose(ours()[~shut], theirs()[~shut], rtol=1e-9)
    table.ratio("one search, 10 ha", "skimage MCP_Geometric", in_turns(ours, theirs, 9), "aim 3")


def test_the_ways_of_one_machine(ground: tuple[Terrain, NDArray[np.bool_]], table: Table) -> None:
    terrain, shut = ground
    door = tuple(np.argwhere(~shut)[0])
    crossing = Crossing(20.0, 20.0, 15.0, 1.5)
    permitted = ~shut & (terrain.compared_deg <= 15.0)

    def ours() -> int:
        entrance = Entrance((int(door[0]), int(door[1])))
        return int(reach_of(permitted, ~shut, terrain, [entrance], crossing, slope_factor=2.0).reached.sum())

    def theirs() -> object:
        return MCP_Geometric(np.where(shut, -1.0, 1.0)).find_costs([door])

    assert ours() > 0.5 * SIDE * SIDE
    found = in_turns(ours, theirs, 9)
    table.ratio("routes in and out, 10 ha", "skimage MCP_Geometric, once", found, "two searches, room, gates; aim 3")
