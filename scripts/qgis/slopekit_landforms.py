"""Processing script: an inventory of basins and berms."""

from __future__ import annotations

import os
import sys

from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
)

# Processing loads each script by its file, so the folder is not yet one to import from.
if os.path.dirname(__file__) not in sys.path:
    sys.path.append(os.path.dirname(__file__))
import slopekit_inputs as inputs
import slopekit_qgis as shared


class SlopekitLandforms(shared.Algorithm, QgsProcessingAlgorithm):
    """slopekit landforms."""

    NAME = "slopekit_landforms"
    TITLE = "List basins and berms"
    HELP = (
        "Lists every basin and berm that shares ground with an area, with depth, volume, side slopes and more. Dry "
        "basins may hold water after rain: nothing here permits a machine anything."
    )
    TAGS = ("basins", "ponds", "berms", "levees", "inventory", "storage")
    PAGE = "landforms"
    TABLE = "OUTPUT"
    JUDGED = ("ELEVATION", "AREA", "WATER")

    def parameters_here(self) -> inputs.Parameters:
        yield from inputs.elevation()
        yield from inputs.points()
        area = QgsProcessingParameterFeatureSource(
            "AREA", "Area", [QgsProcessing.SourceType.TypeVectorPolygon], optional=True
        )
        yield shared.explained(area, "Parcels or a district. Empty: all of the elevation.")
        column = QgsProcessingParameterField(
            "ID_COLUMN", "Column of the areas' ids", parentLayerParameterName="AREA", optional=True
        )
        yield shared.explained(column, "Empty: they are numbered from 1.")
        yield from inputs.ground("water")
        yield from inputs.fleet(optional=True)
        yield from inputs.corrections()
        yield from inputs.surveyed()
        yield from inputs.reading()
        yield from inputs.tile_index()
        yield from inputs.workers()
        yield from inputs.overwrite()
        yield from inputs.load()
        yield from inputs.result("Basins and berms", "GeoPackage (*.gpkg)")
        yield from inputs.result("One row a basin", "Excel (*.xlsx);;CSV (*.csv)", optional=True, name="SHEET")

    def words(self, given: shared.Given) -> list[str]:
        return [
            "landforms",
            *inputs.ground_of_words(given),
            *given.vector("--area", "AREA"),
            *given.option("--id-column", "ID_COLUMN"),
            *inputs.ground_words(given, "water"),
            *inputs.fleet_words(given),
            *inputs.corrections_words(given),
            *inputs.surveyed_words(given),
            *inputs.reading_words(given),
            *inputs.workers_words(given),
            *inputs.overwrite_words(given),
            *given.written("--out", "OUTPUT"),
            *given.written("--table", "SHEET"),
        ]
