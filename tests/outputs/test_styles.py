"""Styles: every class named, each told apart in colour, in grey and by its hatch."""

import re
import xml.etree.ElementTree as ET

import pytest

from slopekit.outputs.styles import Style, layer_styles
from slopekit.outputs.symbology import CLASS_MARKS, LOOKS, MARGINAL_FROM, ink_on
from slopekit.schema.classes import CLASSES
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import ALL_LAYERS, GEOMETRIES, PASS_LAYERS, POINT_LAYERS, SPOT_LAYERS

# OGC 05-077r4 (Symbology Encoding 1.1), 05-078r4 (SLD profile) and 09-026r2 (Filter Encoding): their namespaces.
NS = {"se": "http://www.opengis.net/se", "ogc": "http://www.opengis.net/ogc", "sld": "http://www.opengis.net/sld"}
# OGC 05-077r4, section 10: the order of the elements of a rule.
RULE_ORDER = ["Name", "Description", "Filter", "MinScaleDenominator", "MaxScaleDenominator", "Symbolizer"]


@pytest.fixture(params=layer_styles(), ids=lambda style: style.layer)
def style(request: pytest.FixtureRequest) -> Style:
    return request.param


def _zones() -> Style:
    return next(s for s in layer_styles() if s.layer == "zones")


def test_all_drawn_layers_have_a_style() -> None:
    known = (*ALL_LAYERS, *PASS_LAYERS, *POINT_LAYERS, *SPOT_LAYERS)
    drawn = [layer for layer in known if GEOMETRIES[layer] is not None]
    assert drawn[:5] == ["zones", "parcels", "water", "drops", "paths"]
    assert drawn[5:9] == ["routes", "starts", "directions", "corrections"]
    forms = ["basins", "basin_floors", "berms", "berm_sides", "water_bodies"]
    assert drawn[9:] == [*forms, "passes", *POINT_LAYERS, *SPOT_LAYERS]
    assert [s.layer for s in layer_styles()] == drawn
    assert layer_styles() == layer_styles()


def test_qml_holds_together(style: Style) -> None:
    assert style.qml.startswith("<!DOCTYPE qgis")
    root = ET.fromstring(style.qml)
    assert root.tag == "qgis" and root.get("version", "").startswith("3.22")
    renderer = root.find("renderer-v2")
    assert renderer is not None and renderer.get("type") == "RuleRenderer"
    rules, symbols = renderer.findall("rules/rule"), renderer.findall("symbols/symbol")
    assert [r.get("symbol") for r in rules] == [s.get("name") for s in symbols]
    assert len({r.get("key") for r in rules}) == len(rules)
    kind = {"polygon": "fill", "line": "line", "point": "marker"}[LOOKS[style.layer].geometry]
    columns = {f.name for f in fields_of(style.layer)}
    for rule, symbol in zip(rules, symbols, strict=True):
        assert rule.get("label") and symbol.get("type") == kind and symbol.findall("layer")
        assert set(re.findall(r'"(\w+)"', rule.get("filter", ""))) <= columns
        # QGIS names the parts of a symbol by the symbol and the number of the layer that holds them.
        for number, layer in enumerate(symbol.findall("layer")):
            for part in layer.findall("symbol"):
                assert part.get("name") == f"@{symbol.get('name')}@{number}"
    for text in root.iter("text-style"):
        assert set(re.findall(r'"(\w+)"', text.get("fieldName", ""))) <= columns


def test_sld_holds_together(style: Style) -> None:
    root = ET.fromstring(style.sld.encode())
    assert root.tag == f"{{{NS['sld']}}}StyledLayerDescriptor" and root.get("version") == "1.1.0"
    rules = root.findall(".//se:Rule", NS)
    assert rules
    columns = {f.name for f in fields_of(style.layer)}
    assert {p.text for p in root.iter(f"{{{NS['ogc']}}}PropertyName")} <= columns
    for rule in rules:
        tags = [re.sub(r"^.*}(Polygon|Line|Point|Text)?", "", child.tag) for child in rule]
        assert [RULE_ORDER.index(tag) for tag in tags] == sorted(RULE_ORDER.index(tag) for tag in tags)
        assert tags[-1] == "Symbolizer"


