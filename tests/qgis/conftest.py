"""A fresh profile of the real QGIS, a site in a folder with an awkward name, and ways to run both sides."""

import contextlib
import io
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
from qgis_samples import PARCELS, PROGRAM, Done, Place, Qgis, Said, screen_values

from slopekit.api.demo import demo_data
from slopekit.cli import main
from slopekit.outputs.qgis_profile import install

NO_QGIS = "QGIS is not here: install Debian's package qgis (DEVELOPERS.md, 'What some tests need')"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if PROGRAM:
        return
    for item in items:
        if item.get_closest_marker("qgis"):
            item.add_marker(pytest.mark.skipif(True, reason=NO_QGIS))


@pytest.fixture(scope="session")
def qgis(tmp_path_factory: pytest.TempPathFactory) -> Qgis:
    found = Qgis(tmp_path_factory.mktemp("qgis") / "Süd 三 profile")
    install(found.profile)
    done = found.process("plugins", "enable", "processing")
    assert done.code == 0, done.text
    return found


@pytest.fixture(scope="session")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    folder = tmp_path_factory.mktemp("site") / "Grün 三 site"
    shutil.copytree(demo_data(), folder, ignore=shutil.ignore_patterns("*.py", "*.png", "__pycache__"))
    parcels = gpd.read_file(folder / "parcels.gpkg")
    (folder / "parcels.gpkg").unlink()
    parcels[parcels["parcel_id"].isin(PARCELS)].to_file(folder / "parcels.gpkg", layer="parcels")
    return Place(folder)


@pytest.fixture(scope="session")
def command_line() -> Callable[..., Said]:
    """command_line(*words) -> what slopekit itself does with these words."""

    def run(*words: str) -> Said:
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = main(list(words))
        return Said(code, out.getvalue(), err.getvalue())

    return run


@pytest.fixture(scope="session")
def screened(qgis: Qgis, place: Place, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Done]:
    """The GeoPackage that the algorithm wrote, and how the run went."""
    out = tmp_path_factory.mktemp("out") / "Größe 三.gpkg"
    done = qgis.run("screen", **screen_values(place), OUTPUT=out)
    assert done.code == 0, done.text
    return out, done


@pytest.fixture(scope="session")
def layers_of() -> Callable[[Path], Mapping[str, Any]]:
    """Every layer of a GeoPackage by name, as GDAL reads it."""

    def read(path: Path) -> Mapping[str, Any]:
        return {name: gpd.read_file(path, layer=name) for name in gpd.list_layers(path)["name"]}

    return read
