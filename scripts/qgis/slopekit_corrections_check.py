"""Processing script: lists what was drawn on site."""

from __future__ import annotations

import os
import sys

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingParameterFile,
)

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitCorrectionsCheck(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit corrections check."""

    NAME = "slopekit_corrections_check"
    TITLE = "Corrections: check"
    HELP = "Lists what people on site drew, one line each, or says what is wrong with it, before a screening takes it."
    TAGS = ("field", "drawn", "read")
    TOLD = "What it says, as text"
    PAGE = "corrections"

    def parameters_here(self) -> inputs.Parameters:
        file = QgsProcessingParameterFile("FILE", "Corrections from the site")
        yield shared.explained(file, "The file that 'Corrections: new' wrote, or one that came back from a phone.")
        yield from inputs.no_remote()
        yield from inputs.result("What it says", "Text (*.txt)")

    def words(self, given: shared.Given) -> list[str]:
        return ["corrections", "check", given.text("FILE"), *inputs.no_remote_words(given)]
