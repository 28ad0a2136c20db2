"""A layer's look as SLD 1.1 with Symbology Encoding 1.1 (OGC 05-078r4, OGC 05-077r4), for software other than QGIS."""

import xml.etree.ElementTree as ET

from slopekit.outputs.symbology import LABEL_SCALE, Label, Look, Mark

_SLD, _SE, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/se", "http://www.opengis.net/ogc"
# The standard fixes the unit of lengths by this name; without it they are pixels of 0.28 mm.
_PIXEL_MM = 0.28
# The standard's own well-known marks have no lines; these names are the ones that map servers share.
_SHAPES = {
    "/": "shape://slash",
    "\\": "shape://backslash",
    "-": "shape://horline",
    "|": "shape://vertline",
    "x": "shape://times",
    ".": "shape://dot",
    "o": "circle",
}
_FILTERS = {"=": "PropertyIsEqualTo", "<>": "PropertyIsNotEqualTo", ">": "PropertyIsGreaterThan"}

for _prefix, _space in (("sld", _SLD), ("se", _SE), ("ogc", _OGC)):
    ET.register_namespace(_prefix, _space)


def sld(look: Look) -> str:
    """The SLD text of one layer: a rule for each mark, in the order in which they are drawn, and one for the labels."""
    root = ET.Element(f"{{{_SLD}}}StyledLayerDescriptor", version="1.1.0")
    named = _sub(root, _SLD, "NamedLayer")
    _sub(named, _SE, "Name", look.layer)
    user = _sub(named, _SLD, "UserStyle")
    _sub(user, _SE, "Name", look.layer)
    style = _sub(user, _SE, "FeatureTypeStyle")
    for mark in look.marks:
        rule = _rule(style, mark.label)
        if mark.where:
            column, operator, value = mark.where
            test = _sub(_sub(rule, _OGC, "Filter"), _OGC, _FILTERS[operator])
            _sub(test, _OGC, "PropertyName", column)
            _sub(test, _OGC, "Literal", str(value))
        if mark.turned is not None:
            _direction(rule, mark, mark.turned)
        elif look.geometry == "polygon":
            _polygon(rule, mark)
        elif look.geometry == "point":
            _point(rule, mark)
        else:
            if mark.halo:
                outer = Mark(mark.label, line="#ffffff", width=mark.width + 0.6)
                _stroke(_sub(rule, _SE, "LineSymbolizer"), outer)
            _stroke(_sub(rule, _SE, "LineSymbolizer"), mark)
            if mark.core:
                inner = Mark(mark.label, line=mark.core, width=mark.width / 2)
                _stroke(_sub(rule, _SE, "LineSymbolizer"), inner)
    if look.label:
        _text(style, look.label)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _rule(style: ET.Element, title: str) -> ET.Element:
    rule = _sub(style, _SE, "Rule")
    _sub(rule, _SE, "Name", title)
    _sub(_sub(rule, _SE, "Description"), _SE, "Title", title)
    return rule


def _polygon(rule: ET.Element, mark: Mark) -> None:
    if mark.fill:
        _parameter(_sub(_sub(rule, _SE, "PolygonSymbolizer"), _SE, "Fill"), "fill", mark.fill)
    if mark.hatch:
        fill = _sub(_sub(rule, _SE, "PolygonSymbolizer"), _SE, "Fill")
        graphic = _sub(_sub(fill, _SE, "GraphicFill"), _SE, "Graphic")
        shape = _sub(graphic, _SE, "Mark")
        _sub(shape, _SE, "WellKnownName", _SHAPES[mark.hatch])
        if mark.hatch == "o":
            _parameter(_sub(shape, _SE, "Fill"), "fill", "#ffffff")
        _parameter(_sub(shape, _SE, "Stroke"), "stroke", mark.ink)
        _sub(graphic, _SE, "Size", "7")
    if mark.line:
        _stroke(_sub(rule, _SE, "PolygonSymbolizer"), mark)


def _direction(rule: ET.Element, mark: Mark, turned: int) -> None:
    """A short line in the direction of work."""
    graphic = _sub(_sub(rule, _SE, "PointSymbolizer"), _SE, "Graphic")
    shape = _sub(graphic, _SE, "Mark")
    _sub(shape, _SE, "WellKnownName", "shape://vertline")
    _parameter(_sub(shape, _SE, "Stroke"), "stroke", mark.ink)
    _sub(graphic, _SE, "Size", "20")
    sum_of = _sub(_sub(graphic, _SE, "Rotation"), _OGC, "Add")
    _sub(sum_of, _OGC, "PropertyName", "aspect_deg")
    _sub(sum_of, _OGC, "Literal", str(turned))


def _point(rule: ET.Element, mark: Mark) -> None:
    graphic = _sub(_sub(rule, _SE, "PointSymbolizer"), _SE, "Graphic")
    shape = _sub(graphic, _SE, "Mark")
    _sub(shape, _SE, "WellKnownName", mark.shape)
    _parameter(_sub(shape, _SE, "Fill"), "fill", mark.fill)
    _parameter(_sub(shape, _SE, "Stroke"), "stroke", mark.line)
    _sub(graphic, _SE, "Size", f"{mark.width / _PIXEL_MM:.2f}")


def _stroke(symbolizer: ET.Element, mark: Mark) -> None:
    stroke = _sub(symbolizer, _SE, "Stroke")
    _parameter(stroke, "stroke", mark.line)
    _parameter(stroke, "stroke-width", f"{mark.width / _PIXEL_MM:.2f}")
    if mark.dash:
        _parameter(stroke, "stroke-dasharray", "6 3")


def _text(style: ET.Element, label: Label) -> None:
    rule = _rule(style, "Label")
    if label.largest_scale_only:
        _sub(rule, _SE, "MaxScaleDenominator", str(LABEL_SCALE))
    text = _sub(rule, _SE, "TextSymbolizer")
    words = _sub(text, _SE, "Label")
    if label.decimals is None:
        shown = _sub(words, _OGC, "PropertyName", label.column)
    else:
        # As many decimals as in QGIS; a program that cannot round shows nothing rather than a raw figure.
        shown = _sub(words, _SE, "FormatNumber")
        shown.set("fallbackValue", "")
        _sub(_sub(shown, _SE, "NumericValue"), _OGC, "PropertyName", label.column)
        _sub(shown, _SE, "Pattern", f"0.{'0' * label.decimals}")
    shown.tail = label.suffix
    font = _sub(text, _SE, "Font")
    _parameter(font, "font-size", f"{label.size:g}")
    _parameter(font, "font-weight", "bold" if label.bold else "normal")
    halo = _sub(text, _SE, "Halo")
    _sub(halo, _SE, "Radius", "1")
    _parameter(_sub(halo, _SE, "Fill"), "fill", "#ffffff")
    _parameter(_sub(text, _SE, "Fill"), "fill", "#111111")


def _parameter(parent: ET.Element, name: str, value: str) -> None:
    _sub(parent, _SE, "SvgParameter", value).set("name", name)


def _sub(parent: ET.Element, space: str, name: str, text: str | None = None) -> ET.Element:
    child = ET.SubElement(parent, f"{{{space}}}{name}")
    child.text = text
    return child
