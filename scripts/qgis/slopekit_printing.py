"""What of a result shows on a page for one parcel: its own ground in full, that of its neighbours faded."""

from __future__ import annotations

from typing import Any

from qgis.core import QgsPalLayerSettings, QgsProperty, QgsVectorLayer, QgsVectorLayerSimpleLabeling

ON_PAGE = '"parcel_id" = @atlas_pagename'
"""Whether a feature is of the page's parcel."""
_FADED = 0.3
# Ground that is shown round a parcel too; lines of work are shown inside it alone. Water and drops are everybody's.
_AROUND = ("parcels", "zones")
# Forms of the ground belong to whatever they meet; their layers name no parcel, or several.
_FORMS = ("berms", "basins", "berm_sides", "basin_floors")
_MEETS_PAGE = "intersects($geometry, @atlas_geometry)"
_INSIDE = ("starts", "directions", "passes", "routes", "paths")


def for_pages(layers: dict[str, QgsVectorLayer]) -> list[tuple[str, QgsVectorLayer]]:
    """Have each layer show what is of the page's parcel; gives copies that show the neighbours, by the layer that they
    belong beneath."""
    beside = []
    around = {**dict.fromkeys(_AROUND, ON_PAGE), **dict.fromkeys(_FORMS, _MEETS_PAGE)}
    for name, own in around.items():
        if name not in layers:
            continue
        copy = layers[name].clone()
        if _keep(copy, f"NOT ({own})"):
            copy.setOpacity(_FADED)
            copy.setLabelsEnabled(False)
            beside.append((name, copy))
    for name, own in {**around, **dict.fromkeys(_INSIDE, ON_PAGE)}.items():
        if name in layers:
            _keep(layers[name], own)
            _label(layers[name], own)
    return beside


def _keep(layer: QgsVectorLayer, condition: str) -> bool:
    """Draw, and have in the legend, only what meets a condition. Nothing is done to a style that has no rules."""
    renderer = layer.renderer()
    if renderer is None or renderer.type() != "RuleRenderer":
        return False
    renderer = renderer.clone()
    for rule in renderer.rootRule().children():
        own = rule.filterExpression()
        rule.setFilterExpression(f"({own}) AND {condition}" if own else condition)
    layer.setRenderer(renderer)
    return True


def _label(layer: QgsVectorLayer, condition: str) -> None:
    """Label what meets a condition, at any scale, and leave out none."""
    labeling: Any = layer.labeling()
    if labeling is None or labeling.type() != "simple":
        return
    settings = labeling.settings()
    settings.scaleVisibility = False
    settings.displayAll = True
    shown = settings.dataDefinedProperties()
    shown.setProperty(QgsPalLayerSettings.Property.Show, QgsProperty.fromExpression(condition))
    settings.setDataDefinedProperties(shown)
    layer.setLabeling(QgsVectorLayerSimpleLabeling(settings))
