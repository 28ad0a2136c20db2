"""Makes the files of scripts/qgis that QGIS itself writes: the layouts for crew maps and the model.

Run it with the Python of the oldest QGIS that is supported, since newer ones open what older ones wrote:

    QT_QPA_PLATFORM=offscreen python3 scripts/make_qgis_files.py
"""

from __future__ import annotations

import importlib
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsApplication,
    QgsLayoutItemLabel,
    QgsLayoutItemLegend,
    QgsLayoutItemMap,
    QgsLayoutItemPicture,
    QgsLayoutItemScaleBar,
    QgsLayoutPoint,
    QgsLayoutSize,
    QgsLegendStyle,
    QgsPrintLayout,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProcessingModelOutput,
    QgsProcessingModelParameter,
    QgsProcessingProvider,
    QgsProject,
    QgsReadWriteContext,
    QgsRectangle,
    QgsTextFormat,
    QgsUnitTypes,
)
from qgis.PyQt.QtCore import QPointF, Qt
from qgis.PyQt.QtGui import QFont

HERE = Path(__file__).resolve().parent / "qgis"
PAGES = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
"""On their side, in millimetres (ISO 216; ANSI/ASME Y14.1 size A)."""
EDGE, GAP, BESIDE, TITLE, FOOT = 10.0, 3.0, 70.0, 10.0, 34.0
FONT = "Sans Serif"
# Filled by the page that is drawn where there is one, else by the project that the template was opened in.
TITLE_TEXT = "[% coalesce(@atlas_pagename || ': ', '') %]classes that no rule refuses"
CAUTIONS_TEXT = (
    "[% aggregate(layer:='Notes and cautions', aggregate:='concatenate', expression:=\"value\", "
    "filter:=\"topic\" in ('not assessed', 'cautions'), concatenator:=' ') %]"
)


def put(layout: QgsPrintLayout, item: Any, name: str, x: float, y: float, width: float, height: float) -> Any:
    """Add an item at a place of the page, in millimetres from its upper left corner."""
    item.setId(name)
    layout.addLayoutItem(item)
    item.attemptMove(QgsLayoutPoint(x, y, QgsUnitTypes.LayoutUnit.LayoutMillimeters))
    item.attemptResize(QgsLayoutSize(width, height, QgsUnitTypes.LayoutUnit.LayoutMillimeters))
    return item


def label(layout: QgsPrintLayout, text: str, size: float, bold: bool = False) -> QgsLayoutItemLabel:
    item = QgsLayoutItemLabel(layout)
    item.setText(text)
    item.setHAlign(Qt.AlignmentFlag.AlignLeft)
    item.setFont(QFont(FONT, int(size), QFont.Weight.Bold if bold else QFont.Weight.Normal))
    return item


def text_format(size: int) -> QgsTextFormat:
    made = QgsTextFormat()
    made.setFont(QFont(FONT, size))
    made.setSize(size)
    return made


def crew_map(project: QgsProject, width: float, height: float) -> QgsPrintLayout:
    """An empty crew map: title, map, legend, north arrow, scale, cautions."""
    layout = QgsPrintLayout(project)
    layout.initializeDefaults()
    layout.pageCollection().page(0).setPageSize(QgsLayoutSize(width, height, QgsUnitTypes.LayoutUnit.LayoutMillimeters))
    inner = width - 2 * EDGE
    put(layout, label(layout, TITLE_TEXT, 16, bold=True), "title", EDGE, EDGE, inner, TITLE)
    top = EDGE + TITLE + GAP
    foot = height - EDGE - FOOT
    map_item = QgsLayoutItemMap(layout)
    put(layout, map_item, "map", EDGE, top, inner - BESIDE - GAP, foot - GAP - top)
    # Without an extent of its shape QGIS would give the item another height later.
    map_item.setExtent(QgsRectangle(0.0, 0.0, map_item.rect().width(), map_item.rect().height()))
    map_item.setFrameEnabled(True)
    map_item.setAtlasDriven(True)
    map_item.setAtlasScalingMode(QgsLayoutItemMap.AtlasScalingMode.Auto)
    map_item.setAtlasMargin(0.08)
    beside = width - EDGE - BESIDE
    legend = QgsLayoutItemLegend(layout)
    put(layout, legend, "legend", beside, top, BESIDE, foot - GAP - top - 20.0)
    legend.setLinkedMap(map_item)
    legend.setAutoUpdateModel(True)
    legend.setLegendFilterByMapEnabled(True)
    legend.setResizeToContents(True)
    legend.setTitle("")
    for style, size, bold in (
        (QgsLegendStyle.Style.Group, 8, True),
        (QgsLegendStyle.Style.Subgroup, 8, True),
        (QgsLegendStyle.Style.SymbolLabel, 7, False),
    ):
        legend.setStyleFont(style, QFont(FONT, size, QFont.Weight.Bold if bold else QFont.Weight.Normal))
    legend.setSymbolHeight(3.2)
    legend.setSymbolWidth(6.0)
    legend.setBoxSpace(0.0)
    legend.setWrapString("|")
    legend.rstyle(QgsLegendStyle.Style.Subgroup).setMargin(QgsLegendStyle.Side.Top, 1.6)
    legend.rstyle(QgsLegendStyle.Style.Symbol).setMargin(QgsLegendStyle.Side.Top, 0.5)
    low = foot - GAP - 17.0
    arrow = QgsLayoutItemPicture(layout)
    # It is part of QGIS, so no path of this machine is stored.
    arrow.setPicturePath(":/images/north_arrows/layout_default_north_arrow.svg")
    put(layout, arrow, "north", beside, low, 12.0, 17.0)
    arrow.setLinkedMap(map_item)
    scale = QgsLayoutItemScaleBar(layout)
    scale.setStyle("Single Box")
    scale.setLinkedMap(map_item)
    scale.setUnits(QgsUnitTypes.DistanceUnit.DistanceMeters)
    scale.setUnitLabel("m")
    scale.setSegmentSizeMode(1)
    scale.setMinimumBarWidth(25)
    scale.setMaximumBarWidth(45)
    scale.setNumberOfSegmentsLeft(0)
    scale.setNumberOfSegments(2)
    scale.setTextFormat(text_format(8))
    put(layout, scale, "scale", beside + 15.0, low + 4.0, 50.0, 12.0)
    cautions = label(layout, CAUTIONS_TEXT, 8)
    put(layout, cautions, "cautions", EDGE, foot, inner, FOOT)
    return layout


