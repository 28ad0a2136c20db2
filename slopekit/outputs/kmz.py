"""A result as KMZ: a zip with a document in KML 2.2 (OGC 07-147r2), for the map program of a phone."""

import html
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import shapely

from slopekit.outputs.atomic import written
from slopekit.outputs.symbology import LOOKS, MEASURE, Mark, marks_of
from slopekit.schema.layers import OUTPUT_LAYERS
from slopekit.sources.warp import transformer
from slopekit.texts import line_of, xml_of
from slopekit.wording import area_words, metres_words, speed_words

_KML = "http://www.opengis.net/kml/2.2"
_WGS84 = "EPSG:4326"
# The least date that a zip can tell (APPNOTE.TXT of the format, 4.4.6): the same result gives the same bytes.
_MOMENT = (1980, 1, 1, 0, 0, 0)
# About a millimetre of longitude or latitude.
_DECIMALS = 8
_FILL_ALPHA = 0.6
_PIXELS_PER_MM = 96 / 25.4
READ_FIRST = "Read first"


def write_kmz(path: str | Path, tables: Mapping[str, Any], title: str, sentences: Sequence[str]) -> None:
    """Write the drawn layers of a result, longitude and latitude on WGS 84, a folder each.

    tables: GeoDataFrames by layer, in any CRS; those that KML_LAYERS does not name are left out. Every text is shown as
    it is, never taken for markup. sentences: warnings, what was not assessed and cautions; they stand in the document's
    description and in a placemark of their own before all else. KML has no patterns: a zone's name holds its number and
    its class. Raises OutputError when the place cannot take the file.
    """
    root = ET.Element("kml", xmlns=_KML)
    document = ET.SubElement(root, "Document")
    _text(document, "name", title)
    _text(document, "open", "1")
    told = "".join(f"<p>{_html(sentence)}</p>" for sentence in sentences)
    _text(document, "description", told)
    drawn = [layer for layer in KML_LAYERS if len(tables.get(layer, ()))]
    for layer in drawn:
        for number, mark in enumerate(LOOKS[layer].marks):
            _style(document, _style_id(layer, number), LOOKS[layer].geometry, mark)
    _read_first(document, tables["parcels"], told)
    for layer in drawn:
        _folder(document, layer, tables[layer])
    ET.indent(root)
    content = ET.tostring(root, encoding="UTF-8", xml_declaration=True)
    with written(path) as (temp,), zipfile.ZipFile(temp, "w") as archive:
        entry = zipfile.ZipInfo("doc.kml", _MOMENT)
        entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
        archive.writestr(entry, content)


def _zone(row: Mapping[str, Any], mark: Mark) -> tuple[str, list[str]]:
    measure = f"; {MEASURE.label.partition(' (')[0].lower()}" if _meets(row, MEASURE) else ""
    facts = [f"Area on the map: {area_words(row['plan_m2'])}"] if _there(row["plan_m2"]) else []
    return f"{row['zone_id']}: {mark.label}{measure}", [row["note"], *facts]


def _parcel(row: Mapping[str, Any], mark: Mark) -> tuple[str, list[str]]:
    return f"{mark.label} {row['parcel_id']}", [row["note"]]


def _water(row: Mapping[str, Any], mark: Mark) -> tuple[str, list[str]]:
    return mark.label, [_body(row)]


def _drop(row: Mapping[str, Any], mark: Mark) -> tuple[str, list[str]]:
    height = metres_words(row["height_m"]) if _there(row["height_m"]) else "height not known"
    return f"Drop, {height}", [mark.label, f"Origin: {row['origin']}", _body(row)]


def _path(row: Mapping[str, Any], mark: Mark) -> tuple[str, list[str]]:
    facts = f"{metres_words(row['length_m'])} long, falls {metres_words(row['fall_m'])}"
    least = f"Least speed at its start: {speed_words(row['start_kmh'])}" if row["start_kmh"] > 0.0 else ""
    return f"{row['zone_id']}: path to {row['hazard']}", [f"{mark.label}: {facts}", least]


def _route(row: Mapping[str, Any], mark: Mark) -> tuple[str, list[str]]:
    told = f"For {row['machine']}, from entrance {row['entrance']}, {metres_words(row['length_m'])}"
    return f"{row['zone_id']}: route {row['direction']}", [told]


def _first(row: Mapping[str, Any], mark: Mark) -> tuple[str, list[str]]:
    return f"{row['zone_id']}: {mark.label[0].lower()}{mark.label[1:]}", [f"For {row['machine']}, {row['way']}"]


def _said(row: Mapping[str, Any], mark: Mark) -> tuple[str, list[str]]:
    who = " ".join(str(row[name]) for name in ("who", "when") if _there(row[name]))
    return f"{row['what']}", [mark.label, who, row["why"], row["effect"]]


