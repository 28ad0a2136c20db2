"""The project inside the phone's GeoPackage as the real QGIS opens it: every layer drawn, and ready to draw in."""

import contextlib
import io
import shutil
import sqlite3
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from qgis_samples import Place, Qgis, Said, screen_words

from slopekit.outputs.corrections_template import LAYERS
from slopekit.outputs.qgis_project import PROJECT
from slopekit.outputs.symbology import LOOKS
from slopekit.sources.corrections import read_corrections
from slopekit.wording import CAUTION

pytestmark = pytest.mark.qgis
SHAPE = "MULTIPOLYGON(((400240 6200290, 400250 6200290, 400250 6200300, 400240 6200290)))"
"""On the demo's terrace."""


@pytest.fixture(scope="module")
def package(place: Place, command_line: Callable[..., Said], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("phone") / "Grün 三 field"
    folder.mkdir()
    zones, out = str(folder / "zones.gpkg"), folder / "site.gpkg"
    for words in ([*screen_words(place), "--landforms", "--out", zones], ["phone", zones, "--out", str(out)]):
        said = command_line(*words, "--quiet")
        assert said.code == 0, said.err
    return out


def test_qgis_opens_it_ready_to_draw_in(qgis: Qgis, package: Path, tmp_path: Path) -> None:
    # Somewhere else than where it was written: the project looks for its layers beside itself.
    moved = tmp_path / "on the phone"
    moved.mkdir()
    path = Path(shutil.copy(package, moved))
    found = qgis.ask("project", package=str(path), name=PROJECT, shape=SHAPE)
    assert found["ok"] and found["error"] == "" and found["said"] == []
    assert found["crs"] == "EPSG:25832"
    layers = found["layers"]
    assert {*LAYERS, "zones", "parcels", "water", "drops", "paths", "starts", "basins", "run_notes"} <= set(layers)
    for name, layer in layers.items():
        assert layer["valid"], name
        assert layer["source"].startswith(f"{path}|"), name
        assert layer["id"] == f"{PROJECT}_{name}"
        editable = name in LAYERS
        assert (layer["read_only"], layer["can_edit"]) == (not editable, editable), name
        if name in LOOKS:
            assert layer["crs"] == "EPSG:25832"
            assert layer["legend"] == [mark.label for mark in LOOKS[name].marks], name
            assert layer["labels"] == (LOOKS[name].label is not None), name
    assert layers["zones"]["features"] > 10
    assert [group for group, _ in found["tree"]] == ["Draw here", "Read first", "Result"]
    assert len(found["tree"][0][1]) == len(LAYERS) == 3
    assert found["caution_shown"] and found["caution"] == CAUTION
    assert "Not assessed: " in found["abstract"]
    assert found["widget"] == "ValueMap"
    assert found["begun"] and found["added"] and found["saved"]
    (one,) = read_corrections(str(path), "EPSG:25832", metres_per_unit=1.0)
    assert one.what == "no-go" and one.survey.startswith("sha256:") and one.geometry.area == pytest.approx(50.0)


def test_the_table_is_as_qgis_makes_it(qgis: Qgis, package: Path, tmp_path: Path) -> None:
    """QGIS stores a project of its own in a plain result; ours is the same kind of row."""
    theirs = Path(shutil.copy(package.with_name("zones.gpkg"), tmp_path))
    assert qgis.ask("stored", package=str(theirs), name=PROJECT)

    def facts(path: Path) -> Any:
        with contextlib.closing(sqlite3.connect(path)) as db:
            (sql,) = db.execute("SELECT sql FROM sqlite_master WHERE name = 'qgis_projects'").fetchone()
            rows = db.execute("SELECT name, typeof(metadata), typeof(content), content FROM qgis_projects").fetchall()
            listed = db.execute("SELECT count(*) FROM gpkg_contents WHERE table_name = 'qgis_projects'").fetchall()
        (*kinds, content) = rows[0]
        with zipfile.ZipFile(io.BytesIO(bytes.fromhex(content))) as archive:
            # Newer versions keep styles beside it.
            (name,) = (one for one in archive.namelist() if one.endswith(".qgs"))
            head = archive.read(name)[:60].split(b">")[0]
        return sql, len(rows), kinds, listed, name.rpartition(".")[2], head

    assert facts(package) == facts(theirs)
