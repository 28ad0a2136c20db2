"""Makes the pictures of docs/qgis.md in the real program: a form of the toolbox, the loaded result, a printed page.

Run it with the Python of QGIS, on a folder that holds the demo's files and its result zones.gpkg:

    QT_QPA_PLATFORM=offscreen QGIS_CUSTOM_CONFIG_PATH=SETTINGS python3 docs/make_qgis_pictures.py FOLDER

SETTINGS is a folder into which 'slopekit qgis install' was run with the same variable set.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsLayerTreeModel,
    QgsLayoutExporter,
    QgsPrintLayout,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
    QgsRasterLayer,
    QgsVectorLayer,
)
from qgis.gui import QgsLayerTreeMapCanvasBridge, QgsLayerTreeView, QgsMapCanvas
from qgis.PyQt.QtCore import QEventLoop, QTimer
from qgis.PyQt.QtWidgets import QHBoxLayout, QWidget

DOCS = Path(__file__).resolve().parent


def wait(milliseconds: int) -> None:
    loop = QEventLoop()
    QTimer.singleShot(milliseconds, loop.quit)
    loop.exec()


def form() -> None:
    """The form of 'Screen parcels', filled in."""
    from processing.gui.AlgorithmDialog import AlgorithmDialog

    project = QgsProject.instance()
    project.addMapLayer(QgsRasterLayer("office_park.tif", "elevation"))
    for name in ("parcels", "water", "walls", "exclude"):
        project.addMapLayer(QgsVectorLayer(f"{name}.gpkg", name, "ogr"))
    dialog = AlgorithmDialog(QgsApplication.processingRegistry().createAlgorithmById("script:slopekit_screen"), False)
    dialog.setParameters(
        {"ELEVATION": ["office_park.tif"], "PARCELS": "parcels.gpkg", "ID_COLUMN": "parcel_id", "FLEET": "fleet.toml",
         "WATER": "water.gpkg"}
    )  # fmt: skip
    dialog.resize(900, 640)
    dialog.show()
    wait(500)
    dialog.grab().save(str(DOCS / "qgis_form.png"))
    dialog.close()
    project.clear()


def loaded() -> None:
    """The layer tree and the map after a run, loaded as the toolbox loads them."""
    import slopekit_qgis
    from processing.gui.Postprocessing import handleAlgorithmResults

    project = QgsProject.instance()
    context, feedback = QgsProcessingContext(), QgsProcessingFeedback()
    context.setProject(project)
    slopekit_qgis.load_package(str(Path("zones.gpkg").resolve()), context)
    algorithm = QgsApplication.processingRegistry().createAlgorithmById("script:slopekit_screen")
    handleAlgorithmResults(algorithm, context, feedback)
    (parcels,) = project.mapLayersByName("Parcels")
    project.setCrs(parcels.crs())
    window = QWidget()
    row = QHBoxLayout(window)
    tree, canvas = QgsLayerTreeView(), QgsMapCanvas()
    model = QgsLayerTreeModel(project.layerTreeRoot())
    model.setFlag(QgsLayerTreeModel.Flag.ShowLegend)
    tree.setModel(model)
    tree.setFixedWidth(430)
    bridge = QgsLayerTreeMapCanvasBridge(project.layerTreeRoot(), canvas)
    row.addWidget(tree)
    row.addWidget(canvas)
    window.resize(1250, 760)
    window.show()
    bridge.setCanvasLayers()
    canvas.setDestinationCrs(project.crs())
    extent = parcels.extent()
    extent.scale(1.04)
    canvas.setExtent(extent)
    canvas.refresh()
    canvas.waitWhileRendering()
    wait(3000)
    window.grab().save(str(DOCS / "qgis_map.png"))


def printed() -> None:
    """The first page of a crew map."""
    import slopekit_crew_map

    folder = Path(slopekit_crew_map.__file__).parent
    project = QgsProject()
    layout = QgsPrintLayout(project)
    template = slopekit_crew_map.read_template(str(folder / "slopekit_crew_map_a4.qpt"))
    slopekit_crew_map.fill(layout, template, str(Path("zones.gpkg").resolve()), [])
    atlas = layout.atlas()
    atlas.beginRender()
    atlas.next()
    settings = QgsLayoutExporter.ImageExportSettings()
    settings.dpi = 110
    QgsLayoutExporter(layout).exportToImage(str(DOCS / "qgis_crew_map.png"), settings)
    atlas.endRender()


if __name__ == "__main__":
    os.chdir(sys.argv[1])
    app = QgsApplication([], True)
    app.initQgis()
    sys.path.append(os.path.join(QgsApplication.pkgDataPath(), "python", "plugins"))
    from processing.core.Processing import Processing

    Processing.initialize()
    form()
    loaded()
    printed()
    # Taking QGIS down inside Python can crash after the work is done.
    os._exit(0)
