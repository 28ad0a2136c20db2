"""Run by the Python of QGIS: finds out one thing and prints it as JSON. Arguments: what, and what is given as JSON."""

import json
import os
import sys
import threading

from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsLayoutItem,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsPrintLayout,
    QgsProcessingContext,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingFeedback,
    QgsProcessingProvider,
    QgsProject,
    QgsRenderContext,
    QgsVectorLayer,
)
from qgis.gui import QgsGui, QgsProcessingGui
from qgis.PyQt.QtCore import QSize, Qt, QTimer
from qgis.PyQt.QtWidgets import QTextEdit

SAID = []
MARK = "\n"


def start():
    app = QgsApplication([], True)
    app.initQgis()
    sys.path.append(os.path.join(QgsApplication.pkgDataPath(), "python", "plugins"))
    app.messageLog().messageReceived.connect(lambda text, tag, level: SAID.append(f"{tag}: {text}"))
    from processing.core.Processing import Processing

    Processing.initialize()
    # What other plug-ins say while they start is not ours.
    SAID.clear()
    return app


def algorithm(name):
    return QgsApplication.processingRegistry().createAlgorithmById(f"script:slopekit_{name}")


class Listening(QgsProcessingFeedback):
    """Keeps what it is told, and can be cancelled when a word is heard."""

    def __init__(self, stop_at=None):
        super().__init__(False)
        self.heard = []
        self.stop_at = stop_at

    def _hear(self, text):
        self.heard.append(text)
        if self.stop_at and self.stop_at in text:
            threading.Timer(0.5, self.cancel).start()

    def pushInfo(self, text):
        self._hear(text)

    def pushWarning(self, text):
        self._hear(text)

    def reportError(self, text, fatalError=False):
        self._hear(f"ERROR {text}")


def run(name, values, feedback=None):
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    feedback = feedback or Listening()
    results, ok = algorithm(name).run(values, context, feedback)
    return results, ok, context, feedback


def fail(cases):
    told = {}
    for name, values in cases.items():
        feedback = Listening()
        try:
            _, ok, _, _ = run(name, values, feedback)
        except Exception as error:
            told[name] = str(error)
            continue
        errors = [text[len("ERROR ") :] for text in feedback.heard if text.startswith("ERROR ")]
        told[name] = "it did not fail" if ok else errors[-1]
    return told


def cancel(values, stop_at):
    feedback = Listening(stop_at)
    try:
        _, ok, _, _ = run("screen", values, feedback)
        told = "\n".join(feedback.heard)
    except Exception as error:
        ok, told = False, str(error)
    children = [
        pid
        for pid in os.listdir("/proc")
        if pid.isdigit() and _parent(pid) == os.getpid() and "slopekit" in _words(pid)
    ]
    return {"ok": ok, "told": told, "heard": feedback.heard, "children": children}


def batch(name, rows, stop_at):
    """Run the dialog for batches with these rows, and press Cancel when its log says `stop_at`, if that is given."""
    from processing.gui.BatchAlgorithmDialog import BatchAlgorithmDialog

    dialog = BatchAlgorithmDialog(algorithm(name))
    panel = dialog.mainWidget()
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    while panel.batchRowCount() < len(rows):
        panel.addRow()
    for number, row in enumerate(rows):
        for column, parameter in panel.column_to_parameter_definition.items():
            if parameter not in row:
                continue
            wrapper = panel.wrappers[number][column]
            if wrapper is None:
                panel.tblParameters.cellWidget(number + 1, column).setValue(row[parameter])
            elif hasattr(wrapper, "setParameterValue"):
                wrapper.setParameterValue(row[parameter], context)
            else:
                wrapper.setValue(row[parameter])
    dialog.show()
    log = dialog.findChild(QTextEdit, "txtLog")
    timer = QTimer()

    def look():
        if stop_at in log.toPlainText():
            timer.stop()
            dialog.cancelButton().click()

    if stop_at:
        timer.timeout.connect(look)
        timer.start(200)
    dialog.runAlgorithm()
    return {"log": log.toPlainText()}


def _parent(pid):
    try:
        with open(f"/proc/{pid}/stat") as file:
            return int(file.read().rpartition(")")[2].split()[1])
    except OSError:
        return 0


def _words(pid):
    try:
        with open(f"/proc/{pid}/cmdline") as file:
            return file.read()
    except OSError:
        return ""


