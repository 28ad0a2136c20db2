"""Processing script: a result as shapefiles that keep their styles and lose no caution."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm, QgsProcessingParameterFolderDestination

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitExport(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit export."""

    NAME = "slopekit_export"
    TITLE = "Shapefiles of a result"
    HELP = (
        "Writes the layers of a result as shapefiles, for programs that take nothing else. Columns of a shapefile have "
        "10 characters and texts 254 bytes, so 'Save Features As' loses the style and cuts notes anywhere. Here each "
        "layer keeps its style, a note ends with a whole sentence, and notes.txt holds the rest and the cautions: hand "
        f"it on with them. {inputs.CAUTION}"
    )
    TAGS = ("shapefile", "shp", "save as", "convert")
    PAGE = "qgis#shapefiles"
    JUDGED = ("ZONES",)

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.screened()
        yield from inputs.no_remote()
        yield from inputs.overwrite()
        yield QgsProcessingParameterFolderDestination("FOLDER", "Folder for the shapefiles")

    def words(self, given: shared.Given) -> list[str]:
        return [
            "export",
            *inputs.screened_words(given),
            *inputs.no_remote_words(given),
            *inputs.overwrite_words(given),
            *given.written("--out", "FOLDER"),
        ]
