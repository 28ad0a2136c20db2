"""What is said of walls that the grid can show, against counts made again: no published rates exist for this.

docs/detection.md is written by edge_rates.py. Counts depend on its seeds, so that a finder that gets better or worse
shows here: run `python tests/hazards/edge_rates.py`, look at what changed, and copy what it prints to
hazards/detection.py.
"""

import edge_rates as made
import numpy as np
import pytest

from slopekit.hazards import detection
from slopekit.hazards.detection import detection_limit
from slopekit.hazards.settings import HazardSettings

pytestmark = pytest.mark.reference

PAGE = made.DOCS.read_text(encoding="utf-8")
LEAST, WALLS, GROUNDS = made.tables(PAGE)


def test_the_page_has_every_table_whole() -> None:
    assert [row[:2] for row in LEAST] == [[f"{c:g}", str(s)] for c in made.CELLS for s in made.SMEARS]
    assert [row[:3] for row in WALLS] == [
        [f"{c:g}", str(s), f"{h:g}"] for c in made.CELLS for s in made.SMEARS for h in made.HEIGHTS
    ]
    assert [row[:2] for row in GROUNDS] == [[g, f"{c:g}"] for g in made.GROUNDS for c in made.CELLS]
    # Its words are those of the script.
    words = made.TEXT.split("{least}")[0]
    assert PAGE.startswith(words)


def test_what_is_told_of_a_grid_stands_on_the_page() -> None:
    assert made.constants(PAGE) == (detection.LEAST_M, detection.FOUND, detection.BANKS)
    assert detection.EXAMPLE_M in made.HEIGHTS and made.FINE_HEIGHTS[-1] == detection.HIGHEST_M
    assert tuple(100.0 * rmse for rmse in made.NOISES) == detection.NOISES_CM


@pytest.mark.parametrize(("cell", "smear", "height"), [(0.5, 3, 0.9), (1.0, 2, 0.9), (1.0, 2, 1.2), (2.0, 1, 1.5)])
def test_walls_counted_again(cell: float, smear: int, height: float) -> None:
    row = made.wall_row(cell, smear, height)
    assert row in WALLS


@pytest.mark.parametrize(
    ("ground", "cell"), [("bank 1.5:1, 6 m wide", 0.5), ("bank 2:1, 6 m wide", 1.0), ("rolling lawn", 1.0)]
)
def test_grounds_counted_again(ground: str, cell: float) -> None:
    assert made.ground_row(ground, cell) in GROUNDS


@pytest.mark.parametrize(("cell", "smear", "rmse"), [(1.0, 2, 0.10), (1.0, 3, 0.0), (2.0, 1, 0.05)])
def test_least_heights_counted_again(cell: float, smear: int, rmse: float) -> None:
    height = detection.LEAST_M[cell][made.NOISES.index(rmse)][smear - 1]
    assert height is not None
    assert made.walls_found(cell, smear, height, rmse, made.ALL) >= made.OFTEN
    lower = round(height - 0.1, 1)
    assert made.walls_found(cell, smear, lower, rmse, made.ALL) < made.OFTEN


def test_bounds_that_the_finder_must_keep() -> None:
    # The counts may change with the finder; they may not get worse than this.
    for noise, row in zip(detection.NOISES_CM, detection.LEAST_M[1.0], strict=True):
        one, two, three = row
        assert one <= 1.0 and two <= 1.2 and three <= (1.2 if noise < 10 else 2.2)
    assert detection.FOUND[1.0][1] >= 95 and detection.BANKS[1.0] <= 10
    # Without noise nothing but a wall is one, save banks that are as narrow as a smeared wall.
    assert all(row[2] == "0" for row in GROUNDS if "m high" not in row[0])


@pytest.mark.parametrize("cell", [0.25, 0.5, 1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("interpolated", [False, True])
def test_sharp_steps_without_noise(cell: float, interpolated: bool) -> None:
    # A step by its heights in cells of a row: between two cells, or with one half way; interpolated ones twice as many.
    limit = detection_limit(cell, cell, HazardSettings(), interpolated)
    spread = 2 if interpolated else 1
    for steps, least in ((spread, limit.between_cells_m), (2 * spread, limit.across_cell_m)):
        row = np.clip((np.arange(24) - 11) / steps, 0.0, 1.0)

        def is_found(height: float, row: np.ndarray = row) -> bool:
            z = np.repeat(-height * row[:, None], 24, axis=1)
            edge = made.either(z, cell)
            return bool(edge[:, 5:-5].any(axis=0).all())

        assert is_found(least * 1.005), (steps, least)
        assert not is_found(least * 0.995), (steps, least)


def test_words_for_grids_without_counts() -> None:
    default = HazardSettings()
    told = " ".join(detection_limit(5.0, 4.0, default).sentences())
    assert "made cases" not in told and "cells of up to 3 m" in told and "must be drawn" in told
    told = " ".join(detection_limit(1.0, 1.0, HazardSettings(drop_height_m=1.5)).sentences())
    assert "made cases" not in told and "default settings of drops only" in told
    told = " ".join(detection_limit(0.7, 0.6, default).sentences())
    assert "cells of 1 m, the next counted" in told
    told = " ".join(detection_limit(1.0, 1.0, default, interpolated=True).sentences())
    assert "smeared over two and three cells of 1 m" in told
