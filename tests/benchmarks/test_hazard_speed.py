"""The parts that look for hazards on one core, against reading the same window with rasterio."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from bench_clock import in_turns
from bench_site import Table
from numpy.typing import NDArray

from slopekit.fleet.model import Fleet
from slopekit.hazards.edges import smeared_edges
from slopekit.hazards.ponds import possible_water
from slopekit.screening.ground import WindowGround, look_round, read_ground
from slopekit.screening.realisations import Draws, hazard_realisations
from slopekit.sources.elevation import open_elevation
from slopekit.sources.layers import Layers

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Windows:
    name: str
    path: Path
    grounds: list[WindowGround]

    @property
    def cells(self) -> int:
        return sum(g.surface.z.size for g in self.grounds)

    def read(self) -> None:
        with rasterio.open(self.path) as source:
            for ground in self.grounds:
                window = source.window(*ground.surface.grid.bounds).round_offsets().round_lengths()
                z = source.read(1, window=window, masked=True).astype(np.float64).filled(np.nan)
                assert z.shape == ground.surface.z.shape


def windows_of(
    name: str, path: Path, corners: list[tuple[int, int]], side: int, fleet: Fleet, least: int = 0
) -> Windows:
    """Squares of `side` metres, each the look round a smaller one, as often as makes at least so many cells."""
    with open_elevation([path], surface="ground") as elevation:
        grid = elevation.survey.grid
        west, north = grid.west, grid.north
        far = fleet.runout.look_m
        boxes = [
            shapely.box(west + x + far, north - y - side + far, west + x + side - far, north - y - far)
            for x, y in corners
        ]
        grounds = [look_round(read_ground(elevation, [box], fleet), box, Layers(), fleet, elevation) for box in boxes]
    # Small windows several times over, so that the clock can tell them.
    return Windows(name, path, grounds * max(1, least // sum(g.surface.z.size for g in grounds)))


@pytest.fixture(scope="module")
def made(request: pytest.FixtureRequest, fleet: Fleet) -> Windows:
    corners = [(x, y) for x in (500, 2500) for y in (500, 2500)]
    return windows_of("made ground", request.getfixturevalue("site").raster, corners, 1000, fleet)


@pytest.fixture(scope="module")
def village(open_data: Callable[[str], Path], fleet: Fleet) -> Windows:
    return windows_of("village scarp", open_data("village_scarp_1m.tif"), [(0, 0)], 1000, fleet, 6_000_000)


@pytest.fixture(scope="module")
def farmland(open_data: Callable[[str], Path], fleet: Fleet) -> Windows:
    return windows_of("farmland", open_data("farmland_channel_1m.tif"), [(0, 0)], 480, fleet, 25_000_000)


def test_fifty_realisations_of_two_hectares(open_data: Callable[[str], Path], fleet: Fleet, table: Table) -> None:
    path = open_data("village_scarp_1m.tif")
    with open_elevation([path], surface="ground", z_rmse_m=0.1) as elevation:
        grid = elevation.survey.working
        x, y = grid.centre(grid.height // 2, grid.width // 2)
        parcel = shapely.box(x - 70.0, y - 70.0, x + 70.0, y + 70.0)
        read = read_ground(elevation, [parcel], fleet)
        window = look_round(read, parcel, Layers(), fleet, elevation)
        windows = Windows("village scarp", path, [window])
        made = []

        def fifty() -> None:
            made.append(len(list(hazard_realisations(elevation, read, window, parcel, fleet, Draws(50)))))

        found = in_turns(fifty, windows.read, repeats=1)
    assert set(made) == {50}
    note = f"{found.wall[0]:.1f} s by wall; aim under 20"
    table.ratio("50 realisations of 2 ha", "rasterio, the same window", found, note)


GROUNDS = [
    pytest.param("made", marks=pytest.mark.needs_bench_kit),
    "village",
    "farmland",
]


def compare(windows: Windows, what: str, act: Callable[[WindowGround], object], aim: str, table: Table) -> None:
    """Put the ratio in the table."""

    def ours() -> None:
        for ground in windows.grounds:
            act(ground)

    found = in_turns(ours, windows.read, repeats=5)
    note = f"{windows.cells / 1e6 / max(found.wall[0], 1e-9):.1f} Mcell/s by wall{aim}"
    table.ratio(f"{what}, {windows.name}", "rasterio, the same window", found, note)


@pytest.mark.parametrize("which", GROUNDS)
def test_drop_finder(request: pytest.FixtureRequest, which: str, fleet: Fleet, table: Table) -> None:
    windows: Windows = request.getfixturevalue(which)

    def finder(ground: WindowGround) -> Array:
        grid = ground.surface.grid
        return smeared_edges(ground.surface.z, grid.dx, grid.dy, fleet.hazards)[0]

    # The results first, which also loads compiled code.
    for ground in windows.grounds:
        edge = finder(ground) > 0.0
        assert edge.shape == ground.surface.z.shape
        # What the simple rule adds is drawn from the same heights, so that every smeared cell is a drop of the ground.
        assert ground.hazards.drop[edge].all()
    compare(windows, "smeared drops", finder, "; aim 20", table)


@pytest.mark.parametrize("which", GROUNDS)
def test_possible_water(request: pytest.FixtureRequest, which: str, fleet: Fleet, table: Table) -> None:
    windows: Windows = request.getfixturevalue(which)

    def ponds(ground: WindowGround) -> Array:
        grid = ground.surface.grid
        return possible_water(ground.surface.z, grid.dx, grid.dy, fleet.hazards)[0]

    for ground in windows.grounds:
        assert ponds(ground).shape == ground.surface.z.shape
    compare(windows, "possible water", ponds, "", table)
