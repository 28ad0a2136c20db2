"""Processing script: a printed map for the crew, one page a parcel, from a layout template."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import sys
from collections.abc import Sequence
from typing import Any

from qgis.core import (
    QgsExpression,
    QgsLayoutExporter,
    QgsLayoutItemLabel,
    QgsLayoutItemLegend,
    QgsLayoutItemMap,
    QgsPrintLayout,
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFile,
    QgsProcessingParameterMultipleLayers,
    QgsProject,
    QgsReadWriteContext,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QRectF, Qt
from qgis.PyQt.QtGui import QFont, QFontMetricsF
from qgis.PyQt.QtXml import QDomDocument

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_given as given
import slopekit_inputs as inputs
import slopekit_printing as printing
import slopekit_qgis as shared

_PERMITTED = "Permitted means: not refused by any rule that was evaluated."
_LEAST_POINTS = 4.0
_TABLES = ("run_notes", "profiles", "refusals", "stage_storage")


class SlopekitCrewMap(shared.Algorithm, QgsProcessingAlgorithm):
    """A PDF of a result. slopekit itself is not needed for it."""

    NAME = "slopekit_crew_map"
    TITLE = "Print a crew map"
    HELP = (
        "Prints a result as PDF, one page a parcel: title, map, legend, scale, north arrow, and at the foot the "
        f"cautions and what was not assessed. {inputs.CAUTION}"
    )
    TAGS = ("PDF", "print", "layout", "atlas")
    PAGE = "qgis#print"

    def flags(self) -> Any:
        # Layouts belong to the main thread.
        return super().flags() | QgsProcessingAlgorithm.Flag.FlagNoThreading

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.screened()
        yield QgsProcessingParameterEnum(
            "PAGE", "Paper, on its side", options=["a4", "letter"], defaultValue="a4", usesStaticStrings=True
        )
        template = QgsProcessingParameterFile("TEMPLATE", "Layout template of your own", extension="qpt", optional=True)
        yield shared.advanced(
            shared.explained(template, "Items named 'map', 'legend' and 'cautions' are filled. Empty: slopekit's own.")
        )
        behind = QgsProcessingParameterMultipleLayers(
            "BEHIND", "Layers beneath", layerType=QgsProcessing.SourceType.TypeMapLayer, optional=True
        )
        yield shared.explained(behind, "Such as an aerial photograph or a hillshade.")
        yield from inputs.result("Crew map", "PDF (*.pdf)")

    def prepareAlgorithm(
        self, parameters: dict[str, Any], context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> bool:
        self._given = shared.Given(self, parameters, context)
        self._package, self._parcels = self._given.result("ZONES")
        self._behind = [
            layer.clone() for layer in self.parameterAsLayerList(parameters, "BEHIND", context) if layer is not None
        ]
        return True

    def processAlgorithm(
        self, parameters: dict[str, Any], context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> dict[str, Any]:
        page = self._given.text("PAGE")
        own = os.path.join(os.path.dirname(__file__), f"slopekit_crew_map_{page}.qpt")
        template = self._given.text("TEMPLATE") or own
        target = self._given.file("OUTPUT")
        given.refuse_open(target)
        project = QgsProject()
        layout = QgsPrintLayout(project)
        fill(layout, read_template(template), self._package, self._behind, self._parcels)
        partial = f"{target}.{os.getpid()}.partial"
        try:
            export(layout, partial, feedback)
            os.replace(partial, target)
        except OSError as error:
            raise QgsProcessingException(f"{target}: the map cannot be written ({error.strerror}).") from error
        finally:
            with contextlib.suppress(OSError):
                os.remove(partial)
        return {"OUTPUT": target}


def read_template(path: str) -> QDomDocument:
    document = QDomDocument()
    try:
        with open(path, encoding="utf-8") as file:
            text = file.read()
    except (OSError, UnicodeDecodeError) as error:
        raise QgsProcessingException(f"{path}: the layout template cannot be read, so check its path.") from error
    if not document.setContent(text)[0]:
        raise QgsProcessingException(f"{path}: this is no layout template, so save one from a layout in QGIS.")
    return document


def fill(
    layout: QgsPrintLayout, template: QDomDocument, package: str, behind: list[Any], parcels: Sequence[str] = ()
) -> None:
    """Make the layout of a template show a result, one page a parcel. parcels: those that get one; all where none is
    named."""
    layers = open_layers(package)
    project = layout.project()
    project.setCrs(layers["parcels"].crs())
    shown = [layer for name, layer in layers.items() if name not in _TABLES]
    for layer in [*shown, *behind]:
        project.addMapLayer(layer)
    order = [*shown, *behind]
    for name, neighbours in printing.for_pages(layers):
        # Drawn, and not in the legend.
        project.addMapLayer(neighbours, False)
        order.insert(order.index(layers[name]) + 1, neighbours)
    # The project put each new layer on top.
    root = project.layerTreeRoot()
    root.setHasCustomLayerOrder(True)
    root.setCustomLayerOrder(order)
    for place, layer in enumerate([*shown, *behind]):
        node = root.findLayer(layer.id())
        root.insertChildNode(place, node.clone())
        root.removeChildNode(node)
    layout.loadFromTemplate(template, QgsReadWriteContext(), True)
    if not any(isinstance(item, QgsLayoutItemMap) for item in layout.items()):
        raise QgsProcessingException("The layout template has no map, so add one to it.")
    layout.atlas().setEnabled(True)
    layout.atlas().setCoverageLayer(layers["parcels"])
    layout.atlas().setPageNameExpression('"parcel_id"')
    if parcels:
        layout.atlas().setFilterFeatures(True)
        layout.atlas().setFilterExpression(f'"parcel_id" IN ({", ".join(map(QgsExpression.quotedString, parcels))})')
    cautions = sentences(package)
    for item in layout.items():
        if isinstance(item, QgsLayoutItemMap):
            item.setLayers(order)
            item.setKeepLayerSet(True)
            item.setAtlasDriven(True)
        elif isinstance(item, QgsLayoutItemLegend):
            item.setAutoUpdateModel(True)
        elif isinstance(item, QgsLayoutItemLabel) and item.id() == "cautions":
            item.setText(cautions)
            shrink(item)


def open_layers(package: str) -> dict[str, QgsVectorLayer]:
    """The layers of a result that hold something, from the top down, with their own styles."""
    if not os.path.isfile(package):
        raise QgsProcessingException(f"{package}: there is no such file, so choose a result of 'Screen parcels'.")
    found = {}
    try:
        names = shared.layers_in(package)
    except sqlite3.DatabaseError as error:
        raise QgsProcessingException(f"{package}: this is no GeoPackage, so choose a result of slopekit.") from error
    for name, table in names.items():
        found[name] = QgsVectorLayer(f"{package}|layername={table}", shared.LAYER_NAMES[name], "ogr")
    for name in ("zones", "parcels", "run_notes"):
        if name not in found:
            raise QgsProcessingException(
                f"{package}: it holds no '{shared.LAYER_NAMES[name]}', so choose a whole result of 'Screen parcels'."
            )
    return found


def sentences(package: str) -> str:
    """Warnings, what was not assessed and the cautions, as they stand in the result's notes."""
    with contextlib.closing(sqlite3.connect(package)) as db:
        table = shared.layers_in(package)["run_notes"]
        rows = db.execute(f'SELECT topic, name, value FROM "{table}" ORDER BY fid').fetchall()
    warnings = [value for topic, name, value in rows if topic == "ground" and name.startswith("warning")]
    missing = [f"Not assessed: {value}" for topic, _, value in rows if topic == "not assessed"]
    cautions = [value for topic, _, value in rows if topic == "cautions"]
    return " ".join([*warnings, *missing, *cautions, _PERMITTED])


