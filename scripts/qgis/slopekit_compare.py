"""Processing script: two bids for the same parcels with two fleet files."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm, QgsProcessingParameterFile

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitCompare(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit compare."""

    NAME = "slopekit_compare"
    TITLE = "Compare two fleets"
    HELP = (
        "Says what changes in hours, hand hours, money and zones if the company had another machine or limit. Parcels "
        "are screened again from the files that the zones were made from, so save memory layers before you screen. "
        "No hour saved is a reason to send a machine where it is refused."
    )
    TAGS = ("machines", "bid", "what if", "cost")
    PAGE = "hours"
    JUDGED = ("ZONES",)

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.screened()
        yield from inputs.fleet()
        other = QgsProcessingParameterFile("OTHER_FLEET", "Other fleet file", extension="toml")
        yield shared.explained(other, "With the machine or the limit that you think of.")
        yield from inputs.season()
        yield from inputs.no_remote()
        yield from inputs.overwrite()
        yield from inputs.result("Comparison", "Excel (*.xlsx);;CSV (*.csv);;JSON (*.json)")

    def words(self, given: shared.Given) -> list[str]:
        return [
            "compare",
            *inputs.screened_words(given),
            *inputs.fleet_words(given),
            *given.option("--fleet", "OTHER_FLEET"),
            *inputs.season_words(given),
            *inputs.no_remote_words(given),
            *inputs.overwrite_words(given),
            *given.written("--out", "OUTPUT"),
        ]
