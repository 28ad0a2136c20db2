"""Processing script: brings what parcels need of the tiles that were found into a folder."""

from __future__ import annotations

import os
import sys
from typing import Any

from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingOutputFile,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterVectorLayer,
)

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared

_NOT_ALL = 3


class SlopekitTilesFetch(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit tiles fetch."""

    NAME = "slopekit_tiles_fetch"
    TITLE = "Tiles: fetch"
    HELP = (
        "Brings what parcels need of the tiles that 'Tiles: find' found into a folder. What came down is complete or "
        "not there, and a second time only what lacks is fetched. Give the file that it names as Elevation."
    )
    TAGS = ("download", "elevation", "survey", "public")
    PAGE = "tiles"
    JUDGED = ("TABLE",)
    DONE_CODES = (0, _NOT_ALL)

    def parameters_here(self) -> inputs.Parameters:
        kinds = [QgsProcessing.SourceType.TypeVectorPolygon]
        table = QgsProcessingParameterVectorLayer("TABLE", "Table of tiles", kinds)
        yield shared.explained(table, "The layer 'Tiles that parcels need', or its GeoPackage.")
        yield from inputs.most()
        yield from inputs.trust_index_error()
        yield shared.advanced(QgsProcessingParameterBoolean("WHOLE", "Bring whole tiles, not only blocks", False))
        ask = QgsProcessingParameterBoolean("ASK", "Ask the servers whether tiles have changed since", False)
        yield shared.advanced(ask)
        yield from inputs.no_remote()
        yield QgsProcessingParameterFolderDestination("CACHE", "Folder for what is read of tiles")

    def initAlgorithm(self, configuration: Any = None) -> None:
        super().initAlgorithm(configuration)
        self.addOutput(QgsProcessingOutputFile("ELEVATION", "The file to give as Elevation"))

    def words(self, given: shared.Given) -> list[str]:
        return [
            "tiles",
            "fetch",
            given.vector("", "TABLE")[1].split("|layername=")[0],
            *inputs.most_words(given),
            *inputs.trust_index_error_words(given),
            *given.flag("--whole", "WHOLE"),
            *given.flag("--ask", "ASK"),
            *inputs.no_remote_words(given),
            *given.written("--cache", "CACHE"),
        ]

    def finished(self, printed: str, context: QgsProcessingContext) -> dict[str, Any]:
        # slopekit names it last.
        return {"ELEVATION": printed.splitlines()[-1]}
