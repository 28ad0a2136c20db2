"""Real scarps and banks, and ponds laid into real ground: what must be refused is, level ground away from it is not.

What is sheer and what is level is asked of the heights with scipy alone. The grids are open survey data (see
tests/data/README.md); none of them shows a pond that its survey flattened, so ponds are laid into them.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from ground_maker import Array, Bool, fleet_of, write_ground
from scipy import ndimage

from slopekit.runout.run_out import BASIN, HAZARDS, KINDS
from slopekit.screening.ground import WindowGround, look_round, read_ground
from slopekit.sources.elevation import open_elevation
from slopekit.sources.layers import Layers
from slopekit.terrain.surface import slope_deg

pytestmark = pytest.mark.reference

# The look of a fleet without settings, and the ground beside it that tells of its border.
LOOK_M = 150.0
EDGE_M = LOOK_M + 35.0


@dataclass(frozen=True)
class Case:
    window: WindowGround
    z: Array
    cell: float

    @property
    def inner(self) -> Bool:
        out = np.zeros(self.z.shape, bool)
        edge = math.ceil(LOOK_M / self.cell) + 1
        out[edge:-edge, edge:-edge] = True
        return out & ~np.isnan(self.z)

    @property
    def slope(self) -> Array:
        return slope_deg(self.window.surface.limit_grade)

    def fall_within(self, metres: float) -> Array:
        """How much lower the lowest ground within a distance lies."""
        k = round(metres / self.cell)
        i, j = np.mgrid[-k : k + 1, -k : k + 1]
        return self.z - ndimage.minimum_filter(
            np.where(np.isnan(self.z), 1e6, self.z), footprint=i * i + j * j <= k * k
        )

    @property
    def refused(self) -> Bool:
        """Refused to a seated operator for what lies around, whatever the slope."""
        return self.got(*KINDS) | self.window.hazards.stand_off

    def got(self, *kinds: str) -> Bool:
        """Cells from which a machine gets to one of some kinds at the fastest working speed; no others are asked."""
        run, out = self.window.run, np.zeros(self.z.shape, bool)
        out[run.view.slices] = np.minimum.reduce([run.head(kind)[run.slippery] for kind in kinds]) < np.inf
        return out


def case(path: Path) -> Case:
    fleet = fleet_of()
    with open_elevation([path], surface="ground") as elevation:
        west, south, east, north = elevation.survey.grid.bounds
        inner = shapely.box(west + EDGE_M, south + EDGE_M, east - EDGE_M, north - EDGE_M)
        read = read_ground(elevation, [inner], fleet)
        window = look_round(read, inner, Layers(), fleet, elevation)
    return Case(window, window.surface.z, window.surface.grid.dx)


@pytest.fixture(scope="module", params=["village_scarp_1m", "embankment_2m"])
def real(request: pytest.FixtureRequest, open_data: Callable[[str], Path]) -> Case:
    return case(open_data(f"{request.param}.tif"))


def test_the_top_of_a_scarp_is_refused(real: Case) -> None:
    # 3 m of fall within 5 m is 31 degrees on the mean, so steeper somewhere; the ground itself is mown at under 15.
    top = real.inner & (real.slope < 15.0) & (real.fall_within(5.0) >= 3.0)
    assert top.sum() > 30
    assert real.refused[top].mean() > 0.98


def test_level_ground_away_from_it_is_not(real: Case) -> None:
    away = real.inner & (real.slope < 3.0) & (real.fall_within(40.0) < 1.0)
    # Floors of hollows, and ground that drains into one, are refused until somebody says that they are dry.
    away &= ~real.got(BASIN) & ~real.window.hazards.possible
    assert away.sum() > 10_000
    assert real.refused[away].mean() < 0.01


def test_what_looks_like_a_pond_is_little_and_refused(real: Case) -> None:
    """Every body by itself: closed, over 100 m2 unless the border cuts it, and all of it refused."""
    hazards = real.window.hazards
    label, count = ndimage.label(hazards.possible)
    assert not hazards.flat.any() and count <= 8
    for body in range(1, count + 1):
        cells = label == body
        # A relief of a few centimetres over all of it, and no lower ground at its shore.
        assert np.ptp(np.percentile(real.z[cells], [5.0, 95.0])) < 0.25
        shore = ndimage.binary_dilation(cells) & ~cells & ~np.isnan(real.z)
        assert np.median(real.z[shore]) > np.median(real.z[cells])
        assert hazards.open_bodies[cells].any() or cells.sum() * real.cell**2 > 100.0
        assert real.refused[cells].all()


@pytest.mark.parametrize("noise_m", [0.0, 0.02], ids=["flattened", "noisy"])
def test_ponds_laid_into_real_hollows(tmp_path: Path, noise_m: float, open_data: Callable[[str], Path]) -> None:
    """Ponds dug into the flattest ground of the village: the bank above them is refused, by the right kind of water."""
    bare = case(open_data("village_scarp_1m.tif"))
    z = bare.z.copy()
    i, j = np.mgrid[: z.shape[0], : z.shape[1]]
    # All of a pond and its bank lie where answers are asked for.
    room = ndimage.binary_erosion(bare.inner, iterations=25)
    level = np.where(room, ndimage.maximum_filter(bare.slope, 61), np.inf)
    rng = np.random.default_rng(8)
    ponds, banks = [], []
    for _ in range(6):
        row, col = np.unravel_index(level.argmin(), z.shape)
        far = np.hypot(i - row, j - col)
        level[far < 80.0] = np.inf
        # A basin with sides of 1 in 3, water 1.5 m below its rim.
        rim = z[far < 22.0].min()
        z = np.where(far < 22.0, np.minimum(z, rim - np.clip(22.0 - far, 0.0, 9.0) / 3.0), z)
        water = (far < 22.0) & (z <= rim - 1.5)
        z[water] = rim - 1.5 + noise_m * rng.normal(size=int(water.sum()))
        ponds.append(water)
        banks.append((far > far[water].max() + 2.0) & (far < 21.0))
    whole = rasterio.open(open_data("village_scarp_1m.tif")).read(1).astype(float)
    beside = (whole.shape[0] - z.shape[0]) // 2
    whole[beside:-beside, beside:-beside] = z
    wet = case(write_ground(tmp_path / "ponds.tif", whole))
    hazards = wet.window.hazards
    assert len(ponds) == 6
    for water, bank in zip(ponds, banks, strict=True):
        kind = hazards.flat if noise_m == 0.0 else hazards.possible
        assert kind[water].mean() > 0.95 and bank.sum() > 100
        assert wet.got(*HAZARDS)[bank].mean() > 0.99
