"""How QGIS draws the template for corrections, and the form that it opens for each feature."""

import xml.etree.ElementTree as ET
from collections.abc import Mapping

from slopekit.outputs.qml import qml
from slopekit.outputs.styles import Style
from slopekit.outputs.symbology import CREST, INK_DARK, PATH, WATER_EDGE, WATER_GIVEN, Look, Mark
from slopekit.schema.corrections import DRAWN_AS, WHAT

COLUMNS: dict[str, str] = {
    "what": "What is here",
    "body": "Body that is meant: its id in the result",
    "survey": "Survey that this holds for: its checksum",
    "who": "Who saw it",
    "when": "On which day",
    "why": "Why",
    "width": "Width in metres (of a line that stands for an area)",
    "height": "Height in metres (of a wall or an edge)",
    "remark": "Remark",
}
"""Columns of the template, and what the form calls them."""

_MUD, _BRANCHES, _DRY_EDGE, _SURE, _DENIED, _BLANK = "#8a6d3b", "#3f6b35", "#b58900", "#1b6b5a", "#7a1fa0", "#ff00c8"
_MARKS: dict[str, dict[str, Mark]] = {
    "polygon": {
        "water": Mark("", fill=WATER_GIVEN, line=WATER_EDGE, width=0.4),
        "soft ground": Mark("", hatch=".", ink=_MUD, line=_MUD, width=0.4),
        "low clearance": Mark("", hatch="|", ink=_BRANCHES, line=_BRANCHES, width=0.4),
        "no-go": Mark("", hatch="x", ink=PATH, line=PATH, width=0.7),
        "dry": Mark("", hatch="o", ink=_DRY_EDGE, line=_DRY_EDGE, width=0.4),
        "confirm": Mark("", line=_SURE, width=0.8),
        "reject": Mark("", line=_DENIED, width=0.8, dash=True),
    },
    "line": {
        "water": Mark("", line=WATER_EDGE, width=0.9),
        "wall": Mark("", line=INK_DARK, width=1.1),
        "edge": Mark("", line=CREST, width=0.9, dash=True),
        "soft ground": Mark("", line=_MUD, width=0.9),
        "low clearance": Mark("", line=_BRANCHES, width=0.9),
        "no-go": Mark("", line=PATH, width=0.9),
        "confirm": Mark("", line=_SURE, width=0.8),
        "reject": Mark("", line=_DENIED, width=0.8, dash=True),
    },
    "point": {
        "confirm": Mark("", fill=_SURE, line=INK_DARK, width=3.2),
        "reject": Mark("", fill=_DENIED, line=INK_DARK, width=3.2),
    },
}
# What says nothing, or something unknown, must be seen and not vanish.
_UNSAID = Mark("Not said what it is: fill in 'what'", line=_BLANK, width=1.2)
_UNSAID_POINT = Mark(_UNSAID.label, fill=_BLANK, line=INK_DARK, width=4.0)
_MULTILINE = ("why", "remark")
_MEASURES = ("width", "height")


def correction_style(layer: str, shape: str, surveys: Mapping[str, str] | None = None) -> Style:
    """The default style of one layer of the template. `shape` is polygon, line or point.

    surveys: checksums by what the form calls them, where one of several is to be chosen."""
    marks = [
        Mark(**{**vars(mark), "label": _words(what), "where": ("what", "=", what)})
        for what, mark in _MARKS[shape].items()
    ]
    unsaid = _UNSAID_POINT if shape == "point" else _UNSAID
    head, _, body = qml(Look(layer, shape, (*marks, unsaid))).partition("\n")
    root = ET.fromstring(body)
    root.set("styleCategories", "Symbology|Labeling|Fields|Forms")
    root.findall("renderer-v2/rules/rule")[-1].set("filter", "ELSE")
    if shape == "point":
        for symbol, mark in zip(root.findall("renderer-v2/symbols/symbol"), (*marks, unsaid), strict=True):
            _as_point(symbol, mark)
    _form(root, shape, surveys or {})
    ET.indent(root)
    return Style(layer, layer, f"{head}\n{ET.tostring(root, encoding='unicode')}\n", "")


def said_of(shape: str) -> list[str]:
    """What a feature of this shape can say, in the order of the form."""
    return [what for what in WHAT if shape in DRAWN_AS[what]]


def _words(what: str) -> str:
    return f"{what[0].upper()}{what[1:]}: {WHAT[what]}"


def _as_point(symbol: ET.Element, mark: Mark) -> None:
    symbol.set("type", "marker")
    symbol[:] = []
    layer = ET.SubElement(symbol, "layer", {"class": "SimpleMarker", "enabled": "1", "locked": "0", "pass": "0"})
    _options(
        layer, name="circle", size=str(mark.width), size_unit="MM", color=_rgba(mark.fill),
        outline_color=_rgba(mark.line), outline_style="solid", outline_width="0.4", outline_width_unit="MM",
    )  # fmt: skip


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + ",255"


def _form(root: ET.Element, shape: str, surveys: Mapping[str, str]) -> None:
    fields, aliases = ET.SubElement(root, "fieldConfiguration"), ET.SubElement(root, "aliases")
    for number, (name, words) in enumerate(COLUMNS.items(), start=1):
        field = ET.SubElement(fields, "field", name=name, configurationFlags="None")
        _widget(field, name, shape, surveys)
        ET.SubElement(aliases, "alias", index=str(number), field=name, name=words)
    # 1: the form does not close while `what` is empty.
    ET.SubElement(
        ET.SubElement(root, "constraints"), "constraint", field="what", constraints="1", notnull_strength="1",
        unique_strength="0", exp_strength="0",
    )  # fmt: skip
    ET.SubElement(root, "editorlayout").text = "generatedlayout"


def _widget(field: ET.Element, name: str, shape: str, surveys: Mapping[str, str]) -> None:
    if name == "what":
        _choices(field, {_words(what): what for what in said_of(shape)})
    elif name == "survey" and surveys:
        _choices(field, surveys)
    elif name == "when":
        config = _config(field, "DateTime")
        for option, value in (("allow_null", "true"), ("calendar_popup", "true"), ("field_iso_format", "false")):
            ET.SubElement(config, "Option", name=option, value=value, type="bool")
        for option in ("display_format", "field_format"):
            ET.SubElement(config, "Option", name=option, value="yyyy-MM-dd", type="QString")
    elif name in _MEASURES and shape != "line":
        _config(field, "Hidden")
    else:
        multiline = "true" if name in _MULTILINE else "false"
        ET.SubElement(_config(field, "TextEdit"), "Option", name="IsMultiline", value=multiline, type="bool")


def _choices(field: ET.Element, values: Mapping[str, str]) -> None:
    choices = ET.SubElement(_config(field, "ValueMap"), "Option", name="map", type="List")
    for words, value in values.items():
        _options(choices, **{words: value})


def _config(field: ET.Element, widget: str) -> ET.Element:
    config = ET.SubElement(ET.SubElement(field, "editWidget", type=widget), "config")
    return ET.SubElement(config, "Option", type="Map")


def _options(parent: ET.Element, **settings: str) -> None:
    options = ET.SubElement(parent, "Option", type="Map")
    for name, value in settings.items():
        ET.SubElement(options, "Option", name=name, value=value, type="QString")
