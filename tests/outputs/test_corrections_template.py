"""The template for corrections: as SQLite, GDAL and QGIS see it, and as it comes back with features in it."""

import contextlib
import json
import os
import shutil
import sqlite3
import subprocess
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import pyproj
import pytest
from shapely import LineString, Point, box

from slopekit.errors import InputError, OutputError
from slopekit.outputs.corrections_style import COLUMNS
from slopekit.outputs.corrections_template import HELP, LAYERS, write_template
from slopekit.schema.corrections import DRAWN_AS, WHAT
from slopekit.sources.corrections import read_corrections

SURVEY = "sha256:" + "0123456789abcdef" * 4
UTM = "EPSG:25832"
WEST, SOUTH = 500_000.0, 5_600_000.0
TODAY = date(2025, 11, 20)
# A QGIS that was installed with the system brings its Python package to the system's own Python.
SYSTEM_PYTHON = shutil.which("python3", path=os.defpath)
IS_THERE = "import importlib.util, sys; sys.exit(importlib.util.find_spec('qgis') is None)"
QGIS = SYSTEM_PYTHON is not None and subprocess.run([SYSTEM_PYTHON, "-c", IS_THERE], check=False).returncode == 0


@pytest.fixture
def template(tmp_path: Path) -> Path:
    path = tmp_path / "Süd 三.gpkg"
    write_template(path, UTM, SURVEY)
    return path


def rows(path: Path, sql: str) -> list[tuple[Any, ...]]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(sql).fetchall()


def add(path: Path, layer: str, shape: Any, crs: str = UTM, **texts: Any) -> None:
    """One feature, appended by GDAL as any program would."""
    frame = gpd.GeoDataFrame({name: [text] for name, text in texts.items()}, geometry=[shape], crs=crs)
    pyogrio.write_dataframe(
        frame, path, layer=layer, driver="GPKG", append=True, promote_to_multi=layer[-6:] != "points"
    )


def test_it_is_a_geopackage_1_2(template: Path) -> None:
    # GeoPackage 1.2 (OGC 12-128r14), requirement 2: application id "GPKG", user version 10200; table 1: column types.
    assert rows(template, "PRAGMA application_id") == [(0x47504B47,)]
    assert rows(template, "PRAGMA user_version") == [(10200,)]
    assert rows(template, "PRAGMA integrity_check") == [("ok",)]
    assert rows(template, "PRAGMA foreign_key_check") == []
    assert rows(template, "PRAGMA journal_mode") == [("delete",)]
    for layer, (_, geometry, _) in LAYERS.items():
        columns = [(name, kind) for _, name, kind, *_ in rows(template, f"PRAGMA table_info({layer})")]
        kinds = {"when": "DATE", "width": "REAL", "height": "REAL"}
        own = [("fid", "INTEGER"), ("geom", geometry.upper())]
        assert columns == own + [(name, kinds.get(name, "TEXT")) for name in COLUMNS]
        assert rows(template, f"SELECT count(*) FROM {layer}") == [(0,)]
    assert list(COLUMNS) == ["what", "body", "survey", "who", "when", "why", "width", "height", "remark"]


def test_layers_that_gdal_finds(template: Path) -> None:
    found = {str(name): kind for name, kind in pyogrio.list_layers(template)}
    assert found == {
        "corrections_areas": "MultiPolygon",
        "corrections_lines": "MultiLineString",
        "corrections_points": "Point",
        HELP: None,
        "layer_styles": None,
    }
    for layer in LAYERS:
        info = pyogrio.read_info(template, layer=layer)
        assert info["crs"] == UTM
        assert dict(zip(info["fields"], info["ogr_types"], strict=True))["when"] == "OFTDate"


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="GDAL's ogrinfo is not installed")
def test_gdal_reads_it_without_a_warning(template: Path) -> None:
    answer = subprocess.run(["ogrinfo", "-al", "-so", str(template)], capture_output=True, text=True, check=True)
    assert answer.stderr == ""
    assert "Warning" not in answer.stdout and "ERROR" not in answer.stdout
    assert answer.stdout.count(f"survey: String (0.0) DEFAULT '{SURVEY}'") == 3


def test_help_lists_all_that_can_be_said(template: Path) -> None:
    frame = pyogrio.read_dataframe(template, layer=HELP)
    assert dict(zip(frame["what"], frame["meaning"], strict=True)) == WHAT
    needed = dict(zip(frame["what"], frame["must_be_filled"], strict=True))
    assert needed["reject"] == "what, body, survey, who, when, why"
    assert (needed["wall"], needed["no-go"]) == ("what", "what, width (of a line)")


