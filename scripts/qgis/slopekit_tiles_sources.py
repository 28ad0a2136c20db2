"""Processing script: public surveys that are known by name."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitTilesSources(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit tiles sources."""

    NAME = "slopekit_tiles_sources"
    TITLE = "Tiles: public surveys"
    HELP = (
        "Lists the public surveys that 'Tiles: find' knows by name: where their index lies, their datum, licence and "
        "credit, and where each of these facts is from. Nothing is fetched."
    )
    TAGS = ("download", "elevation", "survey", "public", "licence")
    TOLD = "The list, as text"
    PAGE = "tiles"

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.result("The list", "Text (*.txt)")

    def words(self, given: shared.Given) -> list[str]:
        return ["tiles", "sources"]
