"""slopekit corrections: a new file for a survey, and what was drawn in it, read back."""

import contextlib
import sqlite3
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from cli_samples import CRS, NORTH, WEST, Site, write_grid
from shapely import LineString, Point, box

from slopekit.cli import main
from slopekit.sources.elevation import open_elevation

POND = box(WEST, NORTH - 9, WEST + 9, NORTH)


def survey_of(path: Path) -> str:
    with contextlib.closing(sqlite3.connect(path)) as db:
        columns = {row[1]: row[4] for row in db.execute("PRAGMA table_info(corrections_points)")}
    return str(columns["survey"])


def add(path: Path, layer: str, shape: object, **texts: object) -> None:
    frame = gpd.GeoDataFrame({name: [text] for name, text in texts.items()}, geometry=[shape], crs=CRS)
    pyogrio.write_dataframe(
        frame, path, layer=layer, driver="GPKG", append=True, promote_to_multi="points" not in layer
    )


def test_new_for_a_survey(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    file = site.folder / "Süd 三.gpkg"
    assert main(["corrections", "new", str(file), "--for", site.path("ground.tif")]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.splitlines()[0] == str(file)
    with open_elevation([site.path("ground.tif")]) as elevation:
        assert survey_of(file) == f"'{elevation.survey.checksum}'"
    assert pyogrio.read_info(file, layer="corrections_areas")["crs"] == CRS


def test_new_for_several_tiles(tmp_path: Path) -> None:
    z = np.random.default_rng(3).uniform(50.0, 60.0, (20, 30)).astype("float32")
    tiles = [
        str(write_grid(tmp_path / f"{n}.tif", z, corner=(WEST + 30 * n, NORTH))) for n in range(3)
    ]  # as a shell writes *.tif
    assert main(["corrections", "new", str(tmp_path / "a.gpkg"), "--for", *tiles]) == 0
    with open_elevation(tiles) as elevation:
        assert survey_of(tmp_path / "a.gpkg") == f"'{elevation.survey.checksum}'"


def test_new_without_a_survey(tmp_path: Path) -> None:
    assert main(["corrections", "new", str(tmp_path / "a.gpkg")]) == 0
    assert survey_of(tmp_path / "a.gpkg") == "None"
    assert pyogrio.read_info(tmp_path / "a.gpkg", layer="corrections_lines")["crs"] == "EPSG:4326"


def test_new_for_a_survey_in_feet_needs_no_more_than_its_unit(tmp_path: Path) -> None:
    z = np.random.default_rng(4).uniform(300.0, 400.0, (20, 30)).astype("float32")
    path = write_grid(tmp_path / "feet.tif", z, crs="EPSG:2264", cell=3.0, corner=(1_500_000.0, 600_000.0))
    new = ["corrections", "new", str(tmp_path / "a.gpkg"), "--for", str(path)]
    assert main(new) == 2
    assert main([*new, "--z-unit", "foot"]) == 0
    assert pyogrio.read_info(tmp_path / "a.gpkg", layer="corrections_areas")["crs"] == "EPSG:2264"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["fleet.toml"], "fleet.toml: corrections are drawn in a GeoPackage"),
        (["parcels.gpkg"], "parcels.gpkg: this file exists and may hold corrections"),
        # Before the survey is read, which may take long.
        (["parcels.gpkg", "--for", "nowhere.tif"], "parcels.gpkg: this file exists"),
        (["new.gpkg", "--for", "nowhere.tif"], "nowhere.tif: there is no such file or folder"),
        (["new.gpkg", "ground.tif"], "'ground.tif' stands alone: name elevation after --for"),
        (["--for", "ground.tif", "parcels.gpkg"], "parcels.gpkg: this file exists"),
    ],
)
def test_new_that_cannot_be(
    site: Site,
    arguments: list[str],
    told: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(site.folder)
    before = {path.name: path.read_bytes() for path in site.folder.iterdir()}
    assert main(["corrections", "new", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert told in err
    assert {path.name: path.read_bytes() for path in site.folder.iterdir()} == before


def test_check_lists_what_was_drawn(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    file = site.folder / "a.gpkg"
    assert main(["corrections", "new", str(file), "--for", site.path("ground.tif")]) == 0
    digits = survey_of(file).partition(":")[2][:12]
    add(file, "corrections_areas", POND, what="water", survey=None, who="Ø. Ram")
    add(file, "corrections_lines", LineString([(WEST, NORTH), (WEST + 9, NORTH)]), what="wall", height=1.25)
    signed = {"body": "w-3f9a01c2", "who": "T. Ede", "when": "2025-03-01", "why": "a lawn,\nmown  for years"}
    add(file, "corrections_points", Point(WEST, NORTH), what="reject", **signed)
    capsys.readouterr()
    assert main(["corrections", "check", str(file)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.splitlines() == [
        "1  water, said by Ø. Ram  [feature 1 (fid 1) of corrections_areas]",
        f"2  wall, 1.25 m high, for the survey sha256:{digits}  [feature 1 (fid 1) of corrections_lines]",
        f"3  reject, body w-3f9a01c2, for the survey sha256:{digits}, said by T. Ede on 2025-03-01: a lawn, mown for "
        "years  [feature 1 (fid 1) of corrections_points]",
    ]


def test_check_of_a_file_with_a_fault(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    file = site.folder / "a.gpkg"
    assert main(["corrections", "new", str(file)]) == 0
    capsys.readouterr()
    assert main(["corrections", "check", str(file)]) == 2
    assert "nothing is drawn in it" in capsys.readouterr().err
    gpd.GeoDataFrame({"what": ["reject"]}, geometry=[POND], crs=CRS).to_file(site.path("b.gpkg"))
    assert main(["corrections", "check", site.path("b.gpkg")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert "b.gpkg: feature 1 (fid 1) has nothing in 'body', 'survey', 'who', 'when' and 'why', and a rejection" in err
