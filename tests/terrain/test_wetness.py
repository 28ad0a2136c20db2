"""Contributing area and wetness index against closed forms, a slow walk, richdem, turns and cut windows."""

import math
import sys
from collections import defaultdict

import numpy as np
import pytest
from flow_by_hand import Cell, flow
from scipy import ndimage
from turns import ALL, sides, turned

from slopekit.fleet.template import template_text
from slopekit.grid import Grid, Window
from slopekit.kernels.flood import fill
from slopekit.kernels.order import ascending
from slopekit.kernels.wetness import contributing_area, wetness_index
from slopekit.terrain.settings import TerrainSettings
from slopekit.terrain.surface import surface
from slopekit.terrain.wetness import is_wet, wetness

pytestmark = pytest.mark.reference

# The test extra leaves richdem2 out where it has no wheels.
HAS_WHEELS = sys.version_info < (3, 14)
if HAS_WHEELS:
    import richdem


def known_all(w: np.ndarray) -> np.ndarray:
    return np.zeros(w.shape, bool)


def bare(rows: int, cols: int, seed: int) -> np.ndarray:
    """A hillside with humps and hollows; heights on round numbers, so that some ways are equally steep."""
    random = np.random.default_rng(seed)
    z = ndimage.gaussian_filter(random.normal(size=(rows, cols)), 1.5)
    return np.round(64.0 * (3.0 * z / z.std() + 0.4 * np.arange(rows)[:, None])) / 64.0


def rough(rows: int, cols: int, seed: int) -> np.ndarray:
    """The same with its hollows filled."""
    z = bare(rows, cols, seed)
    border = np.zeros(z.shape, np.uint8)
    border[[0, -1]] = border[:, [0, -1]] = 2
    return fill(z, border, ascending(z))[0]


@pytest.mark.parametrize("size", [(1.0, 1.0), (0.5, 2.0)])
@pytest.mark.parametrize("azimuth", range(0, 360, 15))
def test_a_plane_gathers_one_cell_a_step(azimuth: int, size: tuple[float, float]) -> None:
    # Arithmetic: on a plane every cell takes in as much as it gives, so each step back adds one cell.
    dx, dy = size
    a = math.radians(azimuth)
    south, east = np.mgrid[:41, :41].astype(float)
    w = 50.0 - 0.2 * (east * dx * math.sin(a) - south * dy * math.cos(a))
    for steps in (0, 1, 17):
        area = contributing_area(w, known_all(w), dx, dy, steps)
        inside = area[2 + steps : 39 - steps, 2 + steps : 39 - steps]
        assert inside.size >= 9
        np.testing.assert_allclose(inside, (steps + 1) * dx * dy, rtol=1e-10)
        # The lowest corner is fed from all over the array, up to its own border.
        assert np.isnan(area[[0, 1, -2, -1]]).all() and np.isnan(area[:, [0, 1, -2, -1]]).all()


@pytest.mark.parametrize("steps", [1, 5, 20])
def test_a_valley_gathers_the_square_of_the_steps(steps: int) -> None:
    # Sides that fall along the diagonals to a line that falls as steeply: V(n) = 1 + V(n-1) + 2 (1 + (n-1)), which
    # makes V(n) = (n + 1)^2 cells (arithmetic). Quarters are exact in binary, so no flow strays.
    south, east = np.mgrid[:61, :61].astype(float)
    w = 0.25 * np.abs(east - 30.0) - 0.25 * south
    area = contributing_area(w, known_all(w), 2.0, 2.0, steps)
    below = slice(2 + steps, 59)
    np.testing.assert_array_equal(area[below, 30], 4.0 * (steps + 1) ** 2)
    np.testing.assert_array_equal(area[below, [28, 32]], 4.0 * (steps + 1))


def spread(w: np.ndarray, dx: float, dy: float, start: dict[Cell, float], steps: int) -> list[dict[Cell, float]]:
    """What is on each cell after 0, 1, ... steps, when each amount runs down; nothing leaves the border."""
    out = [start]
    for _ in range(steps):
        after: dict[Cell, float] = defaultdict(float)
        for c, amount in out[-1].items():
            if 0 < c[0] < w.shape[0] - 1 and 0 < c[1] < w.shape[1] - 1:
                for r, part in flow(w, c, dx, dy).items():
                    if part > 1e-9:  # less is rounding: a way that falls along one of the eight directions
                        after[r] += amount * part
        out.append(after)
    return out


@pytest.mark.parametrize(("size", "seed"), [((1.0, 1.0), 1), ((1.0, 1.0), 2), ((1.5, 0.75), 3)])
def test_against_a_walk_from_every_cell(size: tuple[float, float], seed: int) -> None:
    steps, cell = 6, size[0] * size[1]
    # Not filled: ways out of a filled hollow differ by single digits of float64, which the walk takes for ties.
    w = bare(26, 23, seed)
    unknown = known_all(w)
    unknown[9, 12] = True
    # Downward from each cell, where the kernel gathers upward to each: a cell's area is all that ever comes by.
    everywhere = {(i, j): cell for i in range(w.shape[0]) for j in range(w.shape[1])}
    wanted = np.zeros(w.shape)
    for amounts in spread(w, *size, everywhere, steps):
        for c, amount in amounts.items():
            wanted[c] += amount
    edge = unknown | (ndimage.distance_transform_cdt(np.pad(~known_all(w), 1), "chessboard")[1:-1, 1:-1] == 1)
    fed = ndimage.binary_dilation(edge, np.ones((3, 3)))
    lost = np.zeros(w.shape, bool)
    for amounts in spread(w, *size, {(i, j): 1.0 for i, j in np.argwhere(fed).tolist()}, steps):
        lost[tuple(np.array(list(amounts)).T)] = True
    area = contributing_area(w, unknown, *size, steps)
    np.testing.assert_array_equal(np.isnan(area), lost)
    np.testing.assert_allclose(area[~lost], wanted[~lost], rtol=1e-9)
    assert 100 < (~lost).sum() < 0.6 * w.size and area[~lost].max() > 8.0 * cell


