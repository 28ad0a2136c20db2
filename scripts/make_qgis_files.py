"""Makes the files of scripts/qgis that QGIS itself writes: the layouts for crew maps and the model.

Run it with the Python of the oldest QGIS that is supported, since newer ones open what older ones wrote:

    QT_QPA_PLATFORM=offscreen python3 scripts/make_qgis_files.py
"""

from __future__ import annotations

import re
import sys
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
    QgsProject,
    QgsReadWriteContext,
    QgsRectangle,
    QgsTextFormat,
    QgsUnitTypes,
)
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtGui import QFont

HERE = Path(__file__).resolve().parent / "qgis"
PAGES = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
"""On their side, in millimetres (ISO 216; ANSI/ASME Y14.1 size A)."""
EDGE, GAP, BESIDE, TITLE, FOOT = 10.0, 3.0, 70.0, 10.0, 34.0
FONT = "Sans Serif"
# Filled by the page that is drawn where there is one, else by the project that the template was opened in.
TITLE_TEXT = "[% coalesce(@atlas_pagename || ': ', '') %]who may work where"
CAUTIONS_TEXT = (
    "[% aggregate(layer:='Notes and cautions', aggregate:='concatenate', expression:=\"value\", "
    "filter:=\"topic\" in ('not assessed', 'cautions'), concatenator:=' ') %]"
)


def put(layout: QgsPrintLayout, item: Any, name: str, x: float, y: float, width: float, height: float) -> Any:
    """Add an item at a place of the page, in millimetres from its upper left corner."""
    item.setId(name)
    layout.addLayoutItem(item)
    item.attemptMove(QgsLayoutPoint(x, y, QgsUnitTypes.LayoutMillimeters))
    item.attemptResize(QgsLayoutSize(width, height, QgsUnitTypes.LayoutMillimeters))
    return item


def label(layout: QgsPrintLayout, text: str, size: float, bold: bool = False) -> QgsLayoutItemLabel:
    item = QgsLayoutItemLabel(layout)
    item.setText(text)
    item.setHAlign(Qt.AlignLeft)
    item.setFont(QFont(FONT, int(size), QFont.Bold if bold else QFont.Normal))
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
    layout.pageCollection().page(0).setPageSize(QgsLayoutSize(width, height, QgsUnitTypes.LayoutMillimeters))
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
    map_item.setAtlasScalingMode(QgsLayoutItemMap.Auto)
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
        (QgsLegendStyle.Group, 8, True),
        (QgsLegendStyle.Subgroup, 8, True),
        (QgsLegendStyle.SymbolLabel, 7, False),
    ):
        legend.setStyleFont(style, QFont(FONT, size, QFont.Bold if bold else QFont.Normal))
    legend.setSymbolHeight(3.2)
    legend.setSymbolWidth(6.0)
    legend.setBoxSpace(0.0)
    legend.setWrapString("|")
    legend.rstyle(QgsLegendStyle.Subgroup).setMargin(QgsLegendStyle.Top, 1.6)
    legend.rstyle(QgsLegendStyle.Symbol).setMargin(QgsLegendStyle.Top, 0.8)
    low = foot - GAP - 17.0
    arrow = QgsLayoutItemPicture(layout)
    # It is part of QGIS, so no path of this machine is stored.
    arrow.setPicturePath(":/images/north_arrows/layout_default_north_arrow.svg")
    put(layout, arrow, "north", beside, low, 12.0, 17.0)
    arrow.setLinkedMap(map_item)
    scale = QgsLayoutItemScaleBar(layout)
    scale.setStyle("Single Box")
    scale.setLinkedMap(map_item)
    scale.setUnits(QgsUnitTypes.DistanceMeters)
    scale.setUnitLabel("m")
    scale.setSegmentSizeMode(1)
    scale.setMinimumBarWidth(25)
    scale.setMaximumBarWidth(45)
    scale.setNumberOfSegmentsLeft(0)
    scale.setNumberOfSegments(2)
    scale.setTextFormat(text_format(8))
    put(layout, scale, "scale", beside + 15.0, low + 4.0, 50.0, 12.0)
    cautions = label(layout, CAUTIONS_TEXT, 7)
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
        if re.search(r"(/home/|/usr/|/tmp/|/root/)", text):
            raise SystemExit(f"{path} names a place of this machine")
        written.append(path)
    return written


if __name__ == "__main__":
    app = QgsApplication([], False)
    app.initQgis()
    for made in write_layouts():
        print(made)
    sys.stdout.flush()
