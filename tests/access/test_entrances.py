"""Which cells entrances lead to, by hand on a grid of ten by ten cells."""

import numpy as np
import pytest
import shapely

from slopekit.access.entrances import entrances_at
from slopekit.access.routes import Entrance
from slopekit.grid import Grid
from slopekit.screening.given import gates_of
from slopekit.sources.layers import Layer

REGION = shapely.box(2.0, 2.0, 8.0, 8.0)
CELLS = np.zeros((10, 10), bool)
CELLS[2:8, 2:8] = True


def found(
    *shapes: shapely.Geometry, widths: list[float] | None = None, reach: float = 1.5, foot: float = 1.0
) -> list[Entrance]:
    grid = Grid(10, 10, 0.0, 10.0 / foot, 1.0 / foot, 1.0 / foot, "", foot)
    moved = shapely.transform([*shapes, REGION], lambda xy: xy / foot)
    layer = Layer.of("e", moved[:-1], widths=widths)
    return list(entrances_at(gates_of(layer, moved[-1], grid, reach), moved[-1], CELLS, grid, reach))


@pytest.mark.parametrize("foot", [1.0, 0.3048])
def test_a_point_leads_to_the_nearest_cell(foot: float) -> None:
    # Row 0 is the northernmost: y = 5.4 lies in row 4. From outside it is the nearest cell of the parcel.
    assert found(shapely.Point(4.6, 5.4), foot=foot) == [Entrance((4, 4), None, 1)]
    assert found(shapely.Point(1.0, 5.4), foot=foot) == [Entrance((4, 2), None, 1)]
    assert found(shapely.Point(0.4, 5.4), foot=foot) == []


def test_a_point_between_cells_leads_to_all_of_them() -> None:
    assert {e.cell for e in found(shapely.Point(5.0, 5.0))} == {(4, 4), (4, 5), (5, 4), (5, 5)}
    assert {e.cell for e in found(shapely.Point(5.0, 9.0))} == {(2, 4), (2, 5)}


def test_a_frontage_leads_in_all_along_the_part_within_reach() -> None:
    # The line runs from far in the west, 1 m north of the parcel, to its middle.
    line = shapely.LineString([(-30.0, 9.0), (5.5, 9.0)])
    assert {e.cell for e in found(line)} == {(2, 2), (2, 3), (2, 4), (2, 5)}
    assert {e.cell for e in found(shapely.LineString([(0.0, 9.6), (10.0, 9.6)]))} == set()
    # One that leads away: 1.5 m off at x = 3.75, farther beyond.
    away = shapely.LineString([(2.5, 9.0), (7.5, 11.0)])
    assert {e.cell for e in found(away)} == {(2, 2), (2, 3)}
    two = shapely.MultiLineString([[(2.5, 9.0), (3.5, 9.0)], [(7.5, 1.0), (7.5, 1.2)]])
    assert {e.cell for e in found(two)} == {(2, 2), (2, 3), (7, 7)}


def test_numbers_and_widths_are_those_of_the_file() -> None:
    shapes = [shapely.Point(90.0, 90.0), shapely.Point(1.5, 5.5), shapely.Point(8.5, 5.5)]
    assert found(*shapes, widths=[3.0, 2.5, np.nan]) == [Entrance((4, 2), 2.5, 2), Entrance((4, 7), None, 3)]
