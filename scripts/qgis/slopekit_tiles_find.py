"""Processing script: which tiles of a public survey parcels need."""

from __future__ import annotations

import os
import sys
from typing import Any

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFile,
    QgsProcessingParameterString,
)

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared

_LAYERS = {"looks": "Ground that each parcel needs", "tiles": "Tiles that parcels need"}
_NOT_ALL = 3


class SlopekitTilesFind(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit tiles find."""

    NAME = "slopekit_tiles_find"
    TITLE = "Tiles: find"
    HELP = (
        "Says which tiles of an index parcels and the ground round them need, and what is missing. No tile is opened. "
        "The table is loaded: look at it, then give it to 'Tiles: fetch'. A parcel that no tile covers is named in the "
        "log."
    )
    TAGS = ("download", "elevation", "index", "survey", "public")
    PAGE = "tiles"
    JUDGED = ("PARCELS",)
    DONE_CODES = (0, _NOT_ALL)

    def parameters_here(self) -> inputs.Parameters:
        index = QgsProcessingParameterFile("INDEX", "Index of tiles")
        yield shared.explained(index, "A file, an address, or a name that slopekit tiles sources lists.")
        yield from inputs.parcels()
        yield from inputs.fleet(optional=True)
        layer = QgsProcessingParameterString("LAYER", "Layer of the index", optional=True)
        yield shared.advanced(shared.explained(layer, "Where the file has several."))
        columns = QgsProcessingParameterString(
            "COLUMNS", "Columns of the index, as WHAT=NAME", multiLine=True, optional=True
        )
        told = "One a line: address, survey, date, cell, datum, error, filled, bytes or credit. Empty: guessed."
        yield shared.advanced(shared.explained(columns, told))
        asset = QgsProcessingParameterString("ASSET", "Asset of STAC items that holds the heights", optional=True)
        yield shared.advanced(shared.explained(asset, "With * for any letters. Empty: guessed."))
        only = QgsProcessingParameterString("ONLY", "Only tiles with NAME=VALUE", multiLine=True, optional=True)
        yield shared.advanced(shared.explained(only, "One a line, each a column and what it says."))
        private = QgsProcessingParameterBoolean(
            "ALLOW_PRIVATE", "Let an index from elsewhere name this machine and its network", False
        )
        yield shared.advanced(private)
        yield from inputs.no_remote()
        yield from inputs.overwrite()
        yield from inputs.load()
        yield from inputs.result("Table of tiles", "GeoPackage (*.gpkg)")

    def words(self, given: shared.Given) -> list[str]:
        return [
            "tiles",
            "find",
            given.text("INDEX").strip(),
            *inputs.parcels_words(given),
            *inputs.fleet_words(given),
            *given.option("--layer", "LAYER"),
            *given.options("--column", "COLUMNS"),
            *given.option("--asset", "ASSET"),
            *given.options("--only", "ONLY"),
            *given.flag("--allow-private", "ALLOW_PRIVATE"),
            *inputs.no_remote_words(given),
            *inputs.overwrite_words(given),
            *given.written("--out", "OUTPUT"),
        ]

    def finished(self, printed: str, context: QgsProcessingContext) -> dict[str, Any]:
        project = context.project()
        if project is not None and self._given.yes("LOAD"):
            for layer, title in _LAYERS.items():
                details = QgsProcessingContext.LayerDetails(title, project, layer)
                context.addLayerToLoadOnCompletion(f"{self._given.files['OUTPUT']}|layername={layer}", details)
        return {}
