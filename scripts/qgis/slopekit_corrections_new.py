"""Processing script: starts a file to draw corrections in."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitCorrectionsNew(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit corrections new."""

    NAME = "slopekit_corrections_new"
    TITLE = "Corrections: new"
    HELP = (
        "Writes a file with layers for areas, lines and points, whose forms list what a person on site can say. Drag "
        "it into QGIS, draw, and give it to 'Screen parcels' as corrections. A file that exists is never overwritten."
    )
    TAGS = ("field", "draw", "confirm", "reject", "template")
    PAGE = "corrections"
    JUDGED = ("ELEVATION",)

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.elevation()
        yield inputs.height_unit()
        yield inputs.surface()
        yield from inputs.no_remote()
        yield from inputs.result("Corrections", "GeoPackage (*.gpkg)")

    def words(self, given: shared.Given) -> list[str]:
        survey = given.rasters("ELEVATION", "TILES", needed=False)
        first = ["--for", *survey] if survey else []
        return [
            "corrections",
            "new",
            given.file("OUTPUT"),
            *first,
            *given.option("--z-unit", "Z_UNIT"),
            *given.option("--surface", "SURFACE"),
            *inputs.no_remote_words(given),
        ]
