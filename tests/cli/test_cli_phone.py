"""slopekit phone: out to the site and back. What a crew draws in the file is taken by a screening as it is."""

import contextlib
import sqlite3
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import pytest
import shapely
from cli_samples import CRS, NORTH, WEST, Site
from shapely import LineString, Point, box

import slopekit
from slopekit.cli import main
from slopekit.outputs.corrections_template import HELP, LAYERS
from slopekit.outputs.qgis_project import PROJECT
from slopekit.sources.corrections import read_corrections

LAWN_M2 = 800.0
CORNER = box(WEST + 20, NORTH - 40, WEST + 40, NORTH - 20)
"""Half of the lawn."""


def phone(site: Site, zones: str, out: str, *more: str) -> int:
    return main(["phone", site.path(zones), "--out", site.path(out), *more])


def draw(path: str, layer: str, shape: Any, **texts: Any) -> None:
    """One feature, appended by GDAL as any program would."""
    frame = gpd.GeoDataFrame({name: [text] for name, text in texts.items()}, geometry=[shape], crs=CRS)
    pyogrio.write_dataframe(
        frame, path, layer=layer, driver="GPKG", append=True, promote_to_multi=layer[-6:] != "points"
    )


def area_of(path: str, machine_class: str) -> float:
    zones = pyogrio.read_dataframe(path, layer="zones")
    return float(zones.plan_m2[zones.machine_class == machine_class].sum())


def query(path: str, sql: str) -> list[tuple[Any, ...]]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(sql).fetchall()


