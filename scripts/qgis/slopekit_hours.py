"""Processing script: a bid for zones that were screened."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitHours(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit hours."""

    NAME = "slopekit_hours"
    TITLE = "Hours, crews and money"
    HELP = (
        "Works out who works each zone, for how long and for how much. Hours are planning figures: they permit "
        "nothing, and no hour saved is a reason to send a machine where it is refused."
    )
    TAGS = ("bid", "cost", "crew", "price", "labour", "season")
    PAGE = "hours"
    TABLE = "PASSES"
    JUDGED = ("ZONES",)

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.screened()
        yield from inputs.fleet()
        yield from inputs.season()
        yield from inputs.units()
        yield from inputs.no_remote()
        yield from inputs.overwrite()
        yield from inputs.load()
        yield from inputs.result("Bid", "Excel (*.xlsx);;CSV (*.csv);;JSON (*.json)")
        yield from inputs.result("Passes, laid out", "GeoPackage (*.gpkg)", optional=True, name="PASSES")

    def words(self, given: shared.Given) -> list[str]:
        return [
            "hours",
            *inputs.screened_words(given),
            *inputs.fleet_words(given),
            *inputs.season_words(given),
            *inputs.units_words(given),
            *inputs.no_remote_words(given),
            *inputs.overwrite_words(given),
            *given.written("--out", "OUTPUT"),
            *given.written("--passes", "PASSES"),
        ]
