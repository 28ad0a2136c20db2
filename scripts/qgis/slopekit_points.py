"""Processing script: classified points of a survey to ground, walls, water and what a screening takes beside them."""

from __future__ import annotations

import os
import sys
from typing import Any

from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingOutputFile,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterNumber,
)

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared

_PACKAGES = ("walls.gpkg", "water.gpkg", "canopy.gpkg", "exclude.gpkg")
_GROUND = "ground.tif"
_DOUBLE = QgsProcessingParameterNumber.Type.Double


class SlopekitPoints(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit points."""

    NAME = "slopekit_points"
    TITLE = "Points: ground, walls, water from a survey's returns"
    HELP = (
        "Makes bare ground, walls, water, low trees and buildings of the classified points of a survey. Give the "
        "folder to 'Screen parcels' as its folder of points. That nothing was found proves nothing: what was not "
        f"assessed stands in points_notes.csv. {inputs.CAUTION}"
    )
    TAGS = ("LiDAR", "laser", "LAS", "LAZ", "point cloud", "walls", "bare ground")
    PAGE = "points"
    JUDGED = ("FILES", "AREA")

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.point_files()
        folder = QgsProcessingParameterFile(
            "FILES_FOLDER", "Folder of points", behavior=QgsProcessingParameterFile.Behavior.Folder, optional=True
        )
        yield shared.explained(folder, "In place of files, or beside them.")
        polygons = [QgsProcessing.SourceType.TypeVectorPolygon]
        area = QgsProcessingParameterFeatureSource("AREA", "Area", polygons, optional=True)
        yield shared.explained(area, "Parcels or a district. Empty: all of the points.")
        around = QgsProcessingParameterNumber("AROUND", "Ground round the area (m)", _DOUBLE, None, True, 0.0)
        yield shared.advanced(shared.explained(around, "That is looked at too. Empty: 200, enough for a look of 150."))
        yield from inputs.point_meaning()
        cell = QgsProcessingParameterNumber("CELL", "Cell of the ground (m)", _DOUBLE, None, True, 0.25, 1.0)
        yield shared.advanced(shared.explained(cell, "Empty: 1."))
        gap = QgsProcessingParameterNumber("GAP", "Gaps that are filled, up to (m)", _DOUBLE, None, True, 0.0)
        yield shared.advanced(shared.explained(gap, "Wider ones stay missing, which refuses. Empty: 5."))
        bar = QgsProcessingParameterNumber("ROLL_BAR", "Height of a roll bar (m)", _DOUBLE, None, True, 0.0)
        yield shared.explained(bar, "Trees that hang lower are low. Empty: 2.2.")
        yield inputs.height_unit()
        yield from inputs.no_remote()
        yield from inputs.overwrite()
        yield from inputs.load()
        yield QgsProcessingParameterFolderDestination("FOLDER", "Folder for the results")

    def initAlgorithm(self, configuration: Any = None) -> None:
        super().initAlgorithm(configuration)
        self.addOutput(QgsProcessingOutputFile("GROUND", "Bare ground"))

    def words(self, given: shared.Given) -> list[str]:
        folder = given.text("FILES_FOLDER").strip()
        named = [*given.several("FILES"), *([folder] if folder else [])]
        if not named:
            raise QgsProcessingException("No points are given: choose files, or a folder of them.")
        return [
            "points",
            *named,
            *given.vector("--area", "AREA"),
            *given.number("--around", "AROUND"),
            *inputs.point_meaning_words(given),
            *given.number("--cell", "CELL"),
            *given.number("--gap", "GAP"),
            *given.number("--roll-bar", "ROLL_BAR"),
            *given.option("--z-unit", "Z_UNIT"),
            *inputs.no_remote_words(given),
            *inputs.overwrite_words(given),
            *given.written("--out", "FOLDER"),
        ]

    def finished(self, printed: str, context: QgsProcessingContext) -> dict[str, Any]:
        folder = self._given.files["FOLDER"]
        ground = os.path.join(folder, _GROUND)
        if self._given.yes("LOAD"):
            group = f"slopekit: {os.path.basename(os.path.normpath(folder))}"
            for name in _PACKAGES:
                shared.load_package(os.path.join(folder, name), context, group)
            shared.load_raster(ground, "Bare ground of the points", context, group)
        return {"GROUND": ground}
