"""Run by the Python of QGIS: finds out one thing and prints it as JSON. Arguments: what, and what is given as JSON."""

import json
import os
import sys
import threading

from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureRequest,
    QgsField,
    QgsGeometry,
    QgsLayoutExporter,
    QgsLayoutItem,
    QgsLayoutItemMap,
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
    QgsVectorLayerUtils,
    QgsWkbTypes,
)
from qgis.gui import QgsGui, QgsProcessingGui
from qgis.PyQt.QtCore import QPointF, QSize, QSizeF, Qt, QTimer
from qgis.PyQt.QtGui import QColor, QImage, QPainter
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
    id_ = name if ":" in name else f"script:slopekit_{name}"
    return QgsApplication.processingRegistry().createAlgorithmById(id_)


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


def all_given(cases):
    """What went wrong with each case that should run, and the parameters that the algorithm has."""
    told = []
    for name, values in cases:
        (said,) = fail({name: values}).values()
        made = algorithm(name)
        told.append([said, [one.name() for one in made.parameterDefinitions()]])
    return told


def wrong(cases):
    """What the form says of each case. A value {"memory": FILE, ...} is a layer of that name in memory, made of the
    features of a file."""
    said = []
    for name, values in cases:
        given = {}
        for key, value in values.items():
            if isinstance(value, dict):
                whole = QgsVectorLayer(value["memory"], "whole", "ogr")
                value_ = whole.materialize(QgsFeatureRequest().setFilterExpression(value.get("where", "TRUE")))
                value_.setName(value["name"])
                if "move" in value:
                    for feature in list(value_.getFeatures()):
                        shape = feature.geometry()
                        shape.translate(value["move"], 0.0)
                        value_.dataProvider().changeGeometryValues({feature.id(): shape})
                    value_.updateExtents()
                if value.get("crs") == "":
                    value_.setCrs(QgsCoordinateReferenceSystem())
                QgsProject.instance().addMapLayer(value_)
                value = value_.id()
            given[key] = value
        said.append(next(iter(fail({name: given}).values())))
    return said


def locked(path, cases):
    """What each algorithm says while another program has a file open, as Windows tells it, and whether slopekit ran."""
    import slopekit_child

    replace, start = os.replace, slopekit_child._start
    began = []

    def move(old, new):
        if path in (old, new):
            raise PermissionError(13, "Permission denied", old, None, new)
        replace(old, new)

    def started(*given):
        began.append(given)
        return start(*given)

    os.replace, slopekit_child._start = move, started
    return {"told": fail(cases), "began": len(began)}


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
    # Newer versions run it beside the window.
    while not dialog.runButton().isEnabled():
        QgsApplication.processEvents()
    return {"log": log.toPlainText()}


def parts(package, folder):
    """What a form hands on for the zones of one parcel, however these were told apart, and for copies of a result."""
    import processing
    import slopekit_given

    def zones(name, subset=""):
        layer = QgsVectorLayer(f"{package}|layername=zones", name, "ogr")
        layer.setSubsetString(subset)
        return layer

    filtered, picked, virtual = zones("filtered", "\"parcel_id\" = 'basin'"), zones("picked"), zones("virtual")
    picked.selectByExpression("\"parcel_id\" = 'terrace'")
    field = QgsField(virtual.fields().field("plan_m2"))
    field.setName("ha")
    virtual.addExpressionField('"plan_m2" / 10000', field)
    memory = filtered.materialize(QgsFeatureRequest())
    memory.setName("memory")
    nothing = zones("nothing", "\"parcel_id\" = 'nobody'")
    found = {}
    for layer in (zones("whole"), filtered, picked, virtual, memory, nothing):
        QgsProject.instance().addMapLayer(layer)
        value = QgsProcessingFeatureSourceDefinition(layer.id(), True) if layer is picked else layer.id()
        context = QgsProcessingContext()
        context.setProject(QgsProject.instance())
        try:
            found[layer.name()] = slopekit_given.Given(algorithm("hours"), {"ZONES": value}, context).result("ZONES")
        except Exception as error:
            found[layer.name()] = str(error)
    # As the toolbox packages what 'Screen parcels' has loaded.
    loaded = {}
    for name, title in titles().items():
        loaded[name] = QgsVectorLayer(f"{package}|layername={name}", title, "ogr")
        loaded[name].loadDefaultStyle()
    packed = os.path.join(folder, "packed.gpkg")
    processing.run("native:package", {"LAYERS": list(loaded.values()), "OUTPUT": packed, "SAVE_STYLES": True})
    return {"given": found, "packed": packed}