def test_every_class_is_named_in_words_and_in_order() -> None:
    rules = ET.fromstring(_zones().qml).findall("renderer-v2/rules/rule")
    assert [(r.get("label"), r.get("filter")) for r in rules[: len(CLASSES)]] == [
        (c.label, f"\"machine_class\" = '{c.code}'") for c in CLASSES
    ]
    measure, *ways = rules[len(CLASSES) :]
    assert measure.get("filter") == f'"marginal_share" > {MARGINAL_FROM}'
    assert "Measure on site" in measure.get("label", "")
    # The ways that hold a machine to one direction; the other two do not (`slopekit fields`).
    assert [(r.get("label"), r.get("filter")) for r in ways] == [
        ("Up and down the slope only", "\"way\" = 'up-and-down'"),
        ("Across the slope only", "\"way\" = 'across'"),
    ]
    titles = [t.text for t in ET.fromstring(_zones().sld.encode()).iterfind(".//se:Title", NS)]
    assert titles[: len(CLASSES)] == [c.label for c in CLASSES]


def test_fields_have_names_in_words_and_an_order(style: Style) -> None:
    root = ET.fromstring(style.qml)
    names = [field.name for field in fields_of(style.layer)]
    aliases = {one.get("field"): one.get("name", "") for one in root.iter("alias")}
    assert list(aliases) == names and not any("_" in words for words in aliases.values())
    assert sorted(str(one.get("name")) for one in root.iter("column")) == sorted(names)
    shown = re.findall(r'"(\w+)"', root.findtext("mapTip", "").replace('"width:320px"', ""))
    assert set(shown) <= set(names) and ("note" in shown) == ("note" in names)
    if style.layer == "zones":
        assert root.findtext("previewExpression") == '"zone_id"'
        assert [one.get("name") for one in root.iter("column")][:3] == ["zone_id", "machine_class", "way"]
        assert aliases["slope_p95_deg"] == "slope p95 (°)" and aliases["plan_m2"] == "plan (m²)"


def test_zone_ids_show_at_large_scales_only() -> None:
    rendering = ET.fromstring(_zones().qml).find("labeling/settings/rendering")
    assert rendering is not None
    assert (rendering.get("scaleVisibility"), rendering.get("scaleMax")) == ("1", "2500")
    assert ET.fromstring(_zones().sld.encode()).findtext(".//se:MaxScaleDenominator", namespaces=NS) == "2500"


def test_figures_are_rounded_alike_in_both_formats(style: Style) -> None:
    label = LOOKS[style.layer].label
    texts = ET.fromstring(style.sld.encode()).findall(".//se:TextSymbolizer/se:Label/*", NS)
    assert len(texts) == (label is not None)
    if label is None or label.decimals is None:
        assert {text.tag for text in texts} <= {f"{{{NS['ogc']}}}PropertyName"}
        return
    # OGC 05-077r4, section 11.6.1 (from memory): a number is put into words by its pattern, 0 being a digit.
    (text,) = texts
    assert text.tag == f"{{{NS['se']}}}FormatNumber" and (text.tail or "").strip() == label.suffix.strip()
    assert text.findtext("se:NumericValue/ogc:PropertyName", namespaces=NS) == label.column
    pattern = text.findtext("se:Pattern", "", NS)
    assert pattern == f"{0:.{label.decimals}f}"
    assert f'format_number("{label.column}", {len(pattern.partition(".")[2])})' in ET.fromstring(style.qml).find(
        "labeling/settings/text-style"
    ).get("fieldName", "")  # type: ignore[union-attr]


