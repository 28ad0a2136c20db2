"""Processing script: an invented site, to see what comes out."""

from __future__ import annotations

import os
import sys
from typing import Any

from qgis.core import QgsProcessingAlgorithm, QgsProcessingOutputFile, QgsProcessingParameterFolderDestination

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared

_PACKAGE = "zones.gpkg"


class SlopekitDemo(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit demo."""

    NAME = "slopekit_demo"
    TITLE = "Demo: an invented site"
    HELP = (
        "Screens an office park that does not exist, and writes all that comes out: zones, a map, profiles, crew "
        "sheets, a page. The site, the machines and their limits are invented. None of it is advice."
    )
    TAGS = ("example", "try", "start", "tutorial")
    TABLE = "PACKAGE"
    PAGE = "README"

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.workers()
        yield from inputs.overwrite()
        yield from inputs.load()
        yield QgsProcessingParameterFolderDestination("FOLDER", "Folder for the results")

    def initAlgorithm(self, configuration: Any = None) -> None:
        super().initAlgorithm(configuration)
        self.addOutput(QgsProcessingOutputFile("PACKAGE", "Zones, as GeoPackage"))

    def words(self, given: shared.Given) -> list[str]:
        words = given.written("--out", "FOLDER")
        given.files["PACKAGE"] = os.path.join(given.files["FOLDER"], _PACKAGE)
        return ["demo", *inputs.workers_words(given), *inputs.overwrite_words(given), *words]