def titles():
    import slopekit_qgis

    return {name: title for name, title in slopekit_qgis.LAYER_NAMES.items() if name in (
        "zones", "parcels", "water", "drops", "run_notes")}  # fmt: skip


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


def loaded(values, again=(), name="screen"):
    """Run an algorithm as the toolbox does, and then with each of the values `again`: what is in the project then."""
    from processing.gui.Postprocessing import handleAlgorithmResults

    root = QgsProject.instance().layerTreeRoot()
    counts, orders = [], []
    for given in [values, *again]:
        _, ok, context, feedback = run(name, given)
        assert ok, feedback.heard
        assert handleAlgorithmResults(algorithm(name), context, feedback, parameters=given)
        shown = [node.layer() for node in root.findLayers() if node.name().startswith("Zones")]
        counts += [[zones.featureCount(), sum(1 for _ in zones.getFeatures())] for zones in shown]
        orders.append([node.name() for node in root.findLayers()])
    return {
        "said": SAID,
        "orders": orders,
        "rows": {
            node.layer().source().rpartition("layername=")[2]: node.layer().featureCount()
            for node in root.findLayers()
            if isinstance(node.layer(), QgsVectorLayer)
        },
        "counts": counts,
        "drawn": [layer.name() for layer in root.layerOrder()],
        "top": [node.name() for node in root.children()],
        "groups": {
            group.name(): [[node.name(), type(node.layer().renderer()).__name__ if node.layer().isSpatial() else ""]
                           for node in group.findLayers()]
            for group in root.findGroups()
        },
    }  # fmt: skip


def shown(tiles, sheets):
    """What is loaded of a table of tiles; what is opened of sheets without a window, in one, and where not wanted."""
    import qgis.utils
    import slopekit_qgis
    from processing.gui.Postprocessing import handleAlgorithmResults

    _, ok, context, feedback = run("tiles_find", tiles)
    assert ok, feedback.heard
    assert handleAlgorithmResults(algorithm("tiles_find"), context, feedback, parameters=tiles)
    layers = QgsProject.instance().mapLayers().values()
    opened = []

    class Desktop:
        @staticmethod
        def openUrl(url):
            opened[-1].append(url.toLocalFile())

    slopekit_qgis.QDesktopServices = Desktop
    for window, wanted in ((None, True), (app, True), (app, False)):
        qgis.utils.iface = window
        opened.append([])
        _, ok, _, feedback = run("sheets", {**sheets, "SHOW": wanted})
        assert ok, feedback.heard
    return {"said": SAID, "loaded": [[one.name(), one.featureCount()] for one in layers], "opened": opened}


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
            "aliases": {field.name(): field.alias() for field in layer.fields()}, "tip": layer.mapTipTemplate(),
            "display": layer.displayExpression(), "columns": columns_of(layer),
            "used": sorted(legend.get(key, "no legend entry") for key in used),
        }  # fmt: skip
    return found