def test_drawn_features_come_back(template: Path) -> None:
    pond, wall, spot = (
        box(WEST, SOUTH, WEST + 9, SOUTH + 5),
        LineString([(WEST, SOUTH), (WEST + 30, SOUTH)]),
        Point(WEST + 2, SOUTH + 1),
    )
    add(template, "corrections_areas", pond, what="water", remark="flooded in spring")
    add(template, "corrections_lines", wall, what="wall", height=1.4)
    signed = {"who": "Ł. Brink-三", "when": date(2025, 11, 19), "why": "mown for years", "body": "w-3f9a01c2"}
    add(template, "corrections_points", spot, what="reject", **signed)
    water, edge, reject = read_corrections(template, UTM, metres_per_unit=1.0, today=TODAY)
    assert (water.what, water.geometry.equals(pond), water.survey) == ("water", True, SURVEY)
    assert (edge.what, edge.height_m, edge.geometry.equals(wall)) == ("wall", 1.4, True)
    assert (reject.body, reject.survey, reject.who, reject.when) == ("w-3f9a01c2", SURVEY, "Ł. Brink-三", "2025-11-19")
    assert reject.feature == "feature 1 (fid 1) of corrections_points"


def test_a_row_of_plain_sql_carries_the_survey_too(template: Path) -> None:
    # Tablets write by SQL: the default of the column must hold there, and a value typed over it must win.
    add(template, "corrections_areas", box(WEST, SOUTH, WEST + 9, SOUTH + 5), what="water")
    with contextlib.closing(sqlite3.connect(template)) as db:
        # SQLite knows no functions on geometries, which the index's triggers call.
        for (name,) in db.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'rtree%'"
        ).fetchall():
            db.execute(f"DROP TRIGGER {name}")
        db.execute("INSERT INTO corrections_areas (geom, what) SELECT geom, 'no-go' FROM corrections_areas")
        db.execute(
            "INSERT INTO corrections_areas (geom, what, survey) SELECT geom, 'dry', 'x' FROM corrections_areas LIMIT 1"
        )
        db.commit()
    assert rows(template, "SELECT survey FROM corrections_areas ORDER BY fid") == [(SURVEY,), (SURVEY,), ("x",)]


def test_without_a_survey_longitude_and_latitude(tmp_path: Path) -> None:
    write_template(tmp_path / "a.gpkg")
    add(tmp_path / "a.gpkg", "corrections_areas", box(9.0, 50.5, 9.001, 50.501), "EPSG:4326", what="no-go")
    (one,) = read_corrections(tmp_path / "a.gpkg", UTM, metres_per_unit=1.0, today=TODAY)
    assert one.survey == ""
    # 9 degrees east is the central meridian of UTM zone 32: easting 500 km exactly (EPSG Guidance Note 7-2).
    assert one.geometry.bounds[0] == pytest.approx(500_000.0, abs=1e-3)


def test_a_crs_as_wkt_and_a_quote_in_the_survey(tmp_path: Path) -> None:
    feet = pyproj.CRS("EPSG:2263")
    write_template(tmp_path / "a.gpkg", feet.to_wkt(), "it's")
    assert pyproj.CRS(pyogrio.read_info(tmp_path / "a.gpkg", layer="corrections_lines")["crs"]).equals(feet)
    add(tmp_path / "a.gpkg", "corrections_lines", LineString([(0, 0), (9, 0)]), "EPSG:2263", what="edge")
    assert rows(tmp_path / "a.gpkg", "SELECT survey FROM corrections_lines") == [("it's",)]


def styles(path: Path) -> dict[str, ET.Element]:
    table = "SELECT f_table_name, f_geometry_column, useAsDefault, f_table_schema, styleQML FROM layer_styles"
    found = rows(path, table)
    assert [row[:4] for row in found] == [(layer, "geom", 1, "") for layer in LAYERS]
    return {row[0]: ET.fromstring(row[4].partition("\n")[2]) for row in found}


def choices(root: ET.Element) -> dict[str, str]:
    widget = root.find("fieldConfiguration/field[@name='what']/editWidget")
    assert widget is not None and widget.get("type") == "ValueMap"
    options = widget.findall("config/Option/Option[@name='map']/Option/Option")
    return {str(o.get("value")): str(o.get("name")) for o in options}


def test_each_form_offers_what_its_shape_can_say(template: Path) -> None:
    for layer, root in styles(template).items():
        shape = LAYERS[layer][0]
        offered = choices(root)
        assert list(offered) == [what for what in WHAT if shape in DRAWN_AS[what]]
        for what, words in offered.items():
            assert words.lower() == f"{what}: {WHAT[what]}".lower()
        # Drawn and offered alike, and one rule more for what says nothing.
        rules = root.findall("renderer-v2/rules/rule")
        assert {r.get("filter") for r in rules} == {f"\"what\" = '{what}'" for what in offered} | {"ELSE"}
        assert rules[-1].get("filter") == "ELSE"


