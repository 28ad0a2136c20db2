"""What the slopekit algorithms share on the side of QGIS: parameters to words, layers to files, results to layers.

It holds no algorithm: Processing takes the first one that it finds in a script's own names, so the scripts import this
module whole and mix `Algorithm` into theirs.
"""

from __future__ import annotations

import contextlib
import html
import os
import shlex
import sqlite3
from collections.abc import Iterable, Mapping
from typing import Any

import slopekit_child as child
from qgis.core import (
    QgsFeature,
    QgsFeatureSink,
    QgsField,
    QgsFields,
    QgsMapLayer,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingFeedback,
    QgsProcessingLayerPostProcessorInterface,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterString,
    QgsProcessingUtils,
    QgsProviderRegistry,
    QgsRasterLayer,
    QgsVectorFileWriter,
    QgsVectorLayer,
)

# From the top of the layer tree down. The words are those of the legend.
LAYER_NAMES = {
    "starts": "Starts of the first pass",
    "directions": "First passes",
    "passes": "Passes",
    "routes": "Ways in",
    "paths": "Ways down to hazards",
    "drops": "Drops",
    "corrections": "Corrections from the site",
    "failures": "Parcels that failed",
    "parcels": "Parcels",
    "berms": "Berms",
    "basins": "Basins",
    "water": "Water",
    "zones": "Zones: who may work where",
    "berm_sides": "Sides of berms",
    "basin_floors": "Floors of basins",
    "profiles": "Profiles of the ways down",
    "stage_storage": "Stage and storage",
    "run_notes": "Notes and cautions",
}
_RANK = {title: number for number, title in enumerate(LAYER_NAMES.values())}
_ALWAYS = ("zones", "parcels", "run_notes")


