"""Processing script: zones and reasons as HTML for a browser without a network."""

from __future__ import annotations

import os
import sys

from qgis.core import QgsProcessingAlgorithm, QgsProcessingParameterFile, QgsProcessingParameterString

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitPage(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit page."""

    NAME = "slopekit_page"
    TITLE = "Page for a browser"
    HELP = (
        "One HTML file with the map, a list of parcels, why each machine is refused, and the paths down as profiles. "
        f"It opens in any browser, on a desk or a phone, and loads nothing from any network. {inputs.CAUTION}"
    )
    TAGS = ("HTML", "browser", "client", "share")
    PAGE = "page"
    SHOWN = "OUTPUT"
    JUDGED = ("ZONES",)

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.screened()
        bid = QgsProcessingParameterFile("HOURS", "Hours of these zones", extension="json", optional=True)
        yield shared.explained(bid, "A bid that 'Hours, crews and money' wrote for them as JSON. Empty: no hours.")
        title = QgsProcessingParameterString("TITLE", "Title of the page", optional=True)
        yield shared.explained(title, "Empty: the name of the result.")
        yield from inputs.units()
        yield from inputs.overwrite()
        yield from inputs.shown()
        yield from inputs.result("Page", "HTML (*.html)")

    def words(self, given: shared.Given) -> list[str]:
        return [
            "page",
            *inputs.screened_words(given),
            *given.option("--hours", "HOURS"),
            *given.option("--title", "TITLE"),
            *inputs.units_words(given),
            *inputs.overwrite_words(given),
            *given.written("--out", "OUTPUT"),
        ]
