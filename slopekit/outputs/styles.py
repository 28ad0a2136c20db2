"""The styles that travel inside a GeoPackage, so that QGIS opens it drawn and with a legend in words."""

from collections.abc import Container, Iterable
from dataclasses import dataclass
from pathlib import Path

from slopekit.outputs.atomic import written
from slopekit.outputs.manifest import refuse_foreign
from slopekit.outputs.qml import qml
from slopekit.outputs.sld import sld
from slopekit.outputs.symbology import LOOKS


@dataclass(frozen=True)
class Style:
    """One row of the table layer_styles."""

    layer: str
    name: str
    qml: str
    sld: str


def write_style_files(folder: Path, overwrite: bool = False) -> list[Path]:
    """Write the styles as files LAYER.qml and LAYER.sld, for results that carry none, and give their paths.

    Raises InputError for a file that slopekit did not write, or that was edited since, unless `overwrite`; OutputError
    when the folder cannot take them.
    """
    texts = {folder / f"{one.layer}.{end}": getattr(one, end) for one in layer_styles() for end in ("qml", "sld")}
    refuse_foreign(texts, overwrite)
    for target, text in texts.items():
        with written(target) as (temp,):
            temp.write_text(text, encoding="utf-8")
    return list(texts)


def layer_styles(layers: Container[str] = LOOKS, conditions: Iterable[str] = ()) -> list[Style]:
    """The default style of each of some layers that is drawn, or of every one, as QML (QGIS 3.22 and newer) and as SLD
    1.1. conditions: those of the result."""
    names = list(conditions)
    return [
        Style(look.layer, look.layer, qml(look, names), sld(look)) for look in LOOKS.values() if look.layer in layers
    ]
