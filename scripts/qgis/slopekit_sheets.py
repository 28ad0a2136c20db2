"""Processing script: pages to print for crews, from zones that were screened."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm, QgsProcessingParameterFolderDestination

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitSheets(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit sheets."""

    NAME = "slopekit_sheets"
    TITLE = "Print crew sheets"
    HELP = (
        "A sheet for each parcel as PDF, black and white, to carry and to fill in: map, zones, who is refused and why, "
        f"how to work them. A phone's map program shows where one stands on it. {inputs.CAUTION}"
    )
    TAGS = ("PDF", "print", "crew", "paper")
    PAGE = "sheets"
    SHOWN = "OUTPUT"
    JUDGED = ("ZONES",)

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.screened()
        yield from inputs.fleet(optional=True)
        yield from inputs.season_file("Empty: no hours. Needs the fleet file.")
        yield from inputs.paper()
        yield from inputs.units()
        yield from inputs.no_remote()
        yield from inputs.overwrite()
        yield from inputs.shown()
        yield from inputs.result("Crew sheets", "PDF (*.pdf)")
        yield QgsProcessingParameterFolderDestination(
            "PER_PARCEL", "Folder for a file of each parcel too", optional=True, createByDefault=False
        )

    def words(self, given: shared.Given) -> list[str]:
        return [
            "sheets",
            *inputs.screened_words(given),
            *inputs.fleet_words(given),
            *inputs.season_file_words(given),
            *inputs.paper_words(given),
            *inputs.units_words(given),
            *inputs.no_remote_words(given),
            *inputs.overwrite_words(given),
            *given.written("--out", "OUTPUT"),
            *given.written("--per-parcel", "PER_PARCEL"),
        ]