class Algorithm:
    """Mixed into a QgsProcessingAlgorithm: runs one slopekit command and loads what it wrote.

    A script gives NAME, TITLE, HELP, `parameters_here` and `words`.
    """

    NAME = TITLE = HELP = ""
    TABLE = ""
    """Parameter of the file whose layers are loaded, where there is one."""
    JUDGED: tuple[str, ...] = ()
    """Parameters whose files slopekit judges: it says in one sentence what is wrong with them."""
    DONE_CODES = (0,)
    """Exit codes of slopekit with which the result is there."""

    def name(self) -> str:
        return self.NAME

    def displayName(self) -> str:
        return self.TITLE

    def group(self) -> str:
        return "slopekit"

    def groupId(self) -> str:
        return "slopekit"

    def shortHelpString(self) -> str:
        return self.HELP

    def createInstance(self) -> Any:
        return type(self)()

    def parameters_here(self) -> Iterable[QgsProcessingParameterDefinition]:
        """The parameters of this algorithm."""
        raise NotImplementedError

    def words(self, given: Given) -> list[str]:
        """The command line of slopekit; called in the main thread, where layers may be touched."""
        raise NotImplementedError

    def finished(self, printed: str, context: QgsProcessingContext) -> dict[str, Any]:
        """What the algorithm gives beside its files, from what slopekit printed."""
        return {}

    def initAlgorithm(self, configuration: Any = None) -> None:
        for parameter in self.parameters_here():
            self.addParameter(parameter)
        where = QgsProcessingParameterString("SLOPEKIT", "Where slopekit lives", optional=True)
        self.addParameter(
            advanced(explained(where, "Python of slopekit's environment, or its folder. Empty: as it was installed."))
        )

    def checkParameterValues(self, parameters: dict[str, Any], context: QgsProcessingContext) -> tuple[bool, str]:
        # A file that QGIS cannot open is no reason to stop here: slopekit says what is wrong with it, and the fix.
        judged = {n: v for n, v in parameters.items() if n not in self.JUDGED or v in (None, "", [])}
        for definition in self.parameterDefinitions():
            name = definition.name()
            if name in self.JUDGED and name not in judged and name in parameters:
                continue
            if not definition.checkValueIsAcceptable(judged.get(name), context):
                shown = judged.get(name)
                told = "is missing" if shown in (None, "", []) else f"cannot be '{shown}'"
                return False, f"{definition.description()} {told}."
        return True, ""

    def prepareAlgorithm(
        self, parameters: dict[str, Any], context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> bool:
        self._given = Given(self, parameters, context)
        self._words = self.words(self._given)
        return True

    def processAlgorithm(
        self, parameters: dict[str, Any], context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> dict[str, Any]:
        ears = child.Ears(feedback.pushInfo, feedback.pushWarning, feedback.setProgress, feedback.isCanceled)
        files = self._given.files
        try:
            home = child.find_home(self._given.text("SLOPEKIT"), os.environ, os.path.dirname(__file__))
            feedback.pushCommandInfo("slopekit " + shlex.join(self._words))
            printed = child.run_slopekit(self._words, home, ears, list(files.values()), self.DONE_CODES)
        except child.Failed as error:
            raise QgsProcessingException(str(error)) from error
        except child.Cancelled as error:
            raise QgsProcessingException("Stopped before the end: nothing was written.") from error
        feedback.pushConsoleInfo(printed)
        if self.TABLE in files and self._given.yes("LOAD"):
            load_package(files[self.TABLE], context)
        return {**files, **self.finished(printed, context)}


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

    def rasters(self, name: str, folder: str) -> list[str]:
        """The elevation: files of the chosen layers, and a folder of tiles."""
        value = self._parameters.get(name)
        chosen = value if isinstance(value, (list, tuple)) else [value]
        found = [self._raster(one) for one in chosen if one not in (None, "")]
        tiles = self.text(folder).strip() if folder else ""
        if not found and not tiles:
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

    def pages(self, name: str) -> None:
        """Note a page that the algorithm itself will write."""
        self._page = self._algorithm.parameterAsFileOutput(self._parameters, name, self._context)

    def write_page(self, name: str, title: str, text: str) -> dict[str, Any]:
        """Write what slopekit printed as a page for the results viewer, and give it as text too."""
        words = html.escape(text)
        page = f"<!DOCTYPE html><meta charset='utf-8'><title>{html.escape(title)}</title><pre>{words}</pre>"
        try:
            with open(self._page, "w", encoding="utf-8") as file:
                file.write(page)
        except OSError as error:
            raise QgsProcessingException(f"{self._page}: the page cannot be written ({error.strerror}).") from error
        return {name: self._page, "TEXT": text}

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


def explained(parameter: QgsProcessingParameterDefinition, words: str) -> QgsProcessingParameterDefinition:
    """The parameter with its help."""
    parameter.setHelp(words)
    return parameter


def advanced(parameter: QgsProcessingParameterDefinition) -> QgsProcessingParameterDefinition:
    """The parameter, shown only on demand."""
    parameter.setFlags(parameter.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
    return parameter


def layers_in(path: str) -> list[str]:
    """The layers of a result that are worth showing, from the top of the layer tree down."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        there = {str(row[0]) for row in db.execute("SELECT table_name FROM gpkg_contents")}
        filled = [
            name
            for name in LAYER_NAMES
            if name in there and (name in _ALWAYS or db.execute(f'SELECT 1 FROM "{name}" LIMIT 1').fetchone())
        ]
    return filled


def load_package(path: str, context: QgsProcessingContext) -> None:
    """Have the layers of a result loaded when the work is over, in a group of their own, with their own styles."""
    project = context.project()
    if project is None:
        return
    group = f"slopekit: {os.path.splitext(os.path.basename(path))[0]}"
    for layer in layers_in(path):
        place = _RANK[LAYER_NAMES[layer]]
        details = QgsProcessingContext.LayerDetails(LAYER_NAMES[layer], project, layer)
        grouped = hasattr(details, "groupName")
        if grouped:
            details.groupName, details.layerSortKey = group, place
        dresser = _Dresser("" if grouped else group, place)
        _DRESSERS.append(dresser)
        details.setPostProcessor(dresser)
        context.addLayerToLoadOnCompletion(f"{path}|layername={layer}", details)


class _Dresser(QgsProcessingLayerPostProcessorInterface):
    """Gives a loaded layer the style from its file, which Processing leaves out, and its place in a group."""

    def __init__(self, group: str, place: int) -> None:
        super().__init__()
        self._group, self._place = group, place

    def postProcessLayer(
        self, layer: QgsMapLayer, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> None:
        layer.loadDefaultStyle()
        # Newer versions of QGIS group by themselves.
        if not self._group:
            return
        root = context.project().layerTreeRoot()
        group = root.findGroup(self._group) or root.insertGroup(0, self._group)
        node = root.findLayer(layer.id())
        above = [one for one in group.findLayers() if _RANK.get(one.name(), -1) < self._place]
        group.insertChildNode(len(above), node.clone())
        node.parent().removeChildNode(node)


# QGIS does not keep them alive.
_DRESSERS: list[_Dresser] = []