def project(package, name, shape):
    """The project inside a GeoPackage as QGIS reads it, and what a form gives a feature that is drawn and saved."""
    SAID.clear()
    opened = QgsProject.instance()
    ok = opened.read(f"geopackage:{package}?projectName={name}")
    layers = {}
    for layer in opened.mapLayers().values():
        renderer = layer.renderer()
        layers[layer.source().partition("|layername=")[2]] = {
            "valid": layer.isValid(), "source": layer.source(), "name": layer.name(), "id": layer.id(),
            "crs": layer.crs().authid(), "features": layer.featureCount(), "labels": layer.labelsEnabled(),
            "legend": [item.label() for item in renderer.legendSymbolItems()] if renderer else [],
            "read_only": layer.readOnly(), "can_edit": layer.supportsEditing(),
        }  # fmt: skip
    places = {layer.source().partition("|layername=")[2]: layer for layer in opened.mapLayers().values()}
    drawn = places["corrections_areas"]
    number = drawn.fields().indexOf
    begun = drawn.startEditing()
    made = QgsVectorLayerUtils.createFeature(drawn, QgsGeometry.fromWkt(shape), {number("what"): "no-go"})
    return {
        "ok": ok, "error": opened.error(), "said": list(SAID), "crs": opened.crs().authid(), "layers": layers,
        "tree": [[group.name(), [node.name() for node in group.findLayers()]] for group in
                 opened.layerTreeRoot().findGroups()],
        "caution": opened.readEntry("CopyrightLabel", "/Label")[0],
        "caution_shown": opened.readBoolEntry("CopyrightLabel", "/Enabled")[0],
        "abstract": opened.metadata().abstract(),
        "widget": drawn.editorWidgetSetup(number("what")).type(),
        "begun": begun, "added": drawn.addFeature(made), "saved": drawn.commitChanges(),
    }  # fmt: skip


def stored(package, name):
    """How QGIS itself stores a project in a GeoPackage."""
    made = QgsProject()
    made.addMapLayer(QgsVectorLayer(f"{package}|layername=zones", "zones", "ogr"))
    return made.write(f"geopackage:{package}?projectName={name}")


def columns_of(layer):
    """The columns of the table, in the order in which it shows them."""
    config = layer.attributeTableConfig()
    config.update(layer.fields())
    return [column.name for column in config.columns() if not column.hidden]


def symbols(package, folder, symbols):
    """The symbol of one rule of each layer, drawn large on white."""
    found = {}
    for name, number in symbols.items():
        layer = QgsVectorLayer(f"{package}|layername={name}", name, "ogr")
        layer.loadDefaultStyle()
        symbol = layer.renderer().rootRule().children()[number].symbol()
        image = QImage(480, 160, QImage.Format.Format_RGB32)
        image.fill(Qt.GlobalColor.white)
        image.setDotsPerMeterX(11811)
        image.setDotsPerMeterY(11811)
        painter = QPainter(image)
        context = QgsRenderContext.fromQPainter(painter)
        if layer.geometryType() == QgsWkbTypes.GeometryType.PointGeometry:
            symbol.startRender(context)
            symbol.renderPoint(QPointF(240, 80), None, context)
            symbol.stopRender(context)
        else:
            symbol.drawPreviewIcon(painter, QSize(480, 160), context)
        painter.end()
        found[name] = os.path.join(folder, f"{name}.png")
        assert image.save(found[name])
    return found


def page(package, folder, scale):
    """The map of each page as pictures: all of the site without labels, and at a scale with zone numbers and not."""
    import slopekit_crew_map

    home = os.path.dirname(slopekit_crew_map.__file__)
    template = slopekit_crew_map.read_template(os.path.join(home, "slopekit_crew_map_a4.qpt"))
    project = QgsProject()
    printed = QgsPrintLayout(project)
    slopekit_crew_map.fill(printed, template, package, [])
    (item,) = (one for one in printed.items() if isinstance(one, QgsLayoutItemMap))
    (zones,) = (one for one in item.layers() if one.name().startswith("Zones") and one.labelsEnabled())
    atlas = printed.atlas()
    atlas.beginRender()
    found = {}
    while atlas.next():
        parcel = atlas.nameForPage(atlas.currentFeatureNumber())
        item.setScale(scale)
        numbered = drawn(item, [zones], os.path.join(folder, f"{parcel} numbered.png"))
        zones.setLabelsEnabled(False)
        bare = drawn(item, [zones], os.path.join(folder, f"{parcel} bare.png"))
        item.zoomToExtent(atlas.coverageLayer().extent())
        site = drawn(item, item.layers(), os.path.join(folder, f"{parcel} site.png"), labels=False)
        rims = [one for one in item.layers() if one.name().startswith("Basins")]
        basins = drawn(item, rims, os.path.join(folder, f"{parcel} basins.png"), labels=False)
        zones.setLabelsEnabled(True)
        found[parcel] = {"numbered": numbered, "bare": bare, "site": site, "basins": basins}
    atlas.endRender()
    return found


