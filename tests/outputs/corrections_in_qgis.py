"""Run by the Python of QGIS: what QGIS itself makes of a layer of the template, as JSON. Arguments: file, layer."""

import json
import os
import sys

from qgis.core import QgsApplication, QgsFieldConstraints, QgsVectorLayer

said = []
app = QgsApplication([], False)
app.initQgis()
app.messageLog().messageReceived.connect(lambda text, tag, level: said.append(f"{tag}: {text}"))
layer = QgsVectorLayer(f"{sys.argv[1]}|layername={sys.argv[2]}", "layer", "ogr")
renderer = layer.renderer()
fields = {}
for number, field in enumerate(layer.fields()):
    widget = layer.editorWidgetSetup(number)
    default = layer.dataProvider().defaultValue(number)
    fields[field.name()] = {
        "type": field.typeName(),
        "widget": widget.type(),
        "config": widget.config(),
        "alias": layer.attributeAlias(number),
        "default": default if isinstance(default, str) else None,
        "needed": bool(layer.fieldConstraints(number) & QgsFieldConstraints.ConstraintNotNull),
    }
rules = [
    {
        "label": rule.label(),
        "filter": rule.filterExpression(),
        "else": rule.isElse(),
        "layers": [part.layerType() for part in rule.symbol().symbolLayers()],
    }
    for rule in (renderer.rootRule().children() if renderer.type() == "RuleRenderer" else [])
]
print(
    json.dumps({"valid": layer.isValid(), "crs": layer.crs().authid(), "said": said, "fields": fields, "rules": rules})
)
sys.stdout.flush()
# Taking QGIS down inside Python can crash after the answer is out.
os._exit(0)
