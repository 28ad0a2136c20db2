"""A layer's look as QML, the style format of QGIS (3.22 and newer)."""

import uuid
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Mapping

from slopekit.outputs.qml_fields import add_fields
from slopekit.outputs.symbology import LABEL_SCALE, Label, Look, Mark, renamed

_DOCTYPE = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
_ZONE_OPACITY = "0.85"
# Degrees of the lines of each hatch, counter-clockwise from east.
_ANGLES = {"/": (45,), "\\": (135,), "-": (0,), "|": (90,), "x": (45, 135)}
_LINE_GAP_MM, _LINE_MM = 2.0, 0.22
# Gap, size and marker colour share of the two point patterns: many small dots, few large rings.
_POINTS = {".": ("2", "0.5"), "o": ("4.5", "1.8")}
# Size of the heads that tell the direction of work, and how far they stand from the middle, beyond a zone's number.
_HEAD_MM, _HEAD_FROM_MM = "2", "2.6"
# QGIS numbers its label placements: horizontal inside a polygon, along a line.
_PLACEMENT = {"polygon": "4", "line": "2"}
_OVER_POINT, _CENTRED = "1", "4"
# The tolerance is a part of the size, since a CRS may count in feet or degrees.
_WIDEST = "pole_of_inaccessibility($geometry, 0.02 * sqrt(area($geometry)))"


def qml(look: Look, conditions: Iterable[str] = (), names: Mapping[str, str] | None = None) -> str:
    """The QML text of one layer: a rule for each mark (overlay rules last, drawn on top) and its labels.

    conditions: those of the result, whose columns get titles too. names: what columns are called in a file that cannot
    hold their names.
    """
    names = names or {}
    look = renamed(look, names)
    root = ET.Element(
        "qgis",
        version="3.22.0",
        styleCategories="Symbology|Labeling|Fields|MapTips|AttributeTable",
        labelsEnabled="1" if look.label else "0",
    )
    renderer = ET.SubElement(
        root, "renderer-v2", type="RuleRenderer", symbollevels="0", enableorderby="0", forceraster="0"
    )
    rules = ET.SubElement(renderer, "rules", key=_key(look.layer))
    symbols = ET.SubElement(renderer, "symbols")
    for number, mark in enumerate(look.marks):
        rule = ET.SubElement(
            rules, "rule", key=_key(f"{look.layer} {mark.label}"), symbol=str(number), label=mark.label
        )
        if mark.where:
            rule.set("filter", _expression(mark.where))
        _symbol(symbols, look, mark, str(number))
    if look.label:
        _labeling(root, look, look.label)
    add_fields(root, look.layer, conditions, names)
    ET.indent(root)
    return _DOCTYPE + ET.tostring(root, encoding="unicode") + "\n"


def _key(text: str) -> str:
    """QGIS wants an id for each rule; made from the words, so that the same style has the same text."""
    return f"{{{uuid.uuid5(uuid.NAMESPACE_OID, text)}}}"


def _expression(where: tuple[str, str, str | float]) -> str:
    column, operator, value = where
    return f'"{column}" {operator} ' + (f"'{value}'" if isinstance(value, str) else str(value))


def _symbol(parent: ET.Element, look: Look, mark: Mark, name: str) -> None:
    kind = {"polygon": "fill", "line": "line", "point": "marker"}[look.geometry]
    alpha = _ZONE_OPACITY if mark.fill and kind == "fill" else "1"
    symbol = ET.SubElement(parent, "symbol", type=kind, name=name, alpha=alpha, clip_to_extent="1", force_rhr="0")
    if kind == "line":
        _line_layers(symbol, mark, name)
        return
    if kind == "marker":
        _marker(symbol, mark.shape, str(mark.width), mark.fill, mark.line)
        return
    if mark.turned is not None:
        _heads(symbol, mark, mark.turned, name)
        return
    outline = {
        "outline_color": _rgba(mark.line),
        "outline_style": "no" if not mark.line else "dash" if mark.dash else "solid",
        "outline_width": str(mark.width),
        "outline_width_unit": "MM",
        "joinstyle": "bevel",
    }
    _layer(symbol, "SimpleFill", color=_rgba(mark.fill), style="solid" if mark.fill else "no", **outline)
    for angle in _ANGLES.get(mark.hatch, ()):
        pattern = _layer(
            symbol, "LinePatternFill", angle=str(angle), color=_rgba(mark.ink), distance=str(_LINE_GAP_MM),
            distance_unit="MM", line_width=str(_LINE_MM), line_width_unit="MM",
        )  # fmt: skip
        line = _part(pattern, "line", f"@{name}@{len(symbol) - 1}")
        _simple_line(line, mark.ink, _LINE_MM)
    if mark.hatch in _POINTS:
        gap, size = _POINTS[mark.hatch]
        pattern = _layer(
            symbol, "PointPatternFill", distance_x=gap, distance_x_unit="MM", distance_y=gap, distance_y_unit="MM",
            displacement_x=str(float(gap) / 2), displacement_x_unit="MM", displacement_y="0", displacement_y_unit="MM",
        )  # fmt: skip
        marker = _part(pattern, "marker", f"@{name}@{len(symbol) - 1}")
        inside = "#ffffff" if mark.hatch == "o" else mark.ink
        _marker(marker, "circle", size, inside, mark.ink)