def shrink(label: QgsLayoutItemLabel) -> None:
    """Take smaller letters until the text fits: no caution may be cut off."""
    size = label.rect().size()
    room = QRectF(0.0, 0.0, size.width() - 2.0 * label.marginX(), 10_000.0)
    font = label.font()
    points = font.pointSizeF()
    while points > _LEAST_POINTS:
        font.setPointSizeF(points)
        # Measured at 20 times the size, where whole pixels do not matter. A point is 25.4 / 72 mm.
        large = QFontMetricsF(_scaled(font, points * 20.0 * 25.4 / 72.0))
        width = room.width() * 20.0 * 0.97
        needed = (
            large.boundingRect(QRectF(0.0, 0.0, width, 1e6), int(Qt.TextFlag.TextWordWrap), label.text()).height()
            / 20.0
        )
        if needed <= size.height() - 2.0 * label.marginY():
            break
        points -= 0.25
    font.setPointSizeF(points)
    label.setFont(font)


def _scaled(font: QFont, pixels: float) -> QFont:
    large = QFont(font)
    large.setPixelSize(round(pixels))
    return large


def export(layout: QgsPrintLayout, path: str, feedback: QgsProcessingFeedback) -> None:
    settings = QgsLayoutExporter.PdfExportSettings()
    result, told = QgsLayoutExporter.exportToPdf(layout.atlas(), path, settings, feedback)
    if feedback.isCanceled():
        raise QgsProcessingException("Stopped before the end: nothing was written.")
    if result != QgsLayoutExporter.ExportResult.Success:
        raise QgsProcessingException(f"The map cannot be written: {told or 'QGIS does not say why'}.")
