"""The styles, the GeoPackage and the printed map as the real QGIS makes them."""

import contextlib
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from PIL import Image
from qgis_samples import PARCELS, SYSTEM_PYTHON, Place, Qgis, Said

from slopekit.outputs.qml_fields import title_of
from slopekit.outputs.symbology import LOOKS, WAY_MARKS
from slopekit.schema.classes import CLASSES
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import ALL_LAYERS, GEOMETRIES

pytestmark = pytest.mark.qgis
# ISO 216 and ANSI/ASME Y14.1 (size A), on their side, in millimetres.
PAPER = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}


@pytest.fixture(scope="module")
def package(qgis: Qgis, place: Place, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A result with landforms too."""
    out = tmp_path_factory.mktemp("styles") / "all.gpkg"
    values = dict(
        zip(["ELEVATION", "PARCELS"], [place.file("office_park.tif"), place.file("parcels.gpkg")], strict=True)
    )
    done = qgis.run(
        "screen", **values, ID_COLUMN="parcel_id", FLEET=place.file("fleet.toml"), **place.ground(),
        Z_RMSE="0.05", LANDFORMS="true", OUTPUT=out,
    )  # fmt: skip
    assert done.code == 0, done.text
    return out


def test_each_layer_opens_with_its_own_style_and_a_legend_in_words(qgis: Qgis, package: Path) -> None:
    drawn = [layer for layer in ALL_LAYERS if GEOMETRIES[layer] is not None]
    found = qgis.ask("styles", package=str(package), layers=drawn)
    for name in drawn:
        told = found[name]
        assert told["valid"] and told["default"], (name, told["told"])
        assert told["said"] == [], name
        assert told["undrawn"] == 0, f"{name}: {told['undrawn']} of {told['features']} features have no symbol"
        assert told["legend"] == [mark.label for mark in LOOKS[name].marks], name
        assert set(told["used"]) <= set(told["legend"]), name
        assert told["labels"] == (LOOKS[name].label is not None), name
        fields = [field.name for field in fields_of(name)]
        assert {told["aliases"][field] for field in fields} == {title_of(field) for field in fields_of(name)}, name
        assert ("note" in told["tip"]) == ("note" in fields), name
    zones = gpd.read_file(package, layer="zones")
    words = {mark.code: mark.label for mark in CLASSES}
    assert found["zones"]["display"] == '"zone_id"'
    assert found["zones"]["columns"][:3] == ["zone_id", "machine_class", "way"]
    assert "permitted_dry" in found["zones"]["columns"] or "permitted_dry" not in zones
    occurring = {words[code] for code in zones["machine_class"]}
    assert len(occurring) >= 5
    assert occurring <= set(found["zones"]["used"])


def test_style_files_load_too(qgis: Qgis, package: Path, command_line: Callable[..., Said], tmp_path: Path) -> None:
    said = command_line("qgis", "styles", str(tmp_path / "Süd styles"))
    assert said.code == 0, said.err
    files = sorted(Path(line) for line in said.out.splitlines())
    assert sorted(path.name for path in files) == sorted(f"{name}.{end}" for name in LOOKS for end in ("qml", "sld"))
    there = set(gpd.list_layers(package)["name"]) & set(LOOKS)
    found = qgis.ask("style_files", package=str(package), files=[str(file) for file in files if file.stem in there])
    for name, ends in found.items():
        labels = [mark.label for mark in LOOKS[name].marks]
        assert ends["qml"] == {"ok": True, "kind": "RuleRenderer", "legend": labels}, name
        assert ends["sld"]["ok"], name
    assert set(found) == there and len(found) > 8


def test_shapefiles_open_with_their_style(
    qgis: Qgis, package: Path, command_line: Callable[..., Said], tmp_path: Path
) -> None:
    assert command_line("export", str(package), "--out", str(tmp_path), "--quiet").code == 0
    files = sorted(tmp_path.glob("*.shp"))
    found = qgis.ask("shapes", files=[str(file) for file in files])
    assert all(one["kind"] == "RuleRenderer" for one in found.values()) and len(found) > 8
    zones = gpd.read_file(package, layer="zones").set_index("zone_id")
    words = {mark.code: mark.label for mark in CLASSES}
    drawn = found["zones.shp"]["drawn"]
    assert set(drawn) == set(zones.index)
    for name, labels in drawn.items():
        assert set(labels) & set(words.values()) == {words[zones.machine_class[name]]}
    assert found["zones.shp"]["aliases"]["mach_class"] == "machine class"
    assert found["zones.shp"]["columns"][:3] == ["zone_id", "mach_class", "way"]
    # As they stand in the GeoPackage.
    assert found["zones.shp"]["labels"] and not found["paths.shp"]["labels"]


def test_the_map_has_the_colours_of_the_registry(qgis: Qgis, package: Path, tmp_path: Path) -> None:
    picture = tmp_path / "zones.png"
    pixels = (1600, 1200)
    west, south, east, north = qgis.ask(
        "picture", package=str(package), layer="zones", path=str(picture), pixels=pixels
    )
    image = np.moveaxis(np.asarray(Image.open(picture).convert("RGB")).astype(int), 2, 0)
    zones = gpd.read_file(package, layer="zones")
    seen = set()
    for zone in zones.itertuples():
        part = max(shapely.get_parts(zone.geometry), key=shapely.area)
        circle = shapely.maximum_inscribed_circle(part)
        place, edge = (shapely.get_point(circle, n) for n in (0, 1))
        column = int((place.x - west) / (east - west) * pixels[0])
        row = int((north - place.y) / (north - south) * pixels[1])
        half = int(place.distance(edge) / (east - west) * pixels[0] * 0.7)
        if half < 4:
            continue
        window = image[:, row - half : row + half + 1, column - half : column + half + 1].reshape(3, -1)
        colours, counts = np.unique(window, axis=1, return_counts=True)
        most = colours[:, counts.argmax()]
        mark = next(mark for mark in CLASSES if mark.code == zone.machine_class)
        registry = np.array([int(mark.colour[i : i + 2], 16) for i in (1, 3, 5)])
        # Zones are drawn a little transparent over white paper.
        expected = 255 - (255 - registry) * 0.85
        assert np.abs(most - expected).max() <= 3, zone.zone_id
        inked = 1.0 - counts.max() / counts.sum()
        # A hatch covers some of the ground, and never most of it.
        assert (inked > 0.02) == bool(mark.hatch) or zone.marginal_share > 0.25, (zone.zone_id, inked)
        assert inked < 0.5, zone.zone_id
        seen.add(mark.code)
    assert len(seen) >= 4


def test_the_geopackage_follows_the_standard(package: Path) -> None:
    # The validator that GDAL ships, for GeoPackage 1.2 (OGC 12-128r14) among others.
    script = "import sys; from osgeo_utils.samples import validate_gpkg as v; sys.exit(v.main(['v', *sys.argv[1:]]))"
    command = [SYSTEM_PYTHON, "-W", "ignore", "-c", script, "-k"]
    done = subprocess.run([*command, str(package)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.strip()) == (0, ""), done.stdout + done.stderr
    # It does find faults.
    spoilt = package.with_name("spoilt.gpkg")
    spoilt.write_bytes(package.read_bytes())
    with contextlib.closing(sqlite3.connect(spoilt)) as db, db:
        db.execute("DELETE FROM gpkg_geometry_columns")
    done = subprocess.run([*command, str(spoilt)], capture_output=True, text=True, check=False)
    assert done.returncode != 0 or done.stdout.strip()


@pytest.fixture(scope="module")
def layout(qgis: Qgis, package: Path) -> Callable[[str, int], Any]:
    """layout(page, cautions more) -> what stands where on it; each is asked once."""
    return cache(lambda page, notes: qgis.ask("layout", package=str(package), page=page, notes=notes))


@pytest.mark.parametrize("page", PAPER)
def test_the_layout_is_filled(layout: Callable[[str, int], Any], package: Path, page: str) -> None:
    found = layout(page, 0)
    assert found["paper"] == pytest.approx(PAPER[page])
    assert len(found["pages"]) == len(PARCELS)
    titles = [items["title"]["text"] for items in found["pages"]]
    assert sorted(title.split(":")[0] for title in titles) == sorted(PARCELS)
    notes = gpd.read_file(package, layer="run_notes")
    said = notes.loc[notes["topic"].isin(["cautions", "not assessed"]), "value"]
    for items in found["pages"]:
        assert {"title", "map", "legend", "north", "scale", "cautions"} <= set(items)
        assert all("[%" not in one.get("text", "") for one in items.values())
        assert all(sentence in items["cautions"]["text"] for sentence in said) and len(said) > 5
        assert items["map"]["scale"] < 5000 and "Zones: class that no rule refuses" in items["map"]["layers"]
        assert items["scale"]["metres"] >= 5 and not items["north"]["missing"]
        assert {"Zones: class that no rule refuses", "Parcels"} <= set(items["legend"]["entries"])
        boxes = {name: one["box"] for name, one in items.items()}
        for name, (left, top, right, bottom) in boxes.items():
            assert 0 <= left < right <= found["paper"][0] and 0 <= top < bottom <= found["paper"][1], name
        apart = [(a, b) for a in boxes for b in boxes if a < b]
        assert [pair for pair in apart if _overlap(boxes[pair[0]], boxes[pair[1]])] == []
    zones = gpd.read_file(package, layer="zones")
    words = {mark.code: mark.label for mark in CLASSES}
    for title, items in zip(titles, found["pages"], strict=True):
        here = zones.loc[zones["parcel_id"] == title.split(":")[0]]
        # The classes of the parcel, and not those of its neighbours on the page.
        shown = set(items["legend"]["classes"])
        assert {words[code] for code in here["machine_class"]} == shown & set(words.values())
        ways = {mark.label for mark in WAY_MARKS if mark.where[2] in set(here["way"])}
        assert ways == shown & {mark.label for mark in WAY_MARKS}
    assert any(set(words.values()) - set(items["legend"]["classes"]) for items in found["pages"])


def _overlap(a: list[float], b: list[float]) -> bool:
    return min(a[2], b[2]) - max(a[0], b[0]) > 0.1 and min(a[3], b[3]) - max(a[1], b[1]) > 0.1


def test_neighbours_are_faded_and_numbers_stand_at_any_scale(qgis: Qgis, package: Path, tmp_path: Path) -> None:
    # A scale of 1:20000, at which the map on the screen has no numbers.
    found = qgis.ask("page", package=str(package), folder=str(tmp_path), scale=20000)
    zones = gpd.read_file(package, layer="zones")
    assert len(found) == len(PARCELS)
    for told in found.values():
        numbered, bare = (
            np.asarray(Image.open(told[name]["path"]).convert("L")).astype(int) for name in ("numbered", "bare")
        )
        assert (np.abs(numbered - bare) > 100).sum() > 50
    # Ink of each parcel on its own page and on its neighbour's, at one place of dark ground where no
    # line runs.
    for own, other in (PARCELS, PARCELS[::-1]):
        dark = zones[(zones["parcel_id"] == own) & (zones["machine_class"] == "remote-controlled")]
        spot = dark.geometry.iloc[dark.area.argmax()].representative_point()
        full, faded = (_ink(found[page]["site"], spot) for page in (own, other))
        assert 0.0 < faded < 0.6 * full, (own, full, faded)
    # A basin of one parcel alone, on both pages: its rim, drawn without all else.
    basins = gpd.read_file(package, layer="basins")
    parcels = gpd.read_file(package, layer="parcels").set_index("parcel_id").geometry
    tried = 0
    for own, other in (PARCELS, PARCELS[::-1]):
        mine = basins[basins.intersects(parcels[own]) & ~basins.intersects(parcels[other])]
        for rim in mine.geometry.boundary:
            spots = [rim.interpolate(part, normalized=True) for part in np.linspace(0.0, 1.0, 50)]
            full, faded = (sum(_ink(found[page]["basins"], spot) for spot in spots) for page in (own, other))
            assert 0.0 < faded < 0.6 * full, (own, full, faded)
            tried += 1
    assert tried > 0


def _ink(picture: dict[str, Any], spot: shapely.Point) -> float:
    """How dark the picture is round a place, 0 for white."""
    image = 255.0 - np.asarray(Image.open(picture["path"]).convert("L")).astype(float)
    west, south, east, north = picture["extent"]
    rows, columns = image.shape
    column = int((spot.x - west) / (east - west) * columns)
    row = int((north - spot.y) / (north - south) * rows)
    return float(image[row - 2 : row + 3, column - 2 : column + 3].mean())


def test_in_grey_lines_of_work_and_paths_to_hazards_differ(qgis: Qgis, package: Path, tmp_path: Path) -> None:
    """Each symbol drawn large and grey: no two have nearly the same picture."""
    names = {"routes": 0, "paths": 0, "directions": 0, "starts": 0, "zones": len(CLASSES)}
    pictures = qgis.ask("symbols", package=str(package), folder=str(tmp_path), symbols=names)
    grey = {name: np.asarray(Image.open(path).convert("L")).astype(float) for name, path in pictures.items()}
    for first, second in (("routes", "paths"), ("directions", "paths"), ("routes", "directions"), ("starts", "zones")):
        a, b = (255.0 - grey[name] for name in (first, second))
        # The part of the ink that the two do not share.
        assert np.abs(a - b).sum() > 0.5 * max(a.sum(), b.sum()), (first, second)


def test_many_cautions_make_small_letters(layout: Callable[[str, int], Any]) -> None:
    few, many = (layout("a4", notes) for notes in (0, 4))
    small, usual = (found["pages"][0]["cautions"]["points"] for found in (many, few))
    assert 4.0 <= small < usual == 8.0


@pytest.mark.skipif(shutil.which("gdal_translate") is None, reason="GDAL's programs are not installed")
def test_the_crew_map_is_a_pdf_with_a_page_a_parcel(
    qgis: Qgis, layout: Callable[[str, int], Any], package: Path, tmp_path: Path
) -> None:
    out = tmp_path / "Süd map.pdf"
    done = qgis.run("crew_map", ZONES=f"{package}|layername=zones", PAGE="a4", OUTPUT=out)
    assert done.code == 0, done.text
    assert [path.name for path in tmp_path.iterdir()] == [out.name]
    # What GDAL's reader of PDF sees, item by item: ink in each place.
    pages = [tmp_path / f"{n}.png" for n in range(1, len(PARCELS) + 1)]
    for number, page in enumerate(pages, 1):
        command = ["gdal_translate", "-q", "-of", "PNG", "--config", "GDAL_PDF_DPI", "100"]
        subprocess.run([*command, f"PDF:{number}:{out}", str(page)], check=True, capture_output=True)
    items = layout("a4", 0)["pages"]
    for page, boxes in zip(pages, items, strict=True):
        image = np.asarray(Image.open(page).convert("RGB")).min(axis=2)
        dots = image.shape[1] / PAPER["a4"][0]
        for name in ("title", "map", "legend", "north", "scale", "cautions"):
            left, top, right, bottom = (round(edge * dots) for edge in boxes[name]["box"])
            inked = (image[top:bottom, left:right] < 200).mean()
            assert inked > 0.005, (page.name, name)


def test_a_crew_map_of_something_else_is_refused(qgis: Qgis, place: Place, tmp_path: Path) -> None:
    done = qgis.run("crew_map", ZONES=place.file("parcels.gpkg"), OUTPUT=tmp_path / "map.pdf")
    assert done.code != 0
    assert done.errors == [
        f"{place.file('parcels.gpkg')}: it holds no 'Zones: class that no rule refuses', so choose a "
        "whole result of 'Screen parcels'."
    ]
    assert list(tmp_path.iterdir()) == []
