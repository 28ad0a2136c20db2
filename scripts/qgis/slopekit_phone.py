"""Processing script: zones for a phone, to look at or to draw in."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitPhone(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit phone."""

    NAME = "slopekit_phone"
    TITLE = "Zones for the phone"
    HELP = (
        "Writes screened zones for a phone: a KMZ for any map program, or a GeoPackage whose project opens in field "
        "programs, ready to draw corrections in. Give what comes back to 'Screen parcels' as corrections. "
        f"{inputs.CAUTION}"
    )
    TAGS = ("KMZ", "mobile", "tablet", "field", "corrections")
    PAGE = "phone"
    JUDGED = ("ZONES",)

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.screened()
        yield from inputs.no_remote()
        yield from inputs.overwrite()
        yield from inputs.result("For the phone", "KMZ (*.kmz);;GeoPackage (*.gpkg)")

    def words(self, given: shared.Given) -> list[str]:
        return [
            "phone",
            *inputs.screened_words(given),
            *inputs.no_remote_words(given),
            *inputs.overwrite_words(given),
            *given.written("--out", "OUTPUT"),
        ]