def drawn(item, layers, path, labels=True):
    size = QSizeF(item.rect().width(), item.rect().height()) * 8.0
    settings = item.mapSettings(item.extent(), size, 203, False)
    settings.setLayers(layers)
    settings.setFlag(QgsMapSettings.Flag.DrawLabeling, labels)
    # On white paper: what is faded is seen through.
    settings.setBackgroundColor(QColor(255, 255, 255))
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    assert job.renderedImage().save(path)
    shown = settings.visibleExtent()
    return {"path": path, "extent": [shown.xMinimum(), shown.yMinimum(), shown.xMaximum(), shown.yMaximum()]}


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


def shapes(files):
    """What QGIS makes of shapefiles by themselves: the class that each feature is drawn as, by id, and their titles."""
    found = {}
    for file in files:
        layer = QgsVectorLayer(file, "layer", "ogr")
        renderer = layer.renderer().clone()
        context = QgsRenderContext()
        renderer.startRender(context, layer.fields())
        legend = {item.ruleKey(): item.label() for item in renderer.legendSymbolItems()}
        drawn_as = {}
        for feature in layer.getFeatures():
            context.expressionContext().setFeature(feature)
            keys = renderer.legendKeysForFeature(feature, context)
            drawn_as[str(feature.attribute(1))] = sorted(legend[key] for key in keys if key in legend)
        renderer.stopRender(context)
        found[os.path.basename(file)] = {
            "kind": renderer.type(), "drawn": drawn_as, "labels": layer.labelsEnabled(),
            "aliases": {field.name(): field.alias() for field in layer.fields()}, "columns": columns_of(layer),
        }  # fmt: skip
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
    settings.setFlag(QgsMapSettings.Flag.Antialiasing, True)
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
        # A legend asks which symbols are on the map when it is drawn.
        QgsLayoutExporter(printed).renderPageToImage(0, QSize(594, 420))
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
                item.adjustBoxSize()
                model = item.model()
                one["entries"] = [node.name() for node in item.model().rootGroup().findLayers()]
                one["classes"] = [
                    str(symbol.data(Qt.ItemDataRole.DisplayRole))
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
    kinds = [
        QgsProcessingGui.WidgetType.Standard,
        QgsProcessingGui.WidgetType.Batch,
        QgsProcessingGui.WidgetType.Modeler,
    ]
    for name in names:
        made = algorithm(name)
        rows = {}
        for definition in made.parameterDefinitions():
            rows[definition.name()] = {
                "type": definition.type(), "label": definition.description(), "help": definition.help(),
                "result": definition.isDestination(),
                "advanced": bool(definition.flags() & definition.Flag.FlagAdvanced),
                "widgets": [
                    registry.createParameterWidgetWrapper(definition, kind) is not None
                    for kind in kinds
                ],
            }  # fmt: skip
        found[name] = {
            "help": made.shortHelpString(), "group": made.group(), "parameters": rows, "tags": made.tags(),
            "url": made.helpUrl(),
        }  # fmt: skip
    return found


if __name__ == "__main__":
    app = start()
    answer = globals()[sys.argv[1]](**json.loads(sys.argv[2]))
    print(MARK + json.dumps(answer))
    sys.stdout.flush()
    # Taking QGIS down inside Python can crash after the answer is out.
    os._exit(0)
