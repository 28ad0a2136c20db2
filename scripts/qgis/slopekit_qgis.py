"""What the slopekit algorithms share on the side of QGIS: how one runs, and how its result is loaded.

It holds no algorithm: Processing takes the first one that it finds in a script's own names, so the scripts import this
module whole and mix `Algorithm` into theirs.
"""

from __future__ import annotations

import contextlib
import json
import os
import shlex
import sqlite3
from collections.abc import Callable, Iterable
from typing import Any

import qgis.utils
import slopekit_child as child
from qgis.core import (
    QgsLayerTreeGroup,
    QgsLayerTreeLayer,
    QgsMapLayer,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingLayerPostProcessorInterface,
    QgsProcessingOutputString,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterString,
    QgsProcessingUtils,
)
from qgis.PyQt.QtCore import QCoreApplication, QThread, QUrl
from qgis.PyQt.QtGui import QDesktopServices
from slopekit_given import Given

# What slopekit itself knows of inputs and layers, as scripts/write_registry.py wrote it down.
with open(os.path.join(os.path.dirname(__file__), "slopekit_registry.json"), encoding="utf-8") as _file:
    REGISTRY: dict[str, Any] = json.load(_file)

LAYER_NAMES: dict[str, str] = REGISTRY["layers"]
"""Titles by layer, from the top of the layer tree down."""
_RANK = {title: number for number, title in enumerate(LAYER_NAMES.values())}
"""Places of layers by title, from the top down."""
_ALWAYS = ("zones", "parcels", "run_notes")
_FIRST = _RANK[LAYER_NAMES["zones"]]
_PLACE = "slopekit/place"
"""Where a layer keeps its place, whatever the user or the settings of QGIS call it."""


