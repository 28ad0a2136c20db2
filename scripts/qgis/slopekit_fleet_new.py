"""Processing script: starts a fleet file."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitFleetNew(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit fleet new."""

    NAME = "slopekit_fleet_new"
    TITLE = "Fleet file: new"
    HELP = (
        "Writes a commented fleet file whose limits are blank: it refuses everything until you fill it in with a text "
        "editor. Read it back with 'Fleet file: check'. A file that exists is never overwritten."
    )
    TAGS = ("machines", "limits", "template")
    PAGE = "README"

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.result("Fleet file", "Fleet file (*.toml)")

    def words(self, given: shared.Given) -> list[str]:
        return ["fleet", "new", given.file("OUTPUT")]
