"""The KMZ: read back by GDAL with the areas of the layers, its colours, its texts, its bytes."""

import html
import re
import xml.etree.ElementTree as ET
import zipfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import pyproj
import pytest
import shapely
from output_samples import CRS_WKT, WEST

from slopekit.outputs.kmz import KML_LAYERS, READ_FIRST, kml_colour, write_kmz
from slopekit.outputs.symbology import LOOKS
from slopekit.schema.classes import CLASSES
from slopekit.schema.layers import OUTPUT_LAYERS

SAID = ["The survey is old.", "Not assessed: <b>holes</b> & stumps.", "Walk the ground before work."]
EVIL = "<script>alert('1')</script>&amp;\x1b[31m$[name]"
KML = {"k": "http://www.opengis.net/kml/2.2"}


@pytest.fixture
def kmz(tmp_path: Path, tables: dict[str, Any]) -> Path:
    path = tmp_path / "site.kmz"
    write_kmz(path, tables, "Zones: site", SAID)
    return path


def document(path: Path) -> bytes:
    with zipfile.ZipFile(path) as archive:
        assert archive.namelist() == ["doc.kml"]
        return archive.read("doc.kml")


def by_gdal(path: Path, folder: Path) -> dict[str, gpd.GeoDataFrame]:
    """Every folder of the document as GDAL reads it; the wheel's driver takes the document itself."""
    (folder / "doc.kml").write_bytes(document(path))
    names = [str(name) for name, _ in pyogrio.list_layers(folder / "doc.kml")]
    tables = {name: pyogrio.read_dataframe(folder / "doc.kml", layer=name) for name in names}
    # Drivers of GDAL spell the column of the description with a capital letter or without.
    return {name: table.rename(columns={"Description": "description"}) for name, table in tables.items()}


def test_gdal_reads_the_same_areas(kmz: Path, tables: dict[str, Any], tmp_path: Path) -> None:
    found = by_gdal(kmz, tmp_path)
    drawn = [layer for layer in KML_LAYERS if len(tables[layer])]
    assert len(drawn) > 6
    assert list(found) == [READ_FIRST, *(OUTPUT_LAYERS[layer].title for layer in drawn)]
    geod = pyproj.Geod(ellps="WGS84")
    for layer in drawn:
        given, back = tables[layer], found[OUTPUT_LAYERS[layer].title]
        # KML 2.2 (OGC 07-147r2), kml:coordinates: longitude and latitude on WGS 84.
        assert back.crs == "EPSG:4326"
        here = back.geometry.to_crs(CRS_WKT)
        assert len(here) == len(given)
        for one, two in zip(here, given.geometry, strict=True):
            assert one.hausdorff_distance(two) < 0.002
        if LOOKS[layer].geometry != "polygon":
            continue
        assert here.area.to_numpy() == pytest.approx(given.area.to_numpy(), rel=1e-3)
        # On the ellipsoid, by PROJ's own geodesics (Karney 2013): at the central meridian a UTM grid's areas are 0.08 %
        # too small (scale 0.9996, EPSG Guidance Note 7-2).
        assert abs(given.geometry.total_bounds[0] - WEST) < 500.0
        true = [abs(geod.geometry_area_perimeter(shape)[0]) for shape in back.geometry]
        assert [area * 0.9996**2 for area in true] == pytest.approx(given.area.tolist(), rel=5e-4)


def test_rings_run_counterclockwise(kmz: Path) -> None:
    root = ET.fromstring(document(kmz))
    rings = root.findall(".//k:outerBoundaryIs/k:LinearRing/k:coordinates", KML)
    assert len(rings) > 10
    for ring in rings:
        points = [tuple(map(float, point.split(","))) for point in str(ring.text).split()]
        assert shapely.LinearRing(points).is_ccw


