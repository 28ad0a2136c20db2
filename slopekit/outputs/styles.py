"""The styles that travel inside a GeoPackage, so that QGIS opens it drawn and with a legend in words."""

from dataclasses import dataclass

from slopekit.outputs.looks import LOOKS
from slopekit.outputs.qml import qml
from slopekit.outputs.sld import sld


@dataclass(frozen=True)
class Style:
    """One row of the table layer_styles."""

    layer: str
    name: str
    qml: str
    sld: str


def layer_styles() -> list[Style]:
    """The default style of every layer that is drawn, as QML (QGIS 3.22 and newer) and as SLD 1.1."""
    return [Style(look.layer, look.layer, qml(look), sld(look)) for look in LOOKS.values()]
