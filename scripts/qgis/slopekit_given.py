"""The values of a form as words for a command line; layers that only QGIS knows become files first."""

from __future__ import annotations

import os
import re
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
        self._names: dict[str, str] = {}
        provider = algorithm.provider()
        self._titles: dict[str, str] = {
            one.name().partition("_")[2].replace("_", " "): one.displayName()
            for one in ([] if provider is None else provider.algorithms())
            if one.name().startswith("slopekit_")
        }
        self._layers: dict[str, str] = {}

    def seen(self, sentence: str) -> str:
        """A sentence of slopekit with what the user sees: labels of the form in place of options, names of layers in
        place of temporary files, and titles of forms in place of commands."""
        for file in sorted(self._layers, key=len, reverse=True):
            sentence = sentence.replace(file, self._layers[file])
        if self._titles:
            commands = "|".join(sorted(self._titles, key=len, reverse=True))
            told = rf"(?P<mark>['`]?)\bslopekit (?P<command>{commands})\b(?P=mark)"
            sentence = re.sub(told, lambda found: f"'{self._titles[found['command']]}'", sentence)
        return re.sub(r"(?<![\w-])--[a-z][a-z-]*", lambda found: self._label(found[0]), sentence)

    def _label(self, option: str) -> str:
        """The label of the parameter that an option got its value from, or that is called as the option is."""
        name = self._names.get(option, option[2:].replace("-", "_").upper())
        definition = self._algorithm.parameterDefinition(name)
        return option if definition is None else f"'{definition.description()}'"

    def _option(self, option: str, name: str) -> str:
        """The option, whose parameter is kept in mind."""
        self._names[option] = name
        return option

    def text(self, name: str) -> str:
        return self._algorithm.parameterAsString(self._parameters, name, self._context) or ""

    def there(self, name: str) -> bool:
        return self._parameters.get(name) not in (None, "")

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
        option, said = self._option(option, name), self.text(name).strip()
        return [option, said] if said else []

    def options(self, option: str, name: str) -> list[str]:
        """An option for each line of a parameter's text."""
        self._option(option, name)
        return [word for line in self.text(name).splitlines() if line.strip() for word in (option, line.strip())]

    def flag(self, option: str, name: str) -> list[str]:
        option = self._option(option, name)
        return [option] if self.yes(name) else []

    def number(self, option: str, name: str) -> list[str]:
        option = self._option(option, name)
        value = self._parameters.get(name)
        if value in (None, ""):
            return []
        return [option, f"{self._algorithm.parameterAsDouble(self._parameters, name, self._context):.12g}"]

    def date(self, option: str, name: str) -> list[str]:
        option = self._option(option, name)
        if self._parameters.get(name) in (None, ""):
            return []
        moment = self._algorithm.parameterAsDateTime(self._parameters, name, self._context)
        if not moment.isValid():
            raise QgsProcessingException(f"{self._parameters[name]}: this is no date, so give one such as 2025-03-01.")
        return [option, moment.toString("yyyy-MM-dd")]

    def written(self, option: str, name: str) -> list[str]:
        option, path = self._option(option, name), self.file(name)
        return [option, path] if path else []

    def several(self, name: str) -> list[str]:
        """The files of a parameter that takes more than one."""
        return [one for one in self._algorithm.parameterAsFileList(self._parameters, name, self._context) if one]

    def crs(self, option: str, name: str) -> list[str]:
        """A CRS, by its code where it has one or else by its words."""
        crs = self._algorithm.parameterAsCrs(self._parameters, name, self._context)
        return [option, crs.authid() or crs.toWkt()] if crs.isValid() else []

    def rasters(self, name: str, *more: str, needed: bool = True) -> list[str]:
        """The elevation: files of the chosen layers, then what else is named, such as a folder or an index of tiles."""
        value = self._parameters.get(name)
        chosen = value if isinstance(value, (list, tuple)) else [value]
        found = [self._raster(one) for one in chosen if one not in (None, "")]
        found += [said for said in (self.text(one).strip() for one in more) if said]
        if needed and not found:
            raise QgsProcessingException("No elevation is given: choose layers or files, or a folder of tiles.")
        return found

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
        words = [self._option(option, name), f"{point.x():.12g},{point.y():.12g}"]
        return [*words, crs_option, crs.authid() or crs.toWkt()] if crs.isValid() else words

    def told(self, name: str) -> None:
        """Note a file into which the algorithm itself writes what slopekit printed."""
        self._told = self._algorithm.parameterAsFileOutput(self._parameters, name, self._context)
        refuse_open(self._told)

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
        option = self._option(option, name)
        if self._parameters.get(name) in (None, ""):
            return []
        layer, value, part = self._asked(name)
        if layer is None:
            return [option, value]
        return [option, self._exported(name) if part or not as_on_disk(layer) else file_of(layer)]

    def _asked(self, name: str) -> tuple[QgsVectorLayer | None, str, bool]:
        """The vector layer of a parameter, None where QGIS cannot open it; what was said; and whether only some of the
        layer's features are asked for."""
        value = self._parameters.get(name)
        ask = value if isinstance(value, QgsProcessingFeatureSourceDefinition) else None
        if ask is None:
            layer = self._algorithm.parameterAsVectorLayer(self._parameters, name, self._context)
        else:
            value = ask.source.staticValue()
            layer = QgsProcessingUtils.mapLayerFromString(str(value), self._context)
        part = ask is not None and (
            ask.selectedFeaturesOnly or getattr(ask, "featureLimit", -1) >= 0 or getattr(ask, "filterExpression", "")
        )
        return layer if isinstance(layer, QgsVectorLayer) else None, str(value), bool(part)

    def result(self, name: str) -> tuple[str, list[str]]:
        """The GeoPackage of a result, whichever of its layers was chosen, and the parcels that are asked for: those of
        the features that a filter or a selection leaves; none for all."""
        layer, value, part = self._asked(name)
        if layer is None:
            return value.split("|")[0], []
        if layer.providerType() != "ogr":
            raise QgsProcessingException(
                f"{layer.name()}: this layer is a copy without the rest of its result, so choose the layer of the "
                "result's own file."
            )
        path = layer.source().split("|")[0]
        if not part and not layer.subsetString():
            return path, []
        source = self._algorithm.parameterAsSource(self._parameters, name, self._context)
        column = source.fields().lookupField("parcel_id")
        if column < 0:
            raise QgsProcessingException(
                f"{layer.name()}: it has no column 'parcel_id', so choose the zones of a result of 'Screen parcels'."
            )
        ids = sorted({str(feature.attribute(column)) for feature in source.getFeatures()})
        if not ids:
            raise QgsProcessingException(
                f"{layer.name()}: no zone is left by its filter or selection, so select some, or untick 'Selected "
                "features only'."
            )
        return path, ids

    def _exported(self, name: str) -> str:
        source = self._algorithm.parameterAsSource(self._parameters, name, self._context)
        path = QgsProcessingUtils.generateTempFilename(f"{name.lower()}.gpkg")
        self._layers[path] = source.sourceName()
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
            writer.addFeature(copy, QgsFeatureSink.Flag.FastInsert)
        told = writer.errorMessage()
        del writer
        if told:
            raise QgsProcessingException(f"{source.sourceName()}: the layer cannot be saved for slopekit ({told}).")
        return path


def refuse_open(path: str) -> None:
    """Say before the work that a file cannot be replaced since a program has it open. Windows moves none that is, not
    even to its own name."""
    if os.path.isfile(path):
        try:
            os.replace(path, path)
        except OSError as error:
            raise QgsProcessingException(
                f"{path}: this file is open in another program ({error.strerror}), so close it there or give the "
                "result another name."
            ) from error


def as_on_disk(layer: QgsVectorLayer) -> bool:
    """Whether a layer's file says all that the layer says."""
    if layer.providerType() != "ogr" or layer.subsetString() or layer.isModified():
        return False
    fields = layer.fields()
    own = all(fields.fieldOrigin(number) == QgsFields.FieldOrigin.OriginProvider for number in range(fields.count()))
    return own and layer.crs() == layer.dataProvider().crs()


def file_of(layer: QgsVectorLayer) -> str:
    """A layer's file, as FILE|layername=NAME where the file may hold several."""
    path = layer.source().split("|")[0]
    name = QgsProviderRegistry.instance().decodeUri("ogr", layer.source()).get("layerName")
    return f"{path}|layername={name}" if name else path
