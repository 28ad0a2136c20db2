"""Processing script: what an elevation survey can tell, and what not."""

from __future__ import annotations

import os
import sys

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingException,
    QgsProcessingParameterBoolean,
)

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitInspect(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit inspect."""

    NAME = "slopekit_inspect"
    TITLE = "Inspect a survey"
    HELP = (
        "Says what is known of an elevation survey, how its units were decided, and what it cannot show: a wall lower "
        "than its detection limit, for one. Every cell is read. Of classified points it says whether walls, water and "
        "low trees can be judged from them."
    )
    TAGS = ("elevation", "DEM", "DTM", "LiDAR", "vertical error", "units")
    TOLD = "What it says, as text"
    PAGE = "qgis#run"
    JUDGED = ("ELEVATION", "FILES")

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.elevation()
        yield from inputs.point_files()
        yield from inputs.point_meaning()
        yield from inputs.reading()
        yield QgsProcessingParameterBoolean("JSON", "As JSON, for programs", False)
        yield from inputs.result("What it says", "Text (*.txt);;JSON (*.json)")

    def words(self, given: shared.Given) -> list[str]:
        points = given.several("FILES")
        elevation = given.rasters("ELEVATION", "TILES", needed=not points)
        if points and elevation:
            raise QgsProcessingException("Elevation and points are both given: leave one of them empty.")
        how = [*inputs.point_meaning_words(given), *inputs.reading_words(given), *given.flag("--json", "JSON")]
        return ["inspect", *elevation, *points, *how]
