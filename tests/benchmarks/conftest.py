"""Ground of the benchmark kit, and the table of ratios that pytest prints at its end whether or not tests pass."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from bench_site import FLEET, HEAD, KIT, PARCELS, SIDE, WIDE, Site, Table

from slopekit.fleet.load import load_fleet
from slopekit.fleet.model import Fleet
from slopekit.sources.elevation import Elevation, open_elevation

ROWS = pytest.StashKey[list[str]]()


def pytest_configure(config: pytest.Config) -> None:
    config.stash[ROWS] = []
    config.addinivalue_line("markers", f"needs_bench_kit: makes its ground with the kit in the folder of {KIT}")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if os.environ.get(KIT):
        return
    for item in items:
        if item.get_closest_marker("needs_bench_kit"):
            reason = f"the benchmark kit is not here: set {KIT} to the folder that holds it"
            item.add_marker(pytest.mark.skipif(True, reason=reason))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    if config.stash[ROWS]:
        terminalreporter.section("benchmarks (medians; ratio = ours / peer, below 1 is faster)")
        for line in [HEAD, *config.stash[ROWS]]:
            terminalreporter.write_line(line)
        load = f", load {os.getloadavg()[0]:.1f} now" if hasattr(os, "getloadavg") else ""
        terminalreporter.write_line(f"{os.cpu_count()} cores{load}. cpu = user + system of all processes and threads.")


@pytest.fixture(scope="session")
def table(request: pytest.FixtureRequest) -> Table:
    """Lines put here appear in the summary of the run."""
    return Table(request.config.stash[ROWS])


@pytest.fixture(scope="session")
def kit() -> Path:
    """The folder of the kit. Only for tests marked `needs_bench_kit`."""
    folder = Path(os.environ[KIT])
    assert (folder / "make_ground.py").is_file(), f"{KIT} is set but {folder} holds no make_ground.py"
    return folder


@pytest.fixture(scope="session")
def site(kit: Path, tmp_path_factory: pytest.TempPathFactory) -> Site:
    folder = tmp_path_factory.mktemp("bench")
    made = Site(folder / "ground.tif", folder / "parcels.gpkg")
    command = [sys.executable, str(kit / "make_ground.py"), str(SIDE), str(made.raster), str(made.parcels)]
    subprocess.run([*command, str(PARCELS)], check=True, capture_output=True)
    return made


@pytest.fixture(scope="session")
def wide_raster(site: Site) -> Path:
    """WIDE x WIDE cells whose north-west corner is the site, with its mirror images beyond.

    The same parcels then lie on the same ground, so that nothing but the size of the raster differs.
    """
    path = site.raster.with_name("wide.tif")
    with rasterio.open(site.raster) as source:
        z, profile = source.read(1), source.profile
    turn = np.concatenate([np.arange(SIDE), np.arange(SIDE)[::-1]])
    at = turn[np.arange(WIDE) % (2 * SIDE)]
    with rasterio.open(path, "w", **{**profile, "height": WIDE, "width": WIDE, "num_threads": 2}) as out:
        strip = profile["blockysize"]
        for top in range(0, WIDE, strip):
            rows = at[top : top + strip]
            out.write(z[rows][:, at], 1, window=((top, top + len(rows)), (0, WIDE)))
    return path


@pytest.fixture(scope="session")
def elevation(site: Site) -> Elevation:
    return open_elevation([site.raster])


@pytest.fixture(scope="session")
def fleet_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("fleet") / "fleet.toml"
    path.write_text(FLEET)
    return path


@pytest.fixture(scope="session")
def fleet(fleet_file: Path) -> Fleet:
    return load_fleet(fleet_file)
