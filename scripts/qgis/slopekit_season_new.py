"""Processing script: starts a season file for a fleet."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitSeasonNew(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit season new."""

    NAME = "slopekit_season_new"
    TITLE = "Season file: new"
    HELP = (
        "Writes a commented season file for the conditions and machines of a fleet file, with blank rates: visits, the "
        "working day, driving and money. Fill it in with a text editor. A file that exists is never overwritten."
    )
    TAGS = ("visits", "rates", "template", "cost")
    PAGE = "hours"

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.fleet()
        yield from inputs.result("Season file", "Season file (*.toml)")

    def words(self, given: shared.Given) -> list[str]:
        return ["season", "new", given.file("OUTPUT"), *inputs.fleet_words(given)]
