"""How QGIS names the fields of a layer, in which order it lists them, and what it shows of a feature at a glance."""

import xml.etree.ElementTree as ET
from collections.abc import Iterable, Mapping

from slopekit.schema.fields import Field, fields_of

# What names a feature, by layer; of the others the first field does.
_NAMED_BY = {"zones": "zone_id", "paths": "zone_id", "routes": "zone_id", "starts": "zone_id", "directions": "zone_id",
             "spot_paths": "hazard", "spot_profiles": "hazard"}  # fmt: skip
# What a person asks first; all else follows in the order of the registry.
_FIRST = {"zones": ("zone_id", "machine_class", "way", "permitted", "reason", "note", "plan_m2", "surface_m2")}
_UNITS = {"degree": "\u00b0", "m2": "m\u00b2", "m3": "m\u00b3", "0..1": "part"}
_ENDINGS = ("_m2", "_m3", "_deg", "_kmh", "_hv", "_m")


def add_fields(root: ET.Element, layer: str, conditions: Iterable[str], names: Mapping[str, str]) -> None:
    """Add aliases, map tip, display name and order of columns to the style of a layer of the registry."""
    fields = fields_of(layer, conditions)
    if not fields:
        return
    aliases = ET.SubElement(root, "aliases")
    for number, field in enumerate(fields, 1):
        ET.SubElement(
            aliases, "alias", index=str(number), field=names.get(field.name, field.name), name=title_of(field)
        )
    first = _FIRST.get(layer, ())
    ordered = [*first, *(field.name for field in fields if field.name not in first)]
    table = ET.SubElement(root, "attributetableconfig", actionWidgetStyle="dropDown", sortExpression="", sortOrder="0")
    columns = ET.SubElement(table, "columns")
    for name in ordered:
        ET.SubElement(columns, "column", type="field", name=names.get(name, name), width="-1", hidden="0")
    named = _NAMED_BY.get(layer, fields[0].name)
    ET.SubElement(root, "previewExpression").text = f'"{named}"'
    shown = named if all(field.name != "note" for field in fields) else "note"
    ET.SubElement(root, "mapTip").text = f'<b>[% "{named}" %]</b>' + (
        f"<p style=\"width:320px\">[% replace(\"{shown}\", '\\n', '<br>') %]</p>" if shown != named else ""
    )


def title_of(field: Field) -> str:
    """A field's name in words, with its unit."""
    words = field.name
    ending = next((end for end in _ENDINGS if words.endswith(end)), "") if field.unit not in ("-", "0..1") else ""
    words = words.removesuffix(ending).replace("_", " ")
    return words if field.unit == "-" else f"{words} ({_UNITS.get(field.unit, field.unit)})"