def test_signs_differ(template: Path) -> None:
    for root in styles(template).values():
        symbols = root.findall("renderer-v2/symbols/symbol")
        looks = [ET.tostring(layer, encoding="unicode") for s in symbols for layer in s.findall("layer")[:1]]
        drawn = {"".join(ET.tostring(layer, encoding="unicode") for layer in s) for s in symbols}
        assert len(drawn) == len(symbols) == len(looks)


@pytest.mark.skipif(not QGIS, reason="QGIS is not installed")
@pytest.mark.parametrize("layer", LAYERS)
def test_qgis_opens_it_with_form_and_signs(template: Path, layer: str) -> None:
    assert SYSTEM_PYTHON is not None
    script = Path(__file__).with_name("corrections_in_qgis.py")
    settings = {**{k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}, "QT_QPA_PLATFORM": "offscreen"}
    done = subprocess.run(
        [SYSTEM_PYTHON, str(script), str(template), layer], capture_output=True, text=True, check=True, env=settings
    )
    told = json.loads(done.stdout)
    assert told["valid"] and told["crs"] == UTM and told["said"] == []
    shape = LAYERS[layer][0]
    fields: Mapping[str, Any] = told["fields"]
    assert fields["what"]["widget"] == "ValueMap" and fields["what"]["needed"]
    offered = [value for choice in fields["what"]["config"]["map"] for value in choice.values()]
    assert offered == [what for what in WHAT if shape in DRAWN_AS[what]]
    assert fields["survey"]["default"] == SURVEY
    assert (fields["when"]["widget"], fields["when"]["type"]) == ("DateTime", "Date")
    assert fields["width"]["widget"] == ("TextEdit" if shape == "line" else "Hidden")
    assert {name: field["alias"] for name, field in fields.items() if name != "fid"} == COLUMNS
    assert len(told["rules"]) == len(offered) + 1 and told["rules"][-1]["else"]
    kinds = {"polygon": "Fill", "line": "Line", "point": "Marker"}
    for rule in told["rules"]:
        assert rule["layers"] and all(kinds[shape] in name for name in rule["layers"])


def test_a_file_that_exists_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    path.write_bytes(b"a day in the field")
    with pytest.raises(InputError, match=r"a.gpkg: this file exists and may hold corrections"):
        write_template(path)
    assert path.read_bytes() == b"a day in the field"
    link = tmp_path / "link.gpkg"
    link.symlink_to(tmp_path / "elsewhere.gpkg")
    with pytest.raises(InputError, match="this file exists"):
        write_template(link)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.gpkg", "link.gpkg"]


def test_a_file_that_appears_meanwhile_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.gpkg"

    def styles_slowly(*_: object) -> None:
        path.write_bytes(b"a day in the field")

    monkeypatch.setattr("slopekit.outputs.corrections_template.write_styles", styles_slowly)
    with pytest.raises(InputError, match="this file exists"):
        write_template(path)
    assert [p.name for p in tmp_path.iterdir()] == ["a.gpkg"]
    assert path.read_bytes() == b"a day in the field"


@pytest.mark.parametrize(
    ("name", "crs", "told"),
    [
        ("a.shp", None, "a.shp: corrections are drawn in a GeoPackage, so give a name that ends in .gpkg"),
        ("a.gpkg", "EPSG:999999", "a.gpkg: the CRS 'EPSG:999999' is not known"),
        ("nowhere/a.gpkg", None, "the folder .*nowhere is not there"),
    ],
)
def test_what_cannot_be_written(tmp_path: Path, name: str, crs: str | None, told: str) -> None:
    with pytest.raises(InputError, match=told) as caught:
        write_template(tmp_path / name, crs)
    assert isinstance(caught.value, OutputError) is ("nowhere" in name)
    assert list(tmp_path.iterdir()) == []


def test_the_same_call_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.gpkg", "b.gpkg"):
        write_template(tmp_path / name, UTM, SURVEY)
    content = (tmp_path / "a.gpkg").read_bytes()
    assert content == (tmp_path / "b.gpkg").read_bytes()
    # SQLite's count of changes (sqlite.org/fileformat2.html, 1.3) differs now and then between two calls.
    assert content[24:28] == content[92:96] == b"\0\0\0\1"
    moments = pd.DataFrame(rows(tmp_path / "a.gpkg", "SELECT last_change FROM gpkg_contents"))
    assert set(moments[0]) == {"1970-01-01T00:00:00.000Z"}