@pytest.mark.skipif(not HAS_WHEELS, reason="richdem2 has no wheels for Python 3.14 yet")
def test_against_richdem_where_all_the_ground_above_is_counted() -> None:
    # A hilltop with ribs, whose every slope begins inside: no path is longer than the steps, so both count it all.
    south, east = np.mgrid[:90, :81].astype(float)
    x, y = (east - 38.3) / 40.0, (south - 47.6) / 45.0
    w = 60.0 - 25.0 * (x * x + y * y) * (1.0 + 0.4 * np.cos(5.0 * np.arctan2(y, x) + 0.4))
    border = np.zeros(w.shape, np.uint8)
    border[[0, -1]] = border[:, [0, -1]] = 2
    np.testing.assert_array_equal(fill(w, border, ascending(w))[0], w)
    # Its own D-infinity gives the two receivers each other's part in every other facet (a plane that falls toward 60
    # degrees shows it), so only the adding up is richdem's; the parts are those of the published formulas.
    parts = np.full((*w.shape, 9), -1.0, np.float32)
    parts[..., 0] = 0.0
    order = {(0, -1): 1, (-1, -1): 2, (-1, 0): 3, (-1, 1): 4, (0, 1): 5, (1, 1): 6, (1, 0): 7, (1, -1): 8}
    for i in range(1, w.shape[0] - 1):
        for j in range(1, w.shape[1] - 1):
            for (row, col), part in flow(w, (i, j), 1.0, 1.0).items():
                parts[i, j, order[row - i, col - j]] = part
    props = richdem.rd3array(parts, no_data=-2)
    props.geotransform = (0.0, 1.0, 0.0, 0.0, 0.0, -1.0)
    wanted = np.asarray(richdem.FlowAccumFromProps(props))
    area = contributing_area(w, known_all(w), 1.0, 1.0, 180)
    known = np.isfinite(area)
    assert known[2:-2, 2:-2].all() and area[known].max() > 150.0
    np.testing.assert_allclose(area[known], wanted[known], rtol=1e-5)  # richdem keeps parts in float32


@pytest.mark.parametrize("way", ALL)
def test_turned_ground_has_the_same_area(way: int) -> None:
    w = rough(50, 43, 4)
    upright = contributing_area(w, known_all(w), 1.0, 0.5, 12)
    over = turned(w, way)
    area = contributing_area(over, known_all(over), *sides(1.0, 0.5, way), 12)
    np.testing.assert_allclose(area, turned(upright, way), rtol=1e-12)
    assert np.isfinite(upright).sum() > 500


def test_a_known_area_is_the_same_in_a_wider_window() -> None:
    steps = 15
    w = rough(120, 110, 5)
    whole = contributing_area(w, known_all(w), 1.0, 1.0, steps)
    part = contributing_area(np.ascontiguousarray(w[20:90, 25:95]), np.zeros((70, 70), bool), 1.0, 1.0, steps)
    known = np.isfinite(part)
    np.testing.assert_array_equal(part[known], whole[20:90, 25:95][known])
    # However the ground lies, all is known so many steps and two cells inside the border.
    assert known[steps + 2 : -steps - 2, steps + 2 : -steps - 2].all()
    assert not known.all() and known.sum() > 38 * 38


def test_the_index_of_even_ground_is_the_one_of_the_fleet_file() -> None:
    # Arithmetic: 100 m are 70 diagonals of 1 m cells, so a = 71 m, and ln(71 / 0.02) = 8.17.
    z = np.repeat(100.0 - 0.02 * np.arange(190.0)[:, None], 190, axis=1)
    top = surface(z, Grid(190, 190, 0.0, 0.0, 1.0, 1.0, "x"), 1, TerrainSettings())
    index = wetness(top, Window(80, 80, 30, 30), 100.0, TerrainSettings())
    np.testing.assert_allclose(index, math.log(71.0 / 0.02), rtol=1e-9)
    assert round(float(index[0, 0])) == 8 and "Even ground of 2 % comes to about 8 (1 m cells" in template_text()
    # One diagonal more or less, exactly.
    for diagonals in (3, 4):
        index = wetness(top, Window(80, 80, 9, 9), diagonals * math.sqrt(2.0), TerrainSettings())
        np.testing.assert_allclose(index, math.log((diagonals + 1) / 0.02), rtol=1e-9)
    # A missing cell four rows uphill of the view: its flow and its neighbours' may change, and all that comes of it.
    z[76, 95] = np.nan
    holed = surface(z, Grid(190, 190, 0.0, 0.0, 1.0, 1.0, "x"), 1, TerrainSettings())
    lost = np.isnan(wetness(holed, Window(80, 80, 30, 30), 100.0, TerrainSettings()))
    np.testing.assert_array_equal(np.flatnonzero(lost.any(axis=0)) + 80, [93, 94, 95, 96, 97])
    assert lost[:, 13:18].all()


def test_level_ground_counts_as_1_in_1000_and_what_is_not_known_as_wet() -> None:
    area, grade = np.array([4.0, 4.0, np.nan, 4.0]), np.array([0.0, 0.5, 0.1, np.nan])
    index = wetness_index(area, grade, 1.0, 4.0)
    np.testing.assert_allclose(index, [math.log(2.0 / 0.001), math.log(4.0), np.nan, np.nan])
    assert is_wet(index, 7.0).tolist() == [True, False, True, True]
    assert is_wet(np.array([7.0]), 7.0).all()