def exported(parcels, crs):
    """What file the algorithm hands on for layers that only QGIS knows, with what stands in it."""
    import slopekit_given

    plain = QgsVectorLayer(parcels, "plain", "ogr")
    memory = QgsVectorLayer(f"MultiPolygon?crs={crs}&field=parcel_id:string&field=fid:integer", "memory", "memory")
    for source in plain.getFeatures():
        feature = QgsFeature(memory.fields())
        feature.setGeometry(source.geometry())
        # The same number twice: a file that took it for its key would lose a feature.
        feature.setAttributes([source["parcel_id"], 7])
        memory.dataProvider().addFeatures([feature])
    memory.updateExtents()
    filtered = QgsVectorLayer(parcels, "filtered", "ogr")
    filtered.setSubsetString("\"parcel_id\" = 'basin'")
    picked = QgsVectorLayer(parcels, "picked", "ogr")
    picked.selectByExpression("\"parcel_id\" = 'terrace'")
    edited = QgsVectorLayer(parcels, "edited", "ogr")
    edited.startEditing()
    edited.changeAttributeValue(next(edited.getFeatures()).id(), edited.fields().indexOf("parcel_id"), "changed")
    turned = QgsVectorLayer(parcels, "turned", "ogr")
    turned.setCrs(QgsCoordinateReferenceSystem("EPSG:25833"))
    found = {}
    for layer in (plain, memory, filtered, picked, edited, turned):
        QgsProject.instance().addMapLayer(layer)
        value = QgsProcessingFeatureSourceDefinition(layer.id(), True) if layer is picked else layer.id()
        chosen = algorithm("screen")
        context = QgsProcessingContext()
        context.setProject(QgsProject.instance())
        given = slopekit_given.Given(chosen, {"PARCELS": value}, context)
        _, file = given.vector("--parcels", "PARCELS")
        back = QgsVectorLayer(file, "back", "ogr")
        found[layer.name()] = {
            "file": file,
            "crs": back.crs().authid(),
            "ids": sorted(feature["parcel_id"] for feature in back.getFeatures()),
            "area": sum(feature.geometry().area() for feature in back.getFeatures()),
        }
    return found


def loaded(values, name="screen"):
    """Run an algorithm as the toolbox does, and tell what is in the project then."""
    from processing.gui.Postprocessing import handleAlgorithmResults

    _, ok, context, feedback = run(name, values)
    assert ok, feedback.heard
    assert handleAlgorithmResults(algorithm(name), context, feedback, parameters=values)
    root = QgsProject.instance().layerTreeRoot()
    return {
        "said": SAID,
        "top": [node.name() for node in root.children()],
        "groups": {
            group.name(): [[node.name(), type(node.layer().renderer()).__name__ if node.layer().isSpatial() else ""]
                           for node in group.findLayers()]
            for group in root.findGroups()
        },
    }  # fmt: skip


def styles(package, layers):
    """Each layer as QGIS opens it: valid, its own style as the default, its legend and its features' symbols."""
    found = {}
    for name in layers:
        SAID.clear()
        layer = QgsVectorLayer(f"{package}|layername={name}", name, "ogr")
        message, ok = layer.loadDefaultStyle()
        renderer = layer.renderer()
        context = QgsRenderContext()
        renderer.startRender(context, layer.fields())
        undrawn = 0
        used = set()
        for feature in layer.getFeatures():
            context.expressionContext().setFeature(feature)
            symbols = renderer.originalSymbolsForFeature(feature, context)
            undrawn += not symbols
            used |= renderer.legendKeysForFeature(feature, context) - {renderer.rootRule().ruleKey()}
        renderer.stopRender(context)
        legend = {item.ruleKey(): item.label() for item in renderer.legendSymbolItems()}
        found[name] = {
            "valid": layer.isValid(), "default": ok, "told": message, "said": list(SAID), "undrawn": undrawn,
            "features": layer.featureCount(), "legend": list(legend.values()), "labels": layer.labelsEnabled(),
            "used": sorted(legend.get(key, "no legend entry") for key in used),
        }  # fmt: skip
    return found


def style_files(package, files):
    """What comes of each style file that is put on its layer."""
    found = {}
    for file in files:
        name, end = os.path.basename(file).rsplit(".", 1)
        layer = QgsVectorLayer(f"{package}|layername={name}", name, "ogr")
        ok = (layer.loadNamedStyle if end == "qml" else layer.loadSldStyle)(file)[1]
        legend = [item.label() for item in layer.renderer().legendSymbolItems()]
        found.setdefault(name, {})[end] = {"ok": ok, "kind": layer.renderer().type(), "legend": legend}
    return found


