"""Processing script: reads a fleet file back in words."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitFleetCheck(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit fleet check."""

    NAME = "slopekit_fleet_check"
    TITLE = "Fleet file: check"
    HELP = (
        "Says in words what each machine may do, and what is missing. Let the person who answers for the limits read "
        f"it. {inputs.CAUTION}"
    )
    TAGS = ("machines", "limits", "read")
    TOLD = "What it says, as text"
    PAGE = "README"

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.fleet()
        yield from inputs.result("What it says", "Text (*.txt)")

    def words(self, given: shared.Given) -> list[str]:
        return ["fleet", "check", given.text("FLEET")]
