"""A project of QGIS (3.22 and newer) for the layers of one GeoPackage, as the GeoPackage itself can carry it."""

import io
import json
import sqlite3
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass

import pyproj

from slopekit.grid import Bounds
from slopekit.texts import xml_of
from slopekit.wording import CAUTION

PROJECT = "slopekit"
"""Name of the project inside the GeoPackage."""
_DOCTYPE = b"<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
_VERSION = "3.22.0"
_MOMENT = (1980, 1, 1, 0, 0, 0)
# As QGIS 3.22 makes the table and fills it: the project, a zip, as digits of base 16.
_TABLE = "CREATE TABLE qgis_projects(name TEXT PRIMARY KEY, metadata BLOB, content BLOB)"
_METADATA = json.dumps({"last_modified_time": "1980-01-01T00:00:00", "last_modified_user": "slopekit"})
_KINDS = {"polygon": "Polygon", "line": "Line", "point": "Point", "": "No geometry"}


@dataclass(frozen=True)
class Shown:
    """A layer of the project."""

    table: str
    title: str
    geometry: str
    """polygon, line or point; empty for a table."""
    group: str
    qml: str
    """Its style; empty for a table."""
    drawn_in: bool = False
    """Whether features may be drawn and changed; all else can be looked at only."""
    visible: bool = True


def put_project(
    db: sqlite3.Connection, file: str, layers: Sequence[Shown], crs: str, extent: Bounds | None, title: str, told: str
) -> None:
    """Store a project in the GeoPackage `file`, a name without a folder: the layers are looked for beside it.

    layers: from the top of the layer tree down, those of a group one after the other. crs: of all layers. extent: what
    the map shows first, CRS units; None where there is nothing. told: a text for the project's description.
    """
    db.execute(_TABLE)
    content = _zipped(_project(file, layers, crs, extent, title, told))
    db.execute("INSERT INTO qgis_projects VALUES (?, ?, ?)", (PROJECT, _METADATA, content.hex()))


def _zipped(text: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        entry = zipfile.ZipInfo(f"{PROJECT}.qgs", _MOMENT)
        entry.compress_type = zipfile.ZIP_DEFLATED
        archive.writestr(entry, text)
    return stream.getvalue()


def _project(file: str, layers: Sequence[Shown], crs: str, extent: Bounds | None, title: str, told: str) -> bytes:
    root = ET.Element("qgis", projectname=title, version=_VERSION)
    _text(root, "title", title)
    _srs(ET.SubElement(root, "projectCrs"), crs)
    tree = ET.SubElement(root, "layer-tree-group")
    groups: dict[str, ET.Element] = {}
    for one in layers:
        if one.group not in groups:
            groups[one.group] = ET.SubElement(
                tree, "layer-tree-group", name=one.group, checked="Qt::Checked", expanded="1"
            )
        ET.SubElement(
            groups[one.group], "layer-tree-layer", id=_id(one), name=one.title, providerKey="ogr",
            source=_source(file, one), checked="Qt::Checked" if one.visible else "Qt::Unchecked", expanded="0",
        )  # fmt: skip
    if extent is not None:
        canvas = ET.SubElement(root, "mapcanvas", name="theMapCanvas", annotationsVisible="1")
        shown = ET.SubElement(canvas, "extent")
        for name, value in zip(("xmin", "ymin", "xmax", "ymax"), extent, strict=True):
            _text(shown, name, repr(float(value)))
        _srs(ET.SubElement(canvas, "destinationsrs"), crs)
    sources = ET.SubElement(root, "projectlayers")
    for one in layers:
        _layer(sources, file, one, crs)
    properties = ET.SubElement(root, "properties")
    _text(ET.SubElement(properties, "Paths"), "Absolute", "false", type="bool")
    # Without it QGIS leaves the project's CRS unread.
    _text(ET.SubElement(properties, "SpatialRefSys"), "ProjectionsEnabled", "1", type="int")
    # The decoration stands on the map itself, so that nobody draws without having read it.
    line = ET.SubElement(properties, "CopyrightLabel")
    _text(line, "Enabled", "true", type="bool")
    _text(line, "Label", CAUTION, type="QString")
    metadata = ET.SubElement(root, "projectMetadata")
    _text(metadata, "title", title)
    _text(metadata, "abstract", told)
    ET.indent(root)
    return _DOCTYPE + ET.tostring(root, encoding="UTF-8")


def _id(one: Shown) -> str:
    # QGIS gives ids of ten letters or fewer away and takes others.
    return f"{PROJECT}_{one.table}"


def _source(file: str, one: Shown) -> str:
    return f"./{file}|layername={one.table}"


def _layer(parent: ET.Element, file: str, one: Shown, crs: str) -> None:
    layer = ET.SubElement(
        parent, "maplayer", type="vector", geometry=_KINDS[one.geometry], readOnly="0" if one.drawn_in else "1",
        styleCategories="AllStyleCategories",
    )  # fmt: skip
    _text(layer, "id", _id(one))
    _text(layer, "datasource", _source(file, one))
    _text(layer, "layername", one.title)
    if one.geometry:
        _srs(ET.SubElement(layer, "srs"), crs)
    _text(layer, "provider", "ogr", encoding="UTF-8")
    if one.qml:
        style = ET.fromstring(one.qml.partition("\n")[2])
        layer.set("labelsEnabled", style.get("labelsEnabled", "0"))
        layer.extend(style)


def _srs(parent: ET.Element, crs: str) -> None:
    known = pyproj.CRS(crs)
    system = ET.SubElement(parent, "spatialrefsys")
    _text(system, "wkt", known.to_wkt())
    code = known.to_epsg()
    if code is not None:
        _text(system, "authid", f"EPSG:{code}")


def _text(parent: ET.Element, tag: str, text: str, **attributes: str) -> None:
    ET.SubElement(parent, tag, attributes).text = xml_of(text)