def test_a_zone_says_its_number_and_its_class(kmz: Path, tables: dict[str, Any], tmp_path: Path) -> None:
    zones, back = tables["zones"], by_gdal(kmz, tmp_path)[OUTPUT_LAYERS["zones"].title]
    words = {mark.code: mark.label for mark in CLASSES}
    for row, name, told in zip(zones.itertuples(), back["Name"], back["description"], strict=True):
        assert name.startswith(f"{row.zone_id}: {words[row.machine_class]}")
        share = row.marginal_share
        assert ("measure on site" in name) == (share is not None and share > 0.25)
        assert html.escape(row.note) in told


def test_each_class_has_its_colour(kmz: Path) -> None:
    # kml:color (OGC 07-147r2, 16.2): aabbggrr. The example there: 7f0000ff is opaque by half and red.
    assert kml_colour("#ff0000", 127 / 255) == "7f0000ff"
    assert kml_colour("#123456") == "ff563412"
    root = ET.fromstring(document(kmz))
    styles = {style.get("id"): style for style in root.findall(".//k:Style", KML)}
    used = [str(place.findtext("k:styleUrl", "", KML)) for place in root.findall(".//k:Placemark", KML)]
    assert {one.removeprefix("#") for one in used if one} <= set(styles)
    for number, mark in enumerate(CLASSES, 1):
        colour = str(styles[f"zones-{number}"].findtext("k:PolyStyle/k:color", "", KML))
        assert colour[2:] == f"{mark.colour[5:7]}{mark.colour[3:5]}{mark.colour[1:3]}"
        assert 0x40 < int(colour[:2], 16) < 0xD0  # the picture beneath shows through


def test_cautions_stand_first(kmz: Path) -> None:
    root = ET.fromstring(document(kmz))
    told = str(root.findtext("k:Document/k:description", "", KML))
    first = root.find("k:Document/k:Folder/k:Placemark", KML)
    assert first is not None
    assert str(first.findtext("k:name", "", KML)).startswith("Read first")
    assert first.find("k:Point/k:coordinates", KML) is not None
    for text in (told, str(first.findtext("k:description", "", KML))):
        assert [html.unescape(one) for one in re.findall("<p>(.*?)</p>", text)] == SAID


def test_texts_of_others_are_no_markup(tmp_path: Path, tables: dict[str, Any]) -> None:
    zones = tables["zones"].copy()
    zones["zone_id"] = [f"{EVIL}-z{n}" for n in range(len(zones))]
    zones["note"] = EVIL
    write_kmz(tmp_path / "a.kmz", {**tables, "zones": zones}, EVIL, [EVIL])
    back = by_gdal(tmp_path / "a.kmz", tmp_path)[OUTPUT_LAYERS["zones"].title]
    shown = EVIL.replace("\x1b", "\\u001b")
    assert back["Name"][0].startswith(f"{shown}-z0: ")
    # A balloon shows the description as HTML (kml:description): after reading, it is still escaped once.
    assert all("<script" not in told and html.escape(shown) in told for told in back["description"])
    root = ET.fromstring(document(tmp_path / "a.kmz"))
    assert {balloon.text for balloon in root.findall(".//k:BalloonStyle/k:text", KML)} == {"$[description]"}


def test_the_same_result_has_the_same_bytes(kmz: Path, tables: dict[str, Any], tmp_path: Path) -> None:
    write_kmz(tmp_path / "again.kmz", tables, "Zones: site", SAID)
    assert (tmp_path / "again.kmz").read_bytes() == kmz.read_bytes()
    with zipfile.ZipFile(kmz) as archive:
        assert [one.date_time for one in archive.infolist()] == [(1980, 1, 1, 0, 0, 0)]


def test_a_result_without_parcels_is_a_document_all_the_same(tmp_path: Path, tables: dict[str, Any]) -> None:
    empty = {layer: tables[layer].iloc[:0] for layer in KML_LAYERS}
    write_kmz(tmp_path / "a.kmz", empty, "Zones", SAID)
    root = ET.fromstring(document(tmp_path / "a.kmz"))
    assert len(root.findall(".//k:Placemark", KML)) == 1
