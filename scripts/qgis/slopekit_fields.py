"""Processing script: what every column of a result means."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm, QgsProcessingParameterBoolean, QgsProcessingParameterEnum

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitFields(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit fields."""

    NAME = "slopekit_fields"
    TITLE = "Columns and inputs in words"
    HELP = (
        "Lists every column that slopekit writes, with its type, unit and meaning; or what you may tell of the ground, "
        "and whether it can refuse more or less."
    )
    TAGS = ("fields", "attributes", "meaning", "legend")
    TOLD = "The list, as text"
    PAGE = "README#how-to-read-a-zone"

    def parameters_here(self) -> inputs.Parameters:
        names = list(shared.LAYER_NAMES)
        layer = QgsProcessingParameterEnum(
            "LAYER", "Only this layer", options=names, optional=True, usesStaticStrings=True
        )
        yield shared.explained(layer, "Empty: all of them.")
        yield QgsProcessingParameterBoolean("INPUTS", "List what may be told of the ground instead", False)
        yield QgsProcessingParameterBoolean("JSON", "As JSON, for programs", False)
        yield from inputs.result("The list", "Text (*.txt);;JSON (*.json)")

    def words(self, given: shared.Given) -> list[str]:
        return [
            "fields",
            *given.option("--layer", "LAYER"),
            *given.flag("--inputs", "INPUTS"),
            *given.flag("--json", "JSON"),
        ]
