"""Real ground for every test folder."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings
from real_ground import Ground, read

GROUND = Path(__file__).parent / "data" / "ground"

# The same examples every time and on every machine, however slow: a red test then speaks of the change.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")

# Each of these groups goes to one process, one test after the other, and before all others, since it takes longest.
GROUPS = {
    "qgis": ("tests/qgis/",),
    "kills": (
        "tests/portfolio/test_portfolio_kills",
        "tests/portfolio/test_fault_rounds",
        "tests/screening/test_screen_kills",
    ),
    "Dask": ("tests/portfolio/test_portfolio_dask", "tests/portfolio/test_portfolio_scheduler"),
    "memory": (
        "tests/portfolio/test_portfolio_limits",
        "tests/portfolio/test_portfolio_merge",
        "tests/screening/test_little",
    ),
}


@pytest.hookimpl(tryfirst=True)  # the groups are read by the same hook of xdist
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Where tests run side by side, a file goes to one process whole, since its tests share what they have made."""
    last = list(GROUPS)

    def group(item: pytest.Item) -> str:
        return next((name for name, paths in GROUPS.items() if item.nodeid.startswith(paths)), item.path.name)

    for item in items:
        item.add_marker(pytest.mark.xdist_group(group(item)))
    items.sort(key=lambda item: last.index(group(item)) if group(item) in last else len(last))


@pytest.fixture(scope="session")
def open_data() -> Callable[[str], Path]:
    """The path of an open grid by file name (`tests/data/README.md` has origins and licences)."""
    return GROUND.__truediv__


@pytest.fixture(scope="session")
def ground(open_data: Callable[[str], Path]) -> Callable[[str], Ground]:
    """A real grid by name."""
    kept: dict[str, Ground] = {}

    def get(name: str) -> Ground:
        if name not in kept:
            kept[name] = read(open_data(f"{name}.tif"))
        return kept[name]

    return get
