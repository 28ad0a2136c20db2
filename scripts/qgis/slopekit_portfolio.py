"""Processing script: thousands of parcels on thousands of tiles, in a run that can be broken off and go on."""

from __future__ import annotations

import os
import sys
from typing import Any

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingOutputFile,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterNumber,
    QgsProcessingParameterString,
)

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared

_PACKAGE = "portfolio.gpkg"
_NOT_ALL = 3


class SlopekitPortfolio(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit portfolio."""

    NAME = "slopekit_portfolio"
    TITLE = "Screen a portfolio"
    HELP = (
        "Screens thousands of parcels on thousands of tiles. What is done is kept in the folder: break the run off and "
        f"go on later. A parcel that fails is listed and the others go on. {inputs.CAUTION}"
    )
    TAGS = ("many parcels", "batch", "sites", "resume")
    PAGE = "scale"
    TABLE = "PACKAGE"
    JUDGED = ("ELEVATION", "PARCELS", *inputs.GROUND_NAMES)
    DONE_CODES = (0, _NOT_ALL)

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
        yield from inputs.season_file("Empty: no hours.")
        yield QgsProcessingParameterBoolean("SHEETS", "Also print crew sheets", False)
        yield QgsProcessingParameterBoolean("PAGE", "Also write a page for a browser", False)
        yield from inputs.paper()
        yield from inputs.units()
        yield QgsProcessingParameterBoolean("RESUME", "Go on with an earlier run in this folder", False)
        yield QgsProcessingParameterBoolean("ONLY_FAILED", "Only what failed in the earlier run", False)
        seconds = QgsProcessingParameterNumber(
            "TIME_LIMIT", "Longest time for a parcel (s)", QgsProcessingParameterNumber.Type.Double, None, True, 1.0
        )
        yield shared.advanced(shared.explained(seconds, "A parcel that takes longer is given up. Empty: 300."))
        memory = QgsProcessingParameterNumber(
            "MEMORY_LIMIT", "Most memory for a parcel (MB)", QgsProcessingParameterNumber.Type.Double, None, True, 50.0
        )
        free = "A parcel that takes more is given up. Empty: a share of what is free."
        yield shared.advanced(shared.explained(memory, free))
        rank = QgsProcessingParameterString("RANK", "Column that ranks the summary", optional=True)
        yield shared.advanced(shared.explained(rank, "Of the layer 'parcels'. Empty: hand_crew_m2."))
        yield from inputs.workers()
        yield from inputs.overwrite()
        yield from inputs.load()
        yield QgsProcessingParameterFolderDestination("FOLDER", "Folder for the results")

    def initAlgorithm(self, configuration: Any = None) -> None:
        super().initAlgorithm(configuration)
        self.addOutput(QgsProcessingOutputFile("PACKAGE", "All parcels, as GeoPackage"))

    def words(self, given: shared.Given) -> list[str]:
        folder = given.file("FOLDER")
        given.files["PACKAGE"] = os.path.join(folder, _PACKAGE)
        return [
            "portfolio",
            *inputs.ground_of_words(given),
            *inputs.parcels_words(given),
            *inputs.fleet_words(given),
            *inputs.ground_words(given),
            *inputs.corrections_words(given),
            *inputs.surveyed_words(given),
            *inputs.reading_words(given),
            *inputs.asked_words(given),
            *inputs.season_file_words(given),
            *given.flag("--sheets", "SHEETS"),
            *given.flag("--page", "PAGE"),
            *inputs.paper_words(given),
            *inputs.units_words(given),
            *given.flag("--resume", "RESUME"),
            *given.flag("--only-failed", "ONLY_FAILED"),
            *given.number("--time-limit", "TIME_LIMIT"),
            *given.number("--memory-limit", "MEMORY_LIMIT"),
            *given.option("--rank", "RANK"),
            *inputs.workers_words(given),
            *inputs.overwrite_words(given),
            *["--out", folder],
        ]
