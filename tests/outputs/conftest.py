from typing import Any

import numpy as np
import pytest
from output_samples import sample_grid, sample_ground, sample_tables

from slopekit.grid import Grid


@pytest.fixture(scope="session")
def grid() -> Grid:
    return sample_grid()


@pytest.fixture(scope="session")
def ground(grid: Grid) -> np.ndarray:
    return sample_ground(grid)


@pytest.fixture
def tables() -> dict[str, Any]:
    return sample_tables()
