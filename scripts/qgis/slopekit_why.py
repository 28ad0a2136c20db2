"""Processing script: every rule evaluated at one spot, in words."""

from __future__ import annotations

import os
import sys

from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingException,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterPoint,
)

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitWhy(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit why."""

    NAME = "slopekit_why"
    TITLE = "Why is a machine refused here?"
    HELP = (
        "Says what every rule finds at one spot, and for each machine what refuses it there, with the numbers: as "
        "text, and as layers with the paths down from the spot and the profile of each. The zones of 'Screen parcels' "
        "are enough: they know what they were made from. Without them, give the elevation, the layers and the "
        f"corrections. {inputs.CAUTION}"
    )
    TAGS = ("reason", "refused", "explain", "run-out", "path", "profile", "hazard")
    TOLD = "The answer, as text"
    PAGE = "spot"
    TABLE = "LAYERS"
    JUDGED = ("ZONES", "ELEVATION", "PARCELS", *inputs.GROUND_NAMES)

    def parameters_here(self) -> inputs.Parameters:
        yield shared.explained(QgsProcessingParameterPoint("SPOT", "Spot"), "Click it on the map with the button.")
        zones = QgsProcessingParameterFeatureSource(
            "ZONES", "Screened zones", [QgsProcessing.SourceType.TypeVectorPolygon], optional=True
        )
        yield shared.explained(zones, "With them leave all that follows empty, save a fleet file that was moved.")
        yield from inputs.elevation()
        yield from inputs.points()
        yield from inputs.fleet(optional=True)
        yield from inputs.ground()
        yield from inputs.corrections()
        places = QgsProcessingParameterFeatureSource(
            "PARCELS", "Parcels", [QgsProcessing.SourceType.TypeVectorPolygon], optional=True
        )
        yield shared.explained(
            places, "Those that were screened: the look is round the one there. Needed with entrances."
        )
        yield from inputs.surveyed()
        yield from inputs.reading()
        yield from inputs.units()
        yield QgsProcessingParameterBoolean("JSON", "As JSON, for programs", False)
        yield from inputs.overwrite()
        yield from inputs.load()
        yield from inputs.result("Answer", "Text (*.txt);;JSON (*.json)")
        yield from inputs.result(
            "Spot, paths from it and their profiles", "GeoPackage (*.gpkg)", optional=True, name="LAYERS", asked=True
        )

    def words(self, given: shared.Given) -> list[str]:
        return [
            "why",
            *self._of_what(given),
            *given.spot("--at", "--crs", "SPOT"),
            *inputs.fleet_words(given),
            *inputs.ground_words(given),
            *inputs.corrections_words(given),
            *given.vector("--parcels", "PARCELS"),
            *inputs.surveyed_words(given),
            *inputs.reading_words(given),
            *inputs.units_words(given),
            *given.flag("--json", "JSON"),
            *inputs.overwrite_words(given),
            *given.written("--out", "LAYERS"),
        ]

    def _of_what(self, given: shared.Given) -> list[str]:
        """The result, which knows what it was made from, or the elevation."""
        points = given.option("--points", "POINTS")
        if not given.there("ZONES"):
            return [*given.rasters("ELEVATION", "TILES", needed=not points), *points]
        if points or given.rasters("ELEVATION", "TILES", needed=False):
            raise QgsProcessingException("Zones and elevation are both given: leave one of them empty.")
        return [given.result("ZONES")[0]]