def picture(package, layer, path, pixels):
    """Draw one layer without labels on white; gives the map's extent, to find places in the picture."""
    drawn = QgsVectorLayer(f"{package}|layername={layer}", layer, "ogr")
    drawn.loadDefaultStyle()
    drawn.setLabelsEnabled(False)
    settings = QgsMapSettings()
    settings.setLayers([drawn])
    settings.setDestinationCrs(drawn.crs())
    settings.setOutputSize(QSize(*pixels))
    settings.setExtent(drawn.extent())
    settings.setFlag(QgsMapSettings.Antialiasing, True)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    assert not job.errors(), [str(error.message) for error in job.errors()]
    job.renderedImage().save(path)
    shown = settings.visibleExtent()
    return [shown.xMinimum(), shown.yMinimum(), shown.xMaximum(), shown.yMaximum()]


def layout(package, page, notes):
    """What stands in each item of a crew map that was filled, page by page."""
    import slopekit_crew_map

    folder = os.path.dirname(slopekit_crew_map.__file__)
    template = slopekit_crew_map.read_template(os.path.join(folder, f"slopekit_crew_map_{page}.qpt"))
    project = QgsProject()
    printed = QgsPrintLayout(project)
    if notes:
        own = slopekit_crew_map.sentences
        slopekit_crew_map.sentences = lambda path: " ".join([own(path)] * notes)
    slopekit_crew_map.fill(printed, template, package, [])
    atlas = printed.atlas()
    atlas.beginRender()
    size = printed.pageCollection().page(0).pageSize()
    found = {"paper": [size.width(), size.height()], "pages": []}
    while atlas.next():
        printed.refresh()
        items = {}
        for item in printed.items():
            if not isinstance(item, QgsLayoutItem) or not item.id():
                continue
            box = item.sceneBoundingRect()
            one = {"box": [box.left(), box.top(), box.right(), box.bottom()]}
            if hasattr(item, "currentText"):
                one["text"] = item.currentText()
                one["points"] = item.font().pointSizeF()
            if item.id() == "legend":
                item.updateFilterByMap(False)
                item.adjustBoxSize()
                model = item.model()
                one["entries"] = [node.name() for node in item.model().rootGroup().findLayers()]
                one["classes"] = [
                    str(symbol.data(Qt.DisplayRole))
                    for node in model.rootGroup().findLayers()
                    for symbol in model.layerLegendNodes(node)
                ]
            if item.id() == "map":
                one["layers"] = [layer.name() for layer in item.layers()]
                one["scale"] = item.scale()
            if item.id() == "scale":
                one["metres"] = item.unitsPerSegment()
            if item.id() == "north":
                one["missing"] = item.isMissingImage()
            items[item.id()] = one
        found["pages"].append(items)
    atlas.endRender()
    return found


def provider(elevation, page):
    """The same classes in a provider of somebody's own."""
    import slopekit_inspect
    import slopekit_screen

    class Own(QgsProcessingProvider):
        def id(self):
            return "own"

        def name(self):
            return "Own"

        def loadAlgorithms(self):
            self.addAlgorithm(slopekit_inspect.SlopekitInspect())
            self.addAlgorithm(slopekit_screen.SlopekitScreen())

    own = Own()
    registry = QgsApplication.processingRegistry()
    registry.addProvider(own)
    made = registry.createAlgorithmById("own:slopekit_inspect")
    results, ok = made.run({"ELEVATION": [elevation], "OUTPUT": page}, QgsProcessingContext(), Listening())
    return {"ok": ok, "text": results["TEXT"], "ids": sorted(one.id() for one in own.algorithms())}


def parameters(names):
    """Help, widgets for single runs and for batches, and outputs of each algorithm."""
    found = {}
    registry = QgsGui.processingGuiRegistry()
    for name in names:
        made = algorithm(name)
        rows = {}
        for definition in made.parameterDefinitions():
            rows[definition.name()] = {
                "type": definition.type(), "label": definition.description(), "help": definition.help(),
                "advanced": bool(definition.flags() & definition.FlagAdvanced),
                "widgets": [
                    registry.createParameterWidgetWrapper(definition, kind) is not None
                    for kind in (QgsProcessingGui.Standard, QgsProcessingGui.Batch, QgsProcessingGui.Modeler)
                ],
            }  # fmt: skip
        found[name] = {"help": made.shortHelpString(), "group": made.group(), "parameters": rows}
    return found


if __name__ == "__main__":
    app = start()
    answer = globals()[sys.argv[1]](**json.loads(sys.argv[2]))
    print(MARK + json.dumps(answer))
    sys.stdout.flush()
    # Taking QGIS down inside Python can crash after the answer is out.
    os._exit(0)
