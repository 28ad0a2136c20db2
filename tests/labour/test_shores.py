"""Length of shores and crest lines that follow cells, against circles, squares and straight lines of known length."""

import math

import numpy as np
import pytest
import shapely

from slopekit.grid import Grid
from slopekit.hazards.pieces import pieces_of
from slopekit.hazards.shapes import crest_lines
from slopekit.labour.shores import without_steps
from slopekit.sources.raster import outlines


def survey(cells: int, cell: float) -> tuple[Grid, np.ndarray, np.ndarray]:
    """A grid, and east and north of its cells' centres from its middle, in cells."""
    grid = Grid(cells, cells, 500_000.0, 5_600_000.0, cell, cell, "EPSG:25832", 1.0)
    row, col = np.mgrid[:cells, :cells] + 0.5
    return grid, col - cells / 2, cells / 2 - row


def shore(mask: np.ndarray, grid: Grid) -> tuple[float, float]:
    """Length along the cells and length that counts, in cells."""
    (body,), _ = outlines(mask.astype(np.int32), grid)
    line = shapely.boundary(body)
    return line.length / grid.step_x, without_steps(line, 1.0)[1].sum() / grid.step_x


@pytest.mark.parametrize("cell", [0.5, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("radius", [8.0, 12.3, 36.0, 100.0])
def test_the_shore_of_a_round_pond(radius: float, cell: float) -> None:
    """2 pi r, by arithmetic; along the cells it is 8 r, 27 % more. A round pond of 225 m would take 286 m so."""
    rng = np.random.default_rng(7)
    for _ in range(5):
        grid, x, y = survey(int(2.0 * radius) + 8, cell)
        east, north = rng.uniform(-0.5, 0.5, 2)
        along, found = shore(np.hypot(x - east, y - north) < radius, grid)
        assert along == pytest.approx(8.0 * radius, rel=0.05)
        assert found == pytest.approx(2.0 * math.pi * radius, rel=0.02)


@pytest.mark.parametrize("side", [14.0, 20.0, 60.0, 150.0])
def test_the_shore_of_a_square_pond_however_turned(side: float) -> None:
    rng = np.random.default_rng(8)
    longest = 0.0
    for angle in np.radians(np.arange(0.0, 90.0, 3.0)):
        grid, x, y = survey(int(1.5 * side) + 8, 1.0)
        x, y = x - rng.uniform(-0.5, 0.5), y - rng.uniform(-0.5, 0.5)
        inside = np.abs(x * math.cos(angle) + y * math.sin(angle)) < side / 2.0
        inside &= np.abs(y * math.cos(angle) - x * math.sin(angle)) < side / 2.0
        along, found = shore(inside, grid)
        # Whole cells fall in: along the cells' directions the pond itself comes out up to half a cell off on each side.
        assert found == pytest.approx(4.0 * side, rel=0.05 if side <= 20.0 else 0.03), math.degrees(angle)
        longest = max(longest, along / (4.0 * side))
    assert longest > 1.38


def test_a_straight_crest_in_any_direction() -> None:
    """A line through the centres of cells, from (0, 0) to the point named: Pythagoras."""
    for steps in ((40, 0), (40, 40), (40, 20), (40, 10), (40, 17), (40, 3)):
        grid, _, _ = survey(60, 1.0)
        cells = np.zeros(grid.shape, np.int32)
        at = np.arange(steps[0] + 1)
        cells[5 + np.round(at * steps[1] / steps[0]).astype(int), 5 + at] = 1
        height = np.where(cells > 0, 1.2, np.nan)
        none = np.zeros(grid.shape, bool)
        pieces = pieces_of(cells > 0, height, none, 1.0, 1.0, 0.0, 0.9)
        (crest,) = crest_lines(cells, pieces, grid)
        found = without_steps(crest.geometry, 1.0)[1].sum()
        assert found == pytest.approx(math.hypot(*steps), rel=0.02), steps


def test_neither_the_start_nor_a_turn_matters() -> None:
    grid, x, y = survey(60, 1.0)
    mask = (np.hypot(x - 3.0, y) < 15.0) | ((np.abs(x + 10.0) < 12.0) & (np.abs(y - 0.3 * x) < 6.0))
    first = shore(mask, grid)[1]
    for turned in (mask[::-1], mask[:, ::-1], mask.T, np.rot90(mask), np.rot90(mask, 2)):
        assert shore(turned, grid)[1] == pytest.approx(first, rel=1e-12)


def test_what_has_no_steps_stays_as_it_is() -> None:
    for line in (
        shapely.boundary(shapely.box(0.0, 0.0, 10.0, 3.0)),
        shapely.LineString([(0.0, 0.0), (3.0, 4.0)]),
        shapely.boundary(shapely.Point(0.0, 0.0).buffer(200.0)),
    ):
        ends, length = without_steps(line, 1.0)
        assert length.sum() == pytest.approx(line.length)
        assert np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1]) == pytest.approx(length)
    # In feet of 0.3048 m the same cells are steps all the same.
    grid, x, y = survey(60, 3.0)
    (body,), _ = outlines((np.hypot(x, y) < 20.0).astype(np.int32), grid)
    found = without_steps(shapely.boundary(body), 0.3048)[1].sum() / 3.0
    assert found == pytest.approx(40.0 * math.pi, rel=0.02)