_WORDS: dict[str, Callable[[Mapping[str, Any], Mark], tuple[str, list[str]]]] = {
    "zones": _zone,
    "drops": _drop,
    "water": _water,
    "starts": _first,
    "directions": _first,
    "paths": _path,
    "routes": _route,
    "corrections": _said,
    "parcels": _parcel,
}
"""Name and paragraphs of a feature, by layer."""
KML_LAYERS = tuple(_WORDS)


def _body(row: Mapping[str, Any]) -> str:
    return f"Name for corrections: {row['body']}" if _there(row["body"]) else ""


def _there(value: Any) -> bool:
    """Whether a cell of a table holds something."""
    return value is not None and value == value and value != ""


def _meets(row: Mapping[str, Any], mark: Mark) -> bool:
    return mark in marks_of([mark], row)


def _read_first(document: ET.Element, parcels: Any, told: str) -> None:
    folder = ET.SubElement(document, "Folder")
    _text(folder, "name", READ_FIRST)
    _text(folder, "open", "1")
    place = ET.SubElement(folder, "Placemark")
    _text(place, "name", "Read first: what was not assessed, and cautions")
    _text(place, "description", told)
    if len(parcels):
        west, _, east, north = shapely.total_bounds(_on_wgs84(parcels))
        _geometry(place, shapely.Point((west + east) / 2.0, north))


def _folder(document: ET.Element, layer: str, table: Any) -> None:
    folder = ET.SubElement(document, "Folder")
    _text(folder, "name", OUTPUT_LAYERS[layer].title)
    _text(folder, "description", _html(OUTPUT_LAYERS[layer].meaning))
    marks = [mark for mark in LOOKS[layer].marks if not mark.overlay]
    columns = table.drop(columns=table.geometry.name).astype(object)
    rows = columns.where(columns.notna(), None).to_dict("records")
    for row, shape in zip(rows, _on_wgs84(table), strict=True):
        mark = marks_of(marks, row)[0]
        name, told = _WORDS[layer](row, mark)
        place = ET.SubElement(folder, "Placemark")
        _text(place, "name", name)
        body = "".join(f"<p>{_html(str(one))}</p>" for one in told if _there(one))
        _text(place, "description", f"<b>{_html(name)}</b>{body}")
        _text(place, "styleUrl", f"#{_style_id(layer, LOOKS[layer].marks.index(mark))}")
        _geometry(place, shape)


def _on_wgs84(table: Any) -> Any:
    change = transformer(table.crs.to_wkt(), _WGS84)
    return shapely.transform(table.geometry.to_numpy(), change.transform, interleaved=False)


def _style_id(layer: str, number: int) -> str:
    return f"{layer}-{number + 1}"


def _style(document: ET.Element, name: str, geometry: str, mark: Mark) -> None:
    style = ET.SubElement(document, "Style", id=name)
    if geometry == "point":
        icon = ET.SubElement(style, "IconStyle")
        _text(icon, "color", kml_colour(mark.line))
    line = ET.SubElement(style, "LineStyle")
    _text(line, "color", kml_colour(mark.line))
    _text(line, "width", f"{max(1.0, mark.width * _PIXELS_PER_MM):.1f}")
    if geometry == "polygon":
        area = ET.SubElement(style, "PolyStyle")
        _text(area, "color", kml_colour(mark.fill, _FILL_ALPHA))
        _text(area, "fill", "1" if mark.fill else "0")
    # A program's own balloon may take a name for markup, so the description, which holds it, is the whole balloon.
    _text(ET.SubElement(style, "BalloonStyle"), "text", "$[description]")


def kml_colour(colour: str, alpha: float = 1.0) -> str:
    """'#rrggbb' as KML writes it, aabbggrr (OGC 07-147r2, kml:color); an empty one is transparent."""
    if not colour:
        return "00ffffff"
    return f"{round(255 * alpha):02x}{colour[5:7]}{colour[3:5]}{colour[1:3]}".lower()


def _geometry(parent: ET.Element, shape: Any) -> None:
    if shape.geom_type.startswith("Multi"):
        parent = ET.SubElement(parent, "MultiGeometry")
    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon":
            # Rings run counterclockwise (kml:Polygon); the hole's other sense is that of simple features.
            part = shapely.orient_polygons(part)
            polygon = ET.SubElement(parent, "Polygon")
            for kind, ring in (
                ("outerBoundaryIs", part.exterior),
                *(("innerBoundaryIs", hole) for hole in part.interiors),
            ):
                _coordinates(ET.SubElement(ET.SubElement(polygon, kind), "LinearRing"), ring)
        elif part.geom_type == "LineString":
            line = ET.SubElement(parent, "LineString")
            _text(line, "tessellate", "1")
            _coordinates(line, part)
        else:
            _coordinates(ET.SubElement(parent, "Point"), part)


def _coordinates(parent: ET.Element, shape: Any) -> None:
    pairs: Iterable[tuple[float, float]] = shapely.get_coordinates(shape).tolist()
    _text(parent, "coordinates", " ".join(f"{x:.{_DECIMALS}f},{y:.{_DECIMALS}f}" for x, y in pairs))


def _text(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = xml_of(text)


def _html(text: str) -> str:
    return html.escape(line_of(text))
