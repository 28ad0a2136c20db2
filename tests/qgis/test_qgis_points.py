"""Points in the real QGIS against the command line: a cloud with a wall, water and trees, and a screening with it."""

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from district import FLEET
from ground_maker import NORTH, UTM, WEST
from points_maker import ground_cloud, write_points
from qgis_samples import Qgis, Said, content

from slopekit.outputs.points import point_paths
from slopekit.sources.point_results import PACKAGES

pytestmark = pytest.mark.qgis
CommandLine = Callable[..., Said]


def with_wall(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A wall of 1.5 m from south to north, on ground that falls to the west."""
    return 50.0 + 0.02 * x + np.where(x > 30.0, 1.5, 0.0)


@pytest.fixture(scope="module")
def cloud(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = ground_cloud(with_wall, 10.0)
    made.code[(made.x < 10.0) & (made.y < 10.0)] = 9  # water, by the LAS specification
    # It has no CRS of its own, so that the form must give one.
    return write_points(tmp_path_factory.mktemp("points") / "Grün 三.laz", made, crs=None)


def test_points_give_the_same_folder(qgis: Qgis, cloud: Path, command_line: CommandLine, tmp_path: Path) -> None:
    done = qgis.run("points", FILES=cloud, CRS=UTM, ROLL_BAR="2.5", FOLDER=tmp_path / "a")
    said = command_line("points", str(cloud), "--crs", UTM, "--roll-bar", "2.5", "--out", str(tmp_path / "b"))
    assert (done.code, said.code) == (0, 0), done.text + said.err
    assert done.results["GROUND"] == str(tmp_path / "a" / "ground.tif")
    for first, second in zip(point_paths(tmp_path / "a"), point_paths(tmp_path / "b"), strict=True):
        if first.suffix == ".gpkg":
            assert content(first) == content(second), first.name
        else:
            assert first.read_bytes() == second.read_bytes(), first.name


def test_points_are_loaded_and_taken_by_a_screening(
    qgis: Qgis, cloud: Path, command_line: CommandLine, tmp_path: Path
) -> None:
    folder = tmp_path / "Süd points"
    values = {"FILES_FOLDER": str(cloud.parent), "CRS": UTM, "FOLDER": str(folder)}
    found = qgis.ask("loaded", name="points", values=values)
    assert found["said"] == [] and found["top"] == ["slopekit: Süd points"]
    (layers,) = found["groups"].values()
    filled = [gpd.read_file(folder / name, layer=layer) for layer, name in PACKAGES.items()]
    assert [len(one) > 0 for one in filled] == [True, True, False, False]
    assert [name for name, _ in layers] == ["Walls and edges in points", "Water in points", "Bare ground of the points"]
    fleet, parcels = tmp_path / "fleet.toml", tmp_path / "parcels.gpkg"
    shape = shapely.box(WEST + 5.0, NORTH - 55.0, WEST + 55.0, NORTH - 5.0)
    gpd.GeoDataFrame({"id": ["a"]}, geometry=[shape], crs=UTM).to_file(parcels)
    fleet.write_text(FLEET.format(run=40))
    (tmp_path / "a").mkdir()
    done = qgis.run("screen", POINTS=folder, PARCELS=parcels, FLEET=fleet, OUTPUT=tmp_path / "a" / "zones.gpkg")
    (tmp_path / "b").mkdir()
    said = command_line(
        "screen", "--points", str(folder), "--parcels", str(parcels), "--fleet", str(fleet), "--out",
        str(tmp_path / "b" / "zones.gpkg"),
    )  # fmt: skip
    assert (done.code, said.code) == (0, 0), done.text + said.err
    assert content(tmp_path / "a" / "zones.gpkg") == content(tmp_path / "b" / "zones.gpkg")
    assert "from points" in set(gpd.read_file(tmp_path / "a" / "zones.gpkg", layer="water").origin)


def test_inspect_of_points_says_the_same(qgis: Qgis, cloud: Path, command_line: CommandLine, tmp_path: Path) -> None:
    classes = tmp_path / "classes.toml"
    classes.write_text("ground = [2]\nwater = [9]\n", encoding="utf-8")
    page = tmp_path / "said.txt"
    done = qgis.run("inspect", FILES=cloud, CRS=UTM, CLASSES=classes, OUTPUT=page)
    said = command_line("inspect", str(cloud), "--crs", UTM, "--classes", str(classes))
    assert (done.code, said.code) == (0, 0), done.text + said.err
    assert page.read_text(encoding="utf-8").split() == said.out.split() != []
    both = qgis.run("inspect", FILES=cloud, ELEVATION="/no/such.tif", OUTPUT=tmp_path / "no.txt")
    assert "Elevation and points are both given: leave one of them empty." in both.text


def test_without_points_the_form_says_so(qgis: Qgis, tmp_path: Path) -> None:
    done = qgis.run("points", FOLDER=tmp_path / "out")
    assert done.code != 0
    assert done.errors == ["No points are given: choose files, or a folder of them."]
    assert not (tmp_path / "out").exists()