class Algorithm:
    """Mixed into a QgsProcessingAlgorithm: runs one slopekit command and loads what it wrote.

    A script gives NAME, TITLE, HELP, `parameters_here` and `words`.
    """

    NAME = TITLE = HELP = ""
    TAGS: tuple[str, ...] = ()
    """Words by which the toolbox finds it, beside those of its title."""
    PAGE = ""
    """The page that the help button opens, as NAME or NAME#PART."""
    TABLE = ""
    """Parameter of the file whose layers are loaded, where there is one."""
    SHOWN = ""
    """Parameter of the file that the system's own program opens, where there is one."""
    JUDGED: tuple[str, ...] = ()
    """Parameters whose files slopekit judges: it says in one sentence what is wrong with them."""
    TOLD = ""
    """What the text is that slopekit prints, where this is the answer and goes to the file OUTPUT."""
    DONE_CODES = (0,)
    """Exit codes of slopekit with which the result is there."""
    parameters_here: Callable[[], Iterable[QgsProcessingParameterDefinition]]
    """The parameters of this algorithm."""
    words: Callable[[Given], list[str]]
    """The command line of slopekit; called in the main thread, where layers may be touched."""

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

    def tags(self) -> list[str]:
        return ["slopekit", "slope", "mowing", *self.TAGS]

    def helpUrl(self) -> str:
        name, _, part = self.PAGE.partition("#")
        # 'slopekit qgis install' lays the pages there.
        file = os.path.join(os.path.dirname(__file__), "help", f"{name}.html")
        url = QUrl.fromLocalFile(file)
        url.setFragment(part)
        return bytes(url.toEncoded()).decode() if os.path.isfile(file) else ""

    def createInstance(self) -> Any:
        return type(self)()

    def finished(self, printed: str, context: QgsProcessingContext) -> dict[str, Any]:
        """What the algorithm gives beside its files, from what slopekit printed."""
        return self._given.write_told("OUTPUT", printed) if self.TOLD else {}

    def initAlgorithm(self, configuration: Any = None) -> None:
        for parameter in self.parameters_here():
            self.addParameter(parameter)
        if self.TOLD:
            self.addOutput(QgsProcessingOutputString("TEXT", self.TOLD))
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
        if self.TOLD:
            self._given.told("OUTPUT")
        return True

    def processAlgorithm(
        self, parameters: dict[str, Any], context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> dict[str, Any]:
        seen = self._given.seen
        ears = child.Ears(
            lambda line: feedback.pushInfo(seen(line)),
            lambda line: feedback.pushWarning(seen(line)),
            feedback.setProgress,
            lambda: cancelled(feedback),
        )
        files = self._given.files
        try:
            home = child.find_home(self._given.text("SLOPEKIT"), os.environ, os.path.dirname(__file__))
            feedback.pushCommandInfo("slopekit " + shlex.join(self._words))
            printed = seen(child.run_slopekit(self._words, home, ears, list(files.values()), self.DONE_CODES))
        except child.Failed as error:
            raise QgsProcessingException(seen(str(error))) from error
        except child.Cancelled as error:
            raise QgsProcessingException("Stopped before the end: nothing was written.") from error
        feedback.pushConsoleInfo(printed)
        if self.TABLE in files and self._given.yes("LOAD"):
            load_package(files[self.TABLE], context)
        return {**files, **self.finished(printed, context)}

    def postProcessAlgorithm(self, context: QgsProcessingContext, feedback: QgsProcessingFeedback) -> dict[str, Any]:
        # Without a window nobody looks.
        if self.SHOWN and self._given.yes("SHOW") and qgis.utils.iface is not None:
            QDesktopServices.openUrl(QUrl.fromLocalFile(self._given.files[self.SHOWN]))
        return {}


def cancelled(feedback: QgsProcessingFeedback) -> bool:
    """Whether the user stopped the work. Batches run in the main thread, where the button must be heard first."""
    if QThread.currentThread() == QCoreApplication.instance().thread():
        QCoreApplication.processEvents()
    return feedback.isCanceled()


def explained(parameter: QgsProcessingParameterDefinition, words: str) -> QgsProcessingParameterDefinition:
    """The parameter with its help."""
    parameter.setHelp(words)
    return parameter


def advanced(parameter: QgsProcessingParameterDefinition) -> QgsProcessingParameterDefinition:
    """The parameter, shown only on demand."""
    parameter.setFlags(parameter.flags() | QgsProcessingParameterDefinition.Flag.FlagAdvanced)
    return parameter


def layers_in(path: str) -> dict[str, str]:
    """The layers of a result that are worth showing, from the top of the layer tree down, and their tables in the file.

    Where QGIS packaged them, tables are called by the titles of the layers.
    """
    with contextlib.closing(sqlite3.connect(path)) as db:
        there = {str(row[0]) for row in db.execute("SELECT table_name FROM gpkg_contents")}
        called = {name: name if name in there else title for name, title in LAYER_NAMES.items()}
        return {
            name: table
            for name, table in called.items()
            if table in there and (name in _ALWAYS or db.execute(f'SELECT 1 FROM "{table}" LIMIT 1').fetchone())
        }


def load_package(path: str, context: QgsProcessingContext, group: str = "") -> None:
    """Have the layers of a result loaded when the work is over, in a group of their own, with their own styles."""
    group = group or f"slopekit: {os.path.splitext(os.path.basename(path))[0]}"
    for layer, table in layers_in(path).items():
        details = QgsProcessingContext.LayerDetails(LAYER_NAMES[layer], context.project(), layer)
        _load(f"{path}|layername={table}", details, context, group)


def load_raster(path: str, title: str, context: QgsProcessingContext, group: str) -> None:
    """Have a raster loaded below the layers of a group."""
    kind = QgsProcessingUtils.LayerHint.Raster
    _load(path, QgsProcessingContext.LayerDetails(title, context.project(), "", kind), context, group)


def _load(source: str, details: QgsProcessingContext.LayerDetails, context: QgsProcessingContext, group: str) -> None:
    if context.project() is None:
        return
    dresser = _Dresser(group, _RANK.get(details.name, len(_RANK)))
    _DRESSERS.append(dresser)
    details.setPostProcessor(dresser)
    context.addLayerToLoadOnCompletion(source, details)


class _Dresser(QgsProcessingLayerPostProcessorInterface):
    """Gives a loaded layer the style from its file, which Processing leaves out, and its place in a group."""

    def __init__(self, group: str, place: int) -> None:
        super().__init__()
        self._group, self._place = group, place

    def postProcessLayer(
        self, layer: QgsMapLayer, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> None:
        # Not there before Processing is.
        from processing.core.ProcessingConfig import ProcessingConfig

        project = context.project()
        if self._place == _FIRST:
            # Those that the new result has no rows for are not among its layers, and would go on to show the old.
            path = layer.source().partition("|")[0]
            for one in project.mapLayers().values():
                if one.source().partition("|")[0] == path:
                    one.reload()
        # One that was loaded before would go on to show the file that this one replaced.
        layer.reload()
        layer.loadDefaultStyle()
        layer.setCustomProperty(_PLACE, self._place)
        root = project.layerTreeRoot()
        kept = ProcessingConfig.getSetting(ProcessingConfig.RESULTS_GROUP_NAME)
        within = (root.findGroup(kept) if kept else None) or root
        _put(root.findLayer(layer.id()), within.findGroup(self._group) or within.insertGroup(0, self._group))


def _put(node: QgsLayerTreeLayer, group: QgsLayerTreeGroup) -> None:
    """Move a layer into a group, beneath those that belong above it, also among layers of an earlier run.

    QGIS itself groups and sorts since 3.32 only, and what a second run adds comes to the top.
    """
    places = [
        (number, int(one.layer().customProperty(_PLACE, -1)))
        for number, one in enumerate(group.children())
        if isinstance(one, QgsLayerTreeLayer) and one.layer() is not None and one.layerId() != node.layerId()
    ]
    own = int(node.layer().customProperty(_PLACE))
    above = [number for number, place in places if 0 <= place <= own]
    beneath = [number for number, place in places if place > own]
    group.insertChildNode(above[-1] + 1 if above else min(beneath, default=0), node.clone())
    node.parent().removeChildNode(node)


# QGIS does not keep them alive.
_DRESSERS: list[_Dresser] = []
