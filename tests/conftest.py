"""Real ground for every test folder."""

import hashlib
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

GROUND = Path(__file__).parent / "data" / "ground"

KETTLE_WHEEL = "lidar==0.8.4"  # MIT licence; only its sample grid is used, the package is never installed
KETTLE_MEMBER = "lidar/data/dem.tif"
KETTLE_SHA256 = "c0f525ea2f1ab78becf64dabdc0ba386de34c092151a95d463ae9b6cd74154f4"

# The same examples every time and on every machine, however slow: a red test then speaks of the change.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")

# Each of these groups goes to one process, one test after the other, and before all others, since it takes longest.
GROUPS = {
    "qgis": ("tests/qgis/",),
    "kills": (
        "tests/portfolio/test_portfolio_kills",
        "tests/portfolio/test_fault_rounds",
        "tests/faults/test_screen_kills",
    ),
    "Dask": ("tests/portfolio/test_portfolio_dask", "tests/portfolio/test_portfolio_scheduler"),
    "memory": (
        "tests/portfolio/test_portfolio_limits",
        "tests/portfolio/test_portfolio_merge",
        "tests/faults/test_little",
    ),
}


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


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.fixture(scope="session")
def kettle_ground(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """400 x 400 cells of 1 m, EPSG:26915: real kettle ground with closed basins up to 15 m deep.

    Fetched once from the package index and kept in pytest's cache. A test that cannot get it fails; none skips.
    """
    cache = getattr(request.config, "cache", None)
    folder = Path(cache.mkdir("kettle_ground")) if cache is not None else tmp_path_factory.mktemp("kettle_ground")
    ground = folder / "kettle_ground.tif"
    if not (ground.is_file() and _sha256(ground) == KETTLE_SHA256):
        wheels = tmp_path_factory.mktemp("wheel")
        command = [
            sys.executable,
            "-m",
            "pip",
            "download",
            "--no-deps",
            "--only-binary",
            ":all:",
            "--dest",
            str(wheels),
        ]
        done = subprocess.run([*command, KETTLE_WHEEL], capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"pip could not fetch {KETTLE_WHEEL}: {done.stderr.strip()}"
        (wheel,) = wheels.glob("*.whl")
        with zipfile.ZipFile(wheel) as archive:
            fresh = wheels / ground.name
            fresh.write_bytes(archive.read(KETTLE_MEMBER))
        assert _sha256(fresh) == KETTLE_SHA256, f"{KETTLE_MEMBER} in {KETTLE_WHEEL} is not the file that was checked"
        ground.write_bytes(fresh.read_bytes())
    return ground
