"""Real ground for every test folder."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

GROUND = Path(__file__).parent / "data" / "ground"

# The same examples every time and on every machine, however slow: a red test then speaks of the change.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")


@pytest.fixture(scope="session")
def open_data() -> Callable[[str], Path]:
    """The path of an open grid by file name (`tests/data/README.md` has origins and licences)."""
    return GROUND.__truediv__