def _luminance(colour: str) -> float:
    # WCAG 2.1, definition of relative luminance.
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_hatches_show_and_tell_the_classes_apart() -> None:
    assert len({c.hatch for c in CLASSES}) == len(CLASSES)
    assert len({c.colour for c in CLASSES}) == len(CLASSES)
    for c in CLASSES:
        # WCAG 2.1, success criterion 1.4.11: parts of a picture that carry meaning have a contrast of at least 3 to 1.
        light, dark = sorted((_luminance(c.colour), _luminance(ink_on(c.colour))), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 3.0, c.code
        assert CLASS_MARKS[c.code].hatch == c.hatch


def test_each_hatch_is_drawn() -> None:
    symbols = ET.fromstring(_zones().qml).findall("renderer-v2/symbols/symbol")
    for c, symbol in zip(CLASSES, symbols, strict=False):
        kinds = [layer.get("class") for layer in symbol.findall("layer")]
        patterns = {"": [], "x": ["LinePatternFill"] * 2, ".": ["PointPatternFill"]}.get(c.hatch, ["LinePatternFill"])
        assert kinds == ["SimpleFill", *patterns]
        fill = symbol.find("layer/Option/Option[@name='color']")
        assert fill is not None
        red, green, blue = (int(c.colour[i : i + 2], 16) for i in (1, 3, 5))
        assert fill.get("value") == f"{red},{green},{blue},255"


def test_each_origin_of_water_has_its_own_sign() -> None:
    water = next(s for s in layer_styles() if s.layer == "water")
    # The origins that the registry tells of, each with one rule.
    meaning = next(f.meaning for f in fields_of("water") if f.name == "origin")
    origins = re.split(r", (?:or )?", meaning)
    assert len(origins) == 5
    rules = ET.fromstring(water.qml).findall("renderer-v2/rules/rule")
    assert sorted(r.get("filter", "") for r in rules) == sorted(f"\"origin\" = '{origin}'" for origin in origins)
    literals = [e.text for e in ET.fromstring(water.sld.encode()).iter(f"{{{NS['ogc']}}}Literal")]
    assert sorted(literals) == sorted(origins)
    symbols = ET.fromstring(water.qml).findall("renderer-v2/symbols/symbol")
    drawn = {"".join(ET.tostring(layer, encoding="unicode") for layer in symbol) for symbol in symbols}
    assert len(drawn) == len(origins) == len({r.get("label") for r in rules})


def test_what_is_only_possible_looks_unsure_and_what_was_seen_does_not() -> None:
    water = ET.fromstring(next(s for s in layer_styles() if s.layer == "water").qml)
    outlines, fills = {}, {}
    rules = water.findall("renderer-v2/rules/rule")
    for rule, symbol in zip(rules, water.findall("renderer-v2/symbols/symbol"), strict=True):
        origin = rule.get("filter", "").split("'")[1]
        options = {o.get("name"): o.get("value") for o in symbol.findall("layer[@class='SimpleFill']/Option/Option")}
        outlines[origin], fills[origin] = options["outline_style"], options["style"]
    # Dashed lines for what is not certain: common practice in cartography, no source.
    assert outlines == {
        "given": "solid", "from points": "solid", "confirmed on site": "solid", "inferred from flat cells": "dash",
        "possible water": "dash",
    }  # fmt: skip
    assert [origin for origin, fill in fills.items() if fill == "no"] == ["possible water"]


def test_corrections_show_what_they_say_and_hide_nothing() -> None:
    style = next(s for s in layer_styles() if s.layer == "corrections")
    root = ET.fromstring(style.qml)
    (fill,) = root.findall("renderer-v2/symbols/symbol/layer")
    options = {o.get("name"): o.get("value") for o in fill.findall("Option/Option")}
    assert (options["style"], options["outline_style"]) == ("no", "dash")
    text = root.find("labeling/settings/text-style")
    assert text is not None and text.get("fieldName") == '"what"'
    sld = ET.fromstring(style.sld.encode())
    assert [e.tag.partition("}")[2] for s in sld.iterfind(".//se:PolygonSymbolizer", NS) for e in s] == ["Stroke"]


def test_landforms_hide_no_zone_and_show_their_figures() -> None:
    styles = {s.layer: ET.fromstring(s.qml) for s in layer_styles()}
    (basin,) = styles["basins"].findall("renderer-v2/symbols/symbol/layer")
    options = {o.get("name"): o.get("value") for o in basin.findall("Option/Option")}
    assert (options["style"], options["outline_style"]) == ("no", "solid")
    for layer, column in (("basins", "depth_m"), ("berms", "height_m")):
        text = styles[layer].find("labeling/settings/text-style")
        assert text is not None and set(re.findall(r'"(\w+)"', text.get("fieldName", ""))) == {column}
    # In grey print floors and faces of berms differ by their pattern, not by their fill alone.
    patterns = [
        [layer.get("class") for layer in styles[name].findall("renderer-v2/symbols/symbol/layer")]
        for name in ("basin_floors", "berm_sides")
    ]
    assert patterns == [["SimpleFill", "PointPatternFill"], ["SimpleFill", "LinePatternFill"]]
