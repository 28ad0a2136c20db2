"""The run-out pass and the filling of hollows on one core, against richdem (distribution richdem2, a C++ library)."""

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

from slopekit.fleet.model import Fleet
from slopekit.ground import WindowGround, read_ground
from slopekit.kernels import descent, flood
from slopekit.kernels.order import ascending
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.layers import Layers
from slopekit.units import grade

# The test extra leaves richdem2 out where it has no wheels.
HAS_WHEELS = sys.version_info < (3, 14)
if HAS_WHEELS:
    import richdem

pytestmark = pytest.mark.skipif(not HAS_WHEELS, reason="richdem2 has no wheels for Python 3.14 yet")

Array = NDArray[np.float64]
SIDE = 1000


@dataclass(frozen=True)
class Windows:
    name: str
    grounds: list[WindowGround]
    fleet: Fleet

    @property
    def cells(self) -> int:
        return sum(g.surface.z.size for g in self.grounds)


def windows_of(name: str, elevation: Elevation, corners: list[tuple[int, int]], fleet: Fleet) -> Windows:
    grid = elevation.survey.grid
    squares = [(grid.west + x, grid.north - y - SIDE, grid.west + x + SIDE, grid.north - y) for x, y in corners]
    grounds = [read_ground(elevation, [shapely.box(*square)], Layers(), fleet, 0.0) for square in squares]
    assert {g.surface.z.shape for g in grounds} == {(SIDE, SIDE)}
    return Windows(name, grounds, fleet)


@pytest.fixture(scope="module")
def made(request: pytest.FixtureRequest, fleet: Fleet) -> Windows:
    corners = [(x, y) for x in (500, 2500) for y in (500, 2500)]
    return windows_of("made ground", request.getfixturevalue("elevation"), corners, fleet)


@pytest.fixture(scope="module")
def village(open_data: Callable[[str], Path], fleet: Fleet) -> Windows:
    elevation = open_elevation([open_data("village_scarp_1m.tif")])
    return windows_of("village scarp", elevation, [(0, 0)], fleet)


GROUNDS = [
    pytest.param("made", marks=pytest.mark.needs_bench_kit),
    "village",
]


def as_richdem(z: Array) -> "richdem.rdarray":
    out = richdem.rdarray(z, no_data=-9999.0)
    out.geotransform = (0.0, 1.0, 0.0, 0.0, 0.0, -1.0)
    return out


@pytest.mark.parametrize("which", GROUNDS)
def test_run_out_pass(request: pytest.FixtureRequest, which: str, table: Table) -> None:
    windows: Windows = request.getfixturevalue(which)
    settings, frictions = windows.fleet.runout, np.array([c.friction for c in windows.fleet.conditions.values()])
    gentle = [g.surface.limit_grade <= grade(settings.landing_slope_deg) for g in windows.grounds]
    conditioned = [as_richdem(g.run.w) for g in windows.grounds]

    def state_of(ground: WindowGround, level: NDArray[np.bool_]) -> Array:
        grid = ground.surface.grid
        return descent.outcomes(
            ground.run.w,
            ground.run.kind,
            level.view(np.uint8),
            frictions,
            grid.dx,
            grid.dy,
            settings.landing_length_m,
            settings.max_run_m,
        )

    def ours() -> None:
        for ground, level in zip(windows.grounds, gentle, strict=True):
            state_of(ground, level)

    def peer() -> None:
        for w in conditioned:
            richdem.FlowAccumulation(w, method="Dinf")

    # The results first, which also loads compiled code. No round keeps one: fresh memory would be timed then.
    for ground, level, w in zip(windows.grounds, gentle, conditioned, strict=True):
        state = state_of(ground, level)
        assert state.shape == (SIDE * SIDE, descent.REACH + len(frictions))
        known = np.isfinite(ground.run.w)
        np.testing.assert_allclose(state[known.ravel(), : len(descent.OUTCOMES)].sum(axis=1), 1.0, atol=1e-9)
        flow = np.asarray(richdem.FlowAccumulation(w, method="Dinf"))
        assert flow[known].min() >= 1.0  # each cell counts at least itself
    found = in_turns(ours, peer)
    rates = " and ".join(f"{windows.cells / 1e6 / seconds:.1f}" for seconds in (found.wall[0], found.cpu[0]))
    note = f"{rates} Mcell/s by wall and by cpu; aim 8"
    table.ratio(f"run-out pass, {windows.name}", "richdem flow accumulation", found, note)


@pytest.mark.parametrize("which", GROUNDS)
def test_filling(request: pytest.FixtureRequest, which: str, table: Table) -> None:
    windows: Windows = request.getfixturevalue(which)
    heights = [g.surface.z for g in windows.grounds]
    theirs = [as_richdem(z) for z in heights]
    seed = np.zeros((SIDE, SIDE), np.uint8)
    seed[[0, -1]] = seed[:, [0, -1]] = flood.SEED

    def fill(z: Array) -> Array:
        return flood.fill(z, seed, ascending(z))[0]

    def ours() -> None:
        for z in heights:
            fill(z)

    def peer() -> None:
        for z in theirs:
            richdem.FillDepressions(z, epsilon=True)

    for z, same in zip(heights, theirs, strict=True):
        w, other = fill(z), np.asarray(richdem.FillDepressions(same, epsilon=True))
        assert np.abs(w - other).max() < 1e-9
        assert (w > z).sum() == (other > z).sum() > 1000
    found = in_turns(ours, peer)
    rates = " and ".join(f"{windows.cells / 1e6 / seconds:.1f}" for seconds in (found.wall[0], found.cpu[0]))
    note = f"{rates} Mcell/s by wall and by cpu, sorting included"
    table.ratio(f"filling, {windows.name}", "richdem filling, epsilon", found, note)
