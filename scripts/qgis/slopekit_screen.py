"""Processing script: parcels to zones, by the machines that no rule refuses there."""

from __future__ import annotations

import os
import sys
from typing import Any

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingOutputVectorLayer,
    QgsProcessingParameterFolderDestination,
)

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitScreen(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit screen."""

    NAME = "slopekit_screen"
    TITLE = "Screen parcels"
    HELP = (
        "Divides parcels into zones by the machines that no rule refuses there, with the reason for each refusal. "
        f"{inputs.CAUTION}\n\n{inputs.CRS_KEPT} Cancel stops the work; the result appears whole or not at all."
    )
    TAGS = ("zones", "parcels", "steep", "machines", "permitted", "banks", "screen")
    PAGE = "screen"
    TABLE = "OUTPUT"
    JUDGED = ("ELEVATION", "PARCELS", *inputs.GROUND_NAMES)

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.elevation()
        yield from inputs.points()
        yield from inputs.parcels()
        yield from inputs.fleet()
        yield from inputs.ground()
        yield from inputs.corrections()
        yield from inputs.surveyed()
        yield from inputs.reading()
        yield from inputs.tile_index()
        yield from inputs.asked()
        yield from inputs.units()
        yield from inputs.workers()
        yield from inputs.overwrite()
        yield from inputs.load()
        yield from inputs.result("Zones", "GeoPackage (*.gpkg)")
        yield from inputs.result("Map on one page", "PNG (*.png)", optional=True, name="MAP")
        yield from inputs.result("Easiest paths to hazards, as profiles", "PNG (*.png)", optional=True, name="PROFILES")
        yield from inputs.result("Every table, for programs", "JSON (*.json)", optional=True, name="REPORT")
        yield QgsProcessingParameterFolderDestination(
            "RASTERS", "Folder for slope, aspect, hazard and speed as rasters", optional=True, createByDefault=False
        )

    def initAlgorithm(self, configuration: Any = None) -> None:
        super().initAlgorithm(configuration)
        self.addOutput(QgsProcessingOutputVectorLayer("ZONES", "Zones"))

    def words(self, given: shared.Given) -> list[str]:
        return [
            "screen",
            *inputs.ground_of_words(given),
            *inputs.parcels_words(given),
            *inputs.fleet_words(given),
            *inputs.ground_words(given),
            *inputs.corrections_words(given),
            *inputs.surveyed_words(given),
            *inputs.reading_words(given),
            *inputs.asked_words(given),
            *inputs.units_words(given),
            *inputs.workers_words(given),
            *inputs.overwrite_words(given),
            *given.written("--out", "OUTPUT"),
            *given.written("--map", "MAP"),
            *given.written("--profiles", "PROFILES"),
            *given.written("--report", "REPORT"),
            *given.written("--rasters", "RASTERS"),
        ]

    def finished(self, printed: str, context: QgsProcessingContext) -> dict[str, Any]:
        return {"ZONES": f"{self._given.files['OUTPUT']}|layername=zones"}
