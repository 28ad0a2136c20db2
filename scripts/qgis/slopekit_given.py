"""The values of a form as words for a command line; layers that only QGIS knows become files first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from qgis.core import (
    QgsFeature,
    QgsFeatureSink,
    QgsField,
    QgsFields,
    QgsMapLayer,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingUtils,
    QgsProviderRegistry,
    QgsRasterLayer,
    QgsVectorFileWriter,
    QgsVectorLayer,
)


class Given:
    """The values of an algorithm's parameters, as words for a command line."""

    def __init__(self, algorithm: Any, parameters: Mapping[str, Any], context: QgsProcessingContext) -> None:
        self._algorithm = algorithm
        self._parameters = dict(parameters)
        self._context = context
        self.files: dict[str, str] = {}
        """The files that will be written, by parameter."""

    def text(self, name: str) -> str:
        return self._algorithm.parameterAsString(self._parameters, name, self._context) or ""

    def yes(self, name: str) -> bool:
        return self._algorithm.parameterAsBool(self._parameters, name, self._context)

    def file(self, name: str) -> str:
        """The file that a destination asks for, a temporary one where the user chose none; '' where it is skipped."""
        path = self._algorithm.parameterAsFileOutput(self._parameters, name, self._context)
        if path:
            self.files[name] = path
        return path

    def option(self, option: str, name: str) -> list[str]:
        """An option with the text of a parameter, or nothing where it is empty."""
        said = self.text(name).strip()
        return [option, said] if said else []

    def flag(self, option: str, name: str) -> list[str]:
        return [option] if self.yes(name) else []

    def number(self, option: str, name: str) -> list[str]:
        value = self._parameters.get(name)
        if value in (None, ""):
            return []
        return [option, f"{self._algorithm.parameterAsDouble(self._parameters, name, self._context):.12g}"]

    def date(self, option: str, name: str) -> list[str]:
        if self._parameters.get(name) in (None, ""):
            return []
        moment = self._algorithm.parameterAsDateTime(self._parameters, name, self._context)
        if not moment.isValid():
            raise QgsProcessingException(f"{self._parameters[name]}: this is no date, so give one such as 2025-03-01.")
        return [option, moment.toString("yyyy-MM-dd")]

    def written(self, option: str, name: str) -> list[str]:
        path = self.file(name)
        return [option, path] if path else []

    def several(self, name: str) -> list[str]:
        """The files of a parameter that takes more than one."""
        return [one for one in self._algorithm.parameterAsFileList(self._parameters, name, self._context) if one]

    def crs(self, option: str, name: str) -> list[str]:
        """A CRS, by its code where it has one or else by its words."""
        crs = self._algorithm.parameterAsCrs(self._parameters, name, self._context)
        return [option, crs.authid() or crs.toWkt()] if crs.isValid() else []

    def rasters(self, name: str, folder: str, needed: bool = True) -> list[str]:
        """The elevation: files of the chosen layers, and a folder of tiles."""
        value = self._parameters.get(name)
        chosen = value if isinstance(value, (list, tuple)) else [value]
        found = [self._raster(one) for one in chosen if one not in (None, "")]
        tiles = self.text(folder).strip() if folder else ""
        if needed and not found and not tiles:
            raise QgsProcessingException("No elevation is given: choose layers or files, or a folder of tiles.")
        return [*found, *([tiles] if tiles else [])]

    def _raster(self, value: Any) -> str:
        layer = value if isinstance(value, QgsMapLayer) else None
        if layer is None:
            layer = QgsProcessingUtils.mapLayerFromString(str(value), self._context, False)
        if layer is None:
            return str(value)
        if not isinstance(layer, QgsRasterLayer) or layer.providerType() != "gdal":
            raise QgsProcessingException(f"{layer.name()}: elevation is read from files, so save it as GeoTIFF.")
        if layer.crs() != layer.dataProvider().crs():
            raise QgsProcessingException(
                f"{layer.name()}: its CRS was set in QGIS only, so write it to the file with 'Assign projection'."
            )
        return layer.source()

    def spot(self, option: str, crs_option: str, name: str) -> list[str]:
        """A point of the map, with its CRS where that has a code or else its words."""
        point = self._algorithm.parameterAsPoint(self._parameters, name, self._context)
        crs = self._algorithm.parameterAsPointCrs(self._parameters, name, self._context)
        words = [option, f"{point.x():.12g},{point.y():.12g}"]
        return [*words, crs_option, crs.authid() or crs.toWkt()] if crs.isValid() else words

    def told(self, name: str) -> None:
        """Note a file into which the algorithm itself writes what slopekit printed."""
        self._told = self._algorithm.parameterAsFileOutput(self._parameters, name, self._context)

    def write_told(self, name: str, text: str) -> dict[str, Any]:
        """Write what slopekit printed, and give it as text too."""
        # No page for the results viewer: QGIS 3.22 stops at the end of a batch that gives one.
        try:
            with open(self._told, "w", encoding="utf-8") as file:
                file.write(text + "\n")
        except OSError as error:
            raise QgsProcessingException(f"{self._told}: the text cannot be written ({error.strerror}).") from error
        return {name: self._told, "TEXT": text}

    def vector(self, option: str, name: str) -> list[str]:
        """An option with the file of a vector layer.

        What only QGIS knows (memory layers, filters, selections, edits, virtual fields, another CRS) goes to a
        temporary GeoPackage first.
        """
        value = self._parameters.get(name)
        if value in (None, ""):
            return []
        ask = value if isinstance(value, QgsProcessingFeatureSourceDefinition) else None
        if ask is None:
            layer = self._algorithm.parameterAsVectorLayer(self._parameters, name, self._context)
        else:
            value = ask.source.staticValue()
            layer = QgsProcessingUtils.mapLayerFromString(str(value), self._context)
        if not isinstance(layer, QgsVectorLayer):
            return [option, str(value)]
        part = ask is not None and (
            ask.selectedFeaturesOnly or getattr(ask, "featureLimit", -1) >= 0 or getattr(ask, "filterExpression", "")
        )
        return [option, self._exported(name) if part or not as_on_disk(layer) else file_of(layer)]

    def _exported(self, name: str) -> str:
        source = self._algorithm.parameterAsSource(self._parameters, name, self._context)
        path = QgsProcessingUtils.generateTempFilename(f"{name.lower()}.gpkg")
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.driverName, options.layerName = "GPKG", name.lower()
        # A column named fid is the user's; GDAL would take it for its own.
        options.layerOptions = ["FID=feature_number"]
        fields, kept = QgsFields(), []
        for number, field in enumerate(source.fields()):
            if field.name().lower() != "feature_number":
                fields.append(QgsField(field))
                kept.append(number)
        writer = QgsVectorFileWriter.create(
            path, fields, source.wkbType(), source.sourceCrs(), self._context.transformContext(), options
        )
        for feature in source.getFeatures():
            copy = QgsFeature(fields)
            copy.setGeometry(feature.geometry())
            copy.setAttributes([feature.attributes()[number] for number in kept])
            writer.addFeature(copy, QgsFeatureSink.FastInsert)
        told = writer.errorMessage()
        del writer
        if told:
            raise QgsProcessingException(f"{source.sourceName()}: the layer cannot be saved for slopekit ({told}).")
        return path


def as_on_disk(layer: QgsVectorLayer) -> bool:
    """Whether a layer's file says all that the layer says."""
    if layer.providerType() != "ogr" or layer.subsetString() or layer.isModified():
        return False
    fields = layer.fields()
    own = all(fields.fieldOrigin(number) == QgsFields.OriginProvider for number in range(fields.count()))
    return own and layer.crs() == layer.dataProvider().crs()


def file_of(layer: QgsVectorLayer) -> str:
    """A layer's file, as FILE|layername=NAME where the file may hold several."""
    path = layer.source().split("|")[0]
    name = QgsProviderRegistry.instance().decodeUri("ogr", layer.source()).get("layerName")
    return f"{path}|layername={name}" if name else path
