"""The run-out of one-hectare parcels and the filling of hollows on one core, against reference libraries.

Least heads: scikit-image's minimum cost path (a heap, eight neighbours), which spreads once from the same hazards over
the whole window. Filling: richdem (distribution richdem2, a C++ library).
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import shapely
from bench_clock import in_turns
from bench_site import Table
from numpy.typing import NDArray
from skimage.graph import MCP_Geometric

from slopekit.fleet.model import Fleet
from slopekit.kernels import flood
from slopekit.kernels.order import ascending
from slopekit.runout.run_out import RunOut, run_out
from slopekit.runout.speed import head_of_speed
from slopekit.screening.ground import WindowGround, look_round, read_ground, sources_of, start_cells
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.layers import Layers

# The test extra leaves richdem2 out where it has no wheels.
HAS_WHEELS = sys.version_info < (3, 14)
if HAS_WHEELS:
    import richdem

Array = NDArray[np.float64]
PARCEL = 100


@dataclass(frozen=True)
class Look:
    ground: WindowGround
    start: NDArray[np.bool_]
    sources: dict[str, Array]

    def run(self, fleet: Fleet) -> RunOut:
        run, grid = self.ground.run, self.ground.surface.grid
        most = head_of_speed(fleet.fastest_kmh)
        return run_out(run.z, run.losses, self.sources, self.start, run.view, most, grid.dx, grid.dy)


@dataclass(frozen=True)
class Windows:
    name: str
    looks: list[Look]
    fleet: Fleet

    @property
    def cells(self) -> int:
        return sum(look.ground.surface.z.size for look in self.looks)


def windows_of(name: str, elevation: Elevation, corners: list[tuple[int, int]], fleet: Fleet) -> Windows:
    grid = elevation.survey.grid
    looks = []
    for x, y in corners:
        square = shapely.box(grid.west + x, grid.north - y - PARCEL, grid.west + x + PARCEL, grid.north - y)
        ground = look_round(read_ground(elevation, [square], fleet), square, Layers(), fleet, elevation)
        sources = sources_of(ground.surface, ground.hazards, ground.floors, ground.given.coarse)
        looks.append(Look(ground, start_cells(square, ground.surface.grid, fleet), sources))
    return Windows(name, looks, fleet)


@pytest.fixture(scope="module")
def made(request: pytest.FixtureRequest, fleet: Fleet) -> Windows:
    corners = [(x, y) for x in range(500, 3500, 700) for y in range(500, 3500, 700)]
    return windows_of("made ground", request.getfixturevalue("elevation"), corners, fleet)


@pytest.fixture(scope="module")
def village(open_data: Callable[[str], Path], fleet: Fleet) -> Windows:
    elevation = open_elevation([open_data("village_scarp_1m.tif")])
    # Their looks lie within the survey.
    corners = [(x, y) for x in range(160, 740, 125) for y in range(160, 740, 125)]
    return windows_of("village scarp", elevation, corners, fleet)


GROUNDS = [
    pytest.param("made", marks=pytest.mark.needs_bench_kit),
    "village",
]


@pytest.mark.parametrize("which", GROUNDS)
def test_run_out_of_a_look(request: pytest.FixtureRequest, which: str, table: Table) -> None:
    windows: Windows = request.getfixturevalue(which)
    costs = []
    for look in windows.looks:
        union = np.minimum.reduce(list(look.sources.values()))
        costs.append((look.ground.run.losses[look.ground.run.slippery], np.argwhere(union < np.inf).tolist()))

    def ours() -> None:
        for look in windows.looks:
            look.run(windows.fleet)

    def peer() -> None:
        for loss, starts in costs:
            if starts:
                MCP_Geometric(loss, fully_connected=True).find_costs(starts)

    refused = 0
    for look in windows.looks:
        found = look.run(windows.fleet)
        assert found.heads.keys() == look.ground.run.heads.keys()
        for kind, head in found.heads.items():
            assert (head == look.ground.run.heads[kind]).all()
            refused += int((head < np.inf).sum())
    assert refused > 1000
    found = in_turns(ours, peer)
    rate = windows.cells / 1e6 / found.cpu[0]
    note = f"{len(windows.looks)} looks, {rate:.1f} Mcell/s by cpu, all kinds, two conditions; aim 2, wish 5"
    table.ratio(f"run-out, {windows.name}", "scikit-image, one front", found, note)


def as_richdem(z: Array) -> "richdem.rdarray":
    out = richdem.rdarray(z, no_data=-9999.0)
    out.geotransform = (0.0, 1.0, 0.0, 0.0, 0.0, -1.0)
    return out


@pytest.mark.skipif(not HAS_WHEELS, reason="richdem2 has no wheels for Python 3.14 yet")
@pytest.mark.parametrize("which", GROUNDS)
def test_filling(request: pytest.FixtureRequest, which: str, table: Table) -> None:
    windows: Windows = request.getfixturevalue(which)
    heights = [look.ground.surface.z for look in windows.looks]
    theirs = [as_richdem(z) for z in heights]

    def fill(z: Array) -> Array:
        seed = np.zeros(z.shape, np.uint8)
        seed[[0, -1]] = seed[:, [0, -1]] = flood.SEED
        return flood.fill(z, seed, ascending(z))[0]

    def ours() -> None:
        for z in heights:
            fill(z)

    def peer() -> None:
        for z in theirs:
            richdem.FillDepressions(z, epsilon=True)

    lifted = 0
    for z, same in zip(heights, theirs, strict=True):
        w, other = fill(z), np.asarray(richdem.FillDepressions(same, epsilon=True))
        assert np.abs(w - other).max() < 1e-9
        assert (w > z).sum() == (other > z).sum()
        lifted += int((w > z).sum())
    assert lifted > 10_000
    found = in_turns(ours, peer)
    rates = " and ".join(f"{windows.cells / 1e6 / seconds:.1f}" for seconds in (found.wall[0], found.cpu[0]))
    note = f"{rates} Mcell/s by wall and by cpu, sorting included"
    table.ratio(f"filling, {windows.name}", "richdem filling, epsilon", found, note)