def _heads(symbol: ET.Element, mark: Mark, turned: int, name: str) -> None:
    """Two arrow heads round the place of the label, which lie on a line of the direction of work."""
    place = _layer(symbol, "GeometryGenerator", SymbolType="Marker", geometryModifier=_WIDEST, units="MapUnit")
    heads = _part(place, "marker", f"@{name}@0")
    for half in (0, 180):
        head = _marker(heads, "triangle", _HEAD_MM, mark.ink, "#ffffff", offset=f"0,-{_HEAD_FROM_MM}")
        # Without a direction, as in a legend, they lie on a level line.
        _from_expression(head, "angle", f'coalesce("aspect_deg" + {turned}, 90) + {half}')


def _from_expression(layer: ET.Element, name: str, expression: str) -> None:
    options = ET.SubElement(ET.SubElement(layer, "data_defined_properties"), "Option", type="Map")
    ET.SubElement(options, "Option", name="name", value="", type="QString")
    properties = ET.SubElement(options, "Option", name="properties", type="Map")
    one = ET.SubElement(properties, "Option", name=name, type="Map")
    # 3: QGIS's number for an expression.
    for key, value, kind in (("active", "true", "bool"), ("expression", expression, "QString"), ("type", "3", "int")):
        ET.SubElement(one, "Option", name=key, value=value, type=kind)
    ET.SubElement(options, "Option", name="type", value="collection", type="QString")


def _line_layers(symbol: ET.Element, mark: Mark, name: str) -> None:
    if mark.halo:
        _simple_line(symbol, "#ffffff", mark.width + 0.6)
    _simple_line(symbol, mark.line, mark.width, "dash" if mark.dash else "solid")
    if mark.core:
        _simple_line(symbol, mark.core, mark.width / 2)
    if mark.arrow:
        heads = _layer(symbol, "MarkerLine", placement="lastvertex", rotate="1")
        _marker(_part(heads, "marker", f"@{name}@{len(symbol) - 1}"), "filled_arrowhead", "2.6", mark.line, mark.line)


def _simple_line(symbol: ET.Element, colour: str, width: float, style: str = "solid") -> None:
    _layer(
        symbol, "SimpleLine", line_color=_rgba(colour), line_style=style, line_width=str(width), line_width_unit="MM",
        capstyle="round", joinstyle="round",
    )  # fmt: skip


def _marker(symbol: ET.Element, shape: str, size: str, inside: str, edge: str, offset: str = "0,0") -> ET.Element:
    return _layer(
        symbol, "SimpleMarker", name=shape, size=size, size_unit="MM", angle="0", color=_rgba(inside),
        outline_color=_rgba(edge), outline_style="solid", outline_width="0.2", outline_width_unit="MM", offset=offset,
        offset_unit="MM",
    )  # fmt: skip


def _part(layer: ET.Element, kind: str, name: str) -> ET.Element:
    return ET.SubElement(layer, "symbol", type=kind, name=name, alpha="1", clip_to_extent="1", force_rhr="0")


def _layer(symbol: ET.Element, kind: str, **settings: str) -> ET.Element:
    layer = ET.SubElement(symbol, "layer", {"class": kind, "enabled": "1", "locked": "0", "pass": "0"})
    options = ET.SubElement(layer, "Option", type="Map")
    for name, value in settings.items():
        ET.SubElement(options, "Option", name=name, value=value, type="QString")
    return layer


def _number(column: str, decimals: int) -> str:
    """The expression of a rounded figure, which is never shown as nothing."""
    least = 10.0**-decimals
    return f'if("{column}" < {least / 2.0:g}, \'under {least:g}\', format_number("{column}", {decimals}))'


def _labeling(root: ET.Element, look: Look, label: Label) -> None:
    settings = ET.SubElement(ET.SubElement(root, "labeling", type="simple"), "settings", calloutType="simple")
    text = f'"{label.column}"' if label.decimals is None else _number(label.column, label.decimals)
    if label.short:
        # Ids read as PARCEL-z1, and the parcel has a label of its own.
        text = f'substr("{label.column}", length("parcel_id") + 2)'
    style = ET.SubElement(
        settings, "text-style", fieldName=f"{text} || '{label.suffix}'" if label.suffix else text, isExpression="1",
        fontSize=str(label.size), fontSizeUnit="Point", fontWeight="75" if label.bold else "50",
        fontBold="1" if label.bold else "0", textColor="17,17,17,255",
    )  # fmt: skip
    ET.SubElement(
        style, "text-buffer", bufferDraw="1", bufferSize="0.8", bufferSizeUnits="MM", bufferColor="255,255,255,230"
    )
    shape = "PolygonGeometry" if look.geometry == "polygon" else "LineGeometry"
    place = {"placement": _PLACEMENT[look.geometry], "layerType": shape, "priority": "5"}
    if label.short:
        place |= {
            "placement": _OVER_POINT, "quadOffset": _CENTRED, "geometryGeneratorEnabled": "1",
            "geometryGeneratorType": "PointGeometry", "geometryGenerator": _WIDEST,
        }  # fmt: skip
    ET.SubElement(settings, "placement", place)
    # In this format scaleMax is the smallest map scale (the largest denominator) at which labels still show.
    ET.SubElement(
        settings, "rendering", drawLabels="1", scaleVisibility="1" if label.largest_scale_only else "0", scaleMin="0",
        scaleMax=str(LABEL_SCALE),
    )  # fmt: skip


def _rgba(colour: str) -> str:
    if not colour:
        return "0,0,0,0"
    return ",".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + ",255"