def test_what_is_drawn_on_the_phone_comes_back(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert site.run() == 0
    assert area_of(site.path("zones.gpkg"), "none") == 0.0
    capsys.readouterr()
    assert phone(site, "zones.gpkg", "site.gpkg") == 0
    said = capsys.readouterr()
    assert said.out.splitlines()[0] == site.path("site.gpkg") and "Caution: Walk the ground" in said.err
    draw(site.path("site.gpkg"), "corrections_areas", CORNER, what="no-go", remark="bees")
    assert site.run("--corrections", site.path("site.gpkg"), out="second.gpkg") == 0
    # A cell that the shape touches counts, so a strip of one more cell may go too.
    assert LAWN_M2 / 2 <= area_of(site.path("second.gpkg"), "none") <= LAWN_M2 / 2 + 21.0
    (told,) = pyogrio.read_dataframe(site.path("second.gpkg"), layer="corrections").itertuples()
    assert (told.what, told.effect) == ("no-go", "counted: it only refuses more")
    survey = query(site.path("second.gpkg"), "SELECT value FROM run_notes WHERE name = 'elevation'")[0][0]
    assert told.survey in survey and told.survey.startswith("sha256:")

    # What was drawn once goes along, or the next screening with the phone's file would forget it.
    assert phone(site, "second.gpkg", "again.gpkg") == 0
    assert query(site.path("again.gpkg"), "SELECT what, remark FROM corrections_areas") == [("no-go", "bees")]
    assert site.run("--corrections", site.path("again.gpkg"), out="third.gpkg") == 0
    assert area_of(site.path("third.gpkg"), "none") == area_of(site.path("second.gpkg"), "none")


SIGNED = {"who": "Ø. Ram", "when": "2025-11-19", "why": "walked round it", "body": "w-3f9a01c2", "survey": "0" * 64}
DRAWN: tuple[tuple[str, Any, dict[str, Any]], ...] = (
    ("corrections_areas", CORNER, {"what": "no-go"}),
    ("corrections_lines", LineString([(WEST, NORTH), (WEST + 9, NORTH - 3)]), {"what": "wall", "height": 1.25}),
    ("corrections_lines", LineString([(WEST, NORTH), (WEST + 9, NORTH)]), {"what": "water", "width": 0.8}),
    ("corrections_points", Point(WEST + 30, NORTH - 30), {"what": "reject", **SIGNED}),
)


def test_every_kind_goes_along_as_it_was_drawn(site: Site) -> None:
    first = site.path("first.gpkg")
    assert main(["corrections", "new", first, "--for", site.path("ground.tif")]) == 0
    for layer, shape, texts in DRAWN:
        draw(first, layer, shape, **texts)
    assert site.run("--corrections", first) == 0
    assert phone(site, "zones.gpkg", "site.gpkg") == 0
    before, after = (read_corrections(path, CRS, metres_per_unit=1.0) for path in (first, site.path("site.gpkg")))
    assert len(before) == len(DRAWN)
    for one, two in zip(before, after, strict=True):
        assert shapely.equals_exact(one.geometry, two.geometry, 1e-6)
        assert [vars(one)[name] for name in vars(one) if name != "geometry"] == [
            vars(two)[name] for name in vars(two) if name != "geometry"
        ]


def test_the_file_is_a_geopackage_with_one_project(site: Site) -> None:
    assert site.run() == 0
    assert phone(site, "zones.gpkg", "site.gpkg") == 0
    path = site.path("site.gpkg")
    # GeoPackage 1.2 (OGC 12-128r14), requirements 2, 6 and 7.
    assert query(path, "PRAGMA application_id") == [(0x47504B47,)]
    assert query(path, "PRAGMA integrity_check") == [("ok",)]
    assert query(path, "PRAGMA foreign_key_check") == []
    assert query(path, "SELECT name FROM qgis_projects") == [(PROJECT,)]
    layers = {str(name) for name, _ in pyogrio.list_layers(path)}
    assert {*LAYERS, HELP, "zones", "water", "drops", "starts", "run_notes"} <= layers
    # The result's own table of corrections would be read back as drawn anew.
    assert "corrections" not in layers
    first = Path(path).read_bytes()
    assert phone(site, "zones.gpkg", "site.gpkg") == 0
    assert Path(path).read_bytes() == first


@pytest.mark.parametrize("more", [[], ["--overwrite"]])
def test_a_day_in_the_field_is_never_overwritten(
    more: list[str], site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    assert site.run() == 0
    assert phone(site, "zones.gpkg", "site.gpkg") == 0
    draw(site.path("site.gpkg"), "corrections_areas", CORNER, what="no-go")
    before = Path(site.path("site.gpkg")).read_bytes()
    capsys.readouterr()
    assert phone(site, "zones.gpkg", "site.gpkg", *more) == 2
    assert "site.gpkg: 1 correction is drawn in it, so it is not overwritten" in capsys.readouterr().err
    assert Path(site.path("site.gpkg")).read_bytes() == before


@pytest.mark.parametrize(("act", "told"), [("change", "have changed since"), ("remove", "first.gpkg (corrections)")])
def test_the_corrections_of_a_result_are_not_lost(
    act: str, told: str, site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    first = site.path("first.gpkg")
    assert main(["corrections", "new", first, "--for", site.path("ground.tif")]) == 0
    draw(first, "corrections_areas", CORNER, what="no-go")
    assert site.run("--corrections", first) == 0
    if act == "change":
        draw(first, "corrections_areas", CORNER, what="soft ground")
    else:
        Path(first).unlink()
    capsys.readouterr()
    assert phone(site, "zones.gpkg", "site.gpkg") == 2
    assert told in capsys.readouterr().err
    assert not Path(site.path("site.gpkg")).exists()
    # A picture to look at needs none of them.
    assert phone(site, "zones.gpkg", "site.kmz") == 0


@pytest.mark.parametrize(
    ("zones", "out", "told"),
    [
        ("zones.gpkg", "site.pdf", "site.pdf: files for the phone are written as .kmz or .gpkg"),
        ("nowhere.gpkg", "site.kmz", "nowhere.gpkg: there is no such file"),
        ("parcels.gpkg", "site.kmz", "parcels.gpkg: it has no layer 'run_notes'"),
        ("zones.gpkg", "zones.gpkg", "zones.gpkg: the result would replace a file that it is made from"),
        ("zones.gpkg", "nowhere/site.kmz", "the folder"),
    ],
)
def test_bad_input_is_one_sentence(
    zones: str, out: str, told: str, site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    assert site.run() == 0
    before = sorted(site.folder.iterdir())
    capsys.readouterr()
    assert phone(site, zones, out) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1 and told in lines[0], lines
    assert sorted(site.folder.iterdir()) == before


def test_a_column_that_is_gone_is_told(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert site.run() == 0
    with contextlib.closing(sqlite3.connect(site.path("zones.gpkg"))) as db:
        db.execute("ALTER TABLE zones DROP COLUMN note")
        db.commit()
    capsys.readouterr()
    for out in ("site.kmz", "site.gpkg"):
        assert phone(site, "zones.gpkg", out) == 2
        (line,) = capsys.readouterr().err.splitlines()
        assert "zones.gpkg: the layer 'zones' has no column 'note'" in line
        assert not Path(site.path(out)).exists()


def test_a_result_in_memory_gives_the_same_files(site: Site) -> None:
    assert site.run("--id-column", "name") == 0
    result = slopekit.screen(
        site.path("ground.tif"), site.path("parcels.gpkg"), site.path("fleet.toml"), id_column="name", workers=1
    )
    for name in ("a.kmz", "a.gpkg"):
        Path(site.path("one")).mkdir(exist_ok=True)
        assert main(["phone", site.path("zones.gpkg"), "--out", site.path(f"one/{name}")]) == 0
        assert result.phone(site.path(name)) == Path(site.path(name))
    assert Path(site.path("a.kmz")).read_bytes() == Path(site.path("one/a.kmz")).read_bytes()
    ours, theirs = (query(site.path(one), "SELECT * FROM zones") for one in ("a.gpkg", "one/a.gpkg"))
    assert ours == theirs and len(ours) > 0