def write_layouts() -> list[Path]:
    written = []
    for name, (width, height) in PAGES.items():
        layout = crew_map(QgsProject.instance(), width, height)
        layout.setName("slopekit crew map")
        path = HERE / f"slopekit_crew_map_{name}.qpt"
        if not layout.saveAsTemplate(str(path), QgsReadWriteContext()):
            raise SystemExit(f"{path} cannot be written")
        text = path.read_text(encoding="utf-8")
        if any(place in text for place in (QgsApplication.prefixPath(), tempfile.gettempdir(), str(Path.home()))):
            raise SystemExit(f"{path} names a place of this machine")
        written.append(path)
    return written


class _Scripts(QgsProcessingProvider):
    """Stands for the provider of scripts, so that the model may name its algorithms."""

    def id(self) -> str:
        return "script"

    def name(self) -> str:
        return "Scripts"

    def loadAlgorithms(self) -> None:
        for module, kind in STEPS.values():
            self.addAlgorithm(getattr(importlib.import_module(module), kind)())


STEPS = {
    "screen": ("slopekit_screen", "SlopekitScreen"),
    "hours": ("slopekit_hours", "SlopekitHours"),
    "map": ("slopekit_crew_map", "SlopekitCrewMap"),
}
# What a form asks and the model does not: results that it makes no use of, and what it decides itself. All else is
# handed on, since an input that is missing here could have refused.
LEFT_OUT = {
    "screen": ("OUTPUT", "MAP", "PROFILES", "REPORT", "RASTERS", "LOAD", "OVERWRITE"),
    "hours": ("ZONES", "OUTPUT", "PASSES", "LOAD", "OVERWRITE"),
    "map": ("ZONES", "OUTPUT", "TEMPLATE", "BEHIND", "SLOPEKIT"),
}
RESULTS = {"screen": "Zones", "hours": "Bid", "map": "Crew map"}
MODEL_HELP = (
    "Screens parcels, works out hours, crews and money, and prints a crew map, one page a parcel. Permitted means: not "
    "refused by any rule that was evaluated. Walk the ground first. The operator's manual, local codes and rules, "
    "licensed practice and the site supervisor decide."
)


def make_model() -> QgsProcessingModelAlgorithm:
    """Screen, then hours and the crew map, both from the zones of the first step."""
    registry = QgsApplication.processingRegistry()
    model = QgsProcessingModelAlgorithm("Screen, hours and crew map", "slopekit")
    order = []
    for number, (step, left_out) in enumerate(LEFT_OUT.items()):
        algorithm_id = f"script:slopekit_{'crew_map' if step == 'map' else step}"
        algorithm = registry.algorithmById(algorithm_id)
        child = QgsProcessingModelChildAlgorithm(algorithm_id)
        child.setChildId(step)
        child.setDescription(algorithm.displayName())
        child.setPosition(QPointF(500.0, 150.0 + 250.0 * number))
        for name in (one.name() for one in algorithm.parameterDefinitions() if one.name() not in left_out):
            if name not in order:
                place = QgsProcessingModelParameter(name)
                place.setPosition(QPointF(150.0, 80.0 + 60.0 * len(order)))
                model.addModelParameter(algorithm.parameterDefinition(name).clone(), place)
                order.append(name)
            child.addParameterSources(name, [QgsProcessingModelChildParameterSource.fromModelParameter(name)])
        if step != "screen":
            child.addParameterSources(
                "ZONES", [QgsProcessingModelChildParameterSource.fromChildOutput("screen", "ZONES")]
            )
        if step == "screen":
            child.addParameterSources("LOAD", [QgsProcessingModelChildParameterSource.fromStaticValue(True)])
        result = QgsProcessingModelOutput(RESULTS[step], RESULTS[step])
        result.setChildId(step)
        result.setChildOutputName("OUTPUT")
        result.setPosition(QPointF(850.0, 150.0 + 250.0 * number))
        child.setModelOutputs({RESULTS[step]: result})
        model.addChildAlgorithm(child)
    model.setParameterOrder(order)
    # A model's parameters keep no help of their own.
    helps = {one.name(): one.help() for one in registry.algorithmById("script:slopekit_screen").parameterDefinitions()}
    model.setHelpContent({"ALG_DESC": MODEL_HELP, **{name: helps[name] for name in order if helps.get(name)}})
    model.updateDestinationParameters()
    return model


def write_model() -> Path:
    sys.path.insert(0, str(HERE))
    provider = _Scripts()
    QgsApplication.processingRegistry().addProvider(provider)
    path = HERE / "slopekit_screen_hours_map.model3"
    if not make_model().toFile(str(path)):
        raise SystemExit(f"{path} cannot be written")
    return path


if __name__ == "__main__":
    app = QgsApplication([], False)
    app.initQgis()
    for made in write_layouts():
        print(made)
    print(write_model())
    sys.stdout.flush()
    # Taking QGIS down inside Python can crash after the work is done.
    os._exit(0)
