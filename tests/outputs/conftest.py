from typing import Any

import numpy as np
import pytest
from output_samples import sample_grid, sample_ground, sample_landforms, sample_tables

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


@pytest.fixture
def landforms() -> dict[str, Any]:
    return sample_landforms()


@pytest.fixture(params=["zones", "zones and landforms", "landforms"])
def result(request: pytest.FixtureRequest, tables: dict[str, Any], landforms: dict[str, Any]) -> dict[str, Any]:
    """What `screen` returns, without landforms and with them, and what the inventory of landforms returns."""
    if request.param == "zones":
        return tables
    return (tables if "zones" in request.param else {"run_notes": tables["run_notes"]}) | landforms
