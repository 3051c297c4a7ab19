"""Open a result's lot.qgz in QGIS, without a screen, and draw it whole and group by group.

Run by the system's Python, which has the QGIS bindings: `open_project_in_qgis.py RESULT FOLDER`. Prints one
JSON object: what QGIS found, the share of pixels drawn, and all messages it logged. Also loads each style of
sld/ over its layer and draws that.
"""

import json
import os
import sys

from qgis.core import (
    QgsApplication,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProject,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor

SIZE, GROUNDS = (1100, 700), {"white": "#ffffff", "dark": "#4d5a4a"}


def share(layers: list, extent, crs, ground: str, path: str, labels: dict | None = None) -> float:
    """Draw layers over a plain ground and return the share of pixels that differ from it.

    `labels` takes how many labels were placed a layer, and how many pairs of them overlap.
    """
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setBackgroundColor(QColor(ground))
    settings.setOutputSize(QSize(*SIZE))
    settings.setOutputDpi(96)
    settings.setDestinationCrs(crs)
    settings.setExtent(extent)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    if labels is not None:
        placed = job.takeLabelingResults().labelsWithinRect(extent)
        for name in {layer.name() for layer in layers}:
            labels[name] = sum(project_name(label.layerID) == name for label in placed)
        boxes = [label.labelGeometry.buffer(-0.05 * label.height, 2) for label in placed]
        labels["overlaps"] = sum(a.intersects(b) for i, a in enumerate(boxes) for b in boxes[:i])
    image, plain = job.renderedImage(), QColor(ground).rgb()
    image.save(path)
    seen = [image.pixel(x, y) != plain for x in range(0, SIZE[0], 2) for y in range(0, SIZE[1], 2)]
    return sum(seen) / len(seen)


def project_name(identity: str) -> str:
    """Name of a layer of the project."""
    return QgsProject.instance().mapLayer(identity).name()


def styled(result: str, name: str) -> list:
    """Load a style for servers over its layer: what QGIS says, and how many rules and symbol layers it has."""
    layer = QgsVectorLayer(f"{result}/lot.gpkg|layername={name}", name, "ogr")
    words, done = layer.loadSldStyle(f"{result}/sld/{name}.sld")
    renderer = layer.renderer()
    rules = renderer.rootRule().children() if renderer.type() == "RuleRenderer" else []
    symbols = [rule.symbol() for rule in rules if rule.symbol()] or [renderer.symbol()]
    return [done, words, len(rules), [symbol.symbolLayerCount() for symbol in symbols], layer]


def main(result: str, folder: str) -> None:
    """Open, look, draw, print."""
    application = QgsApplication([], False)
    application.initQgis()
    messages: list[str] = []
    application.messageLog().messageReceived.connect(lambda text, tag, _: messages.append(f"{tag}: {text}"))
    project = QgsProject.instance()
    is_read = project.read(f"{result}/lot.qgz")
    tree, crs, extent = project.layerTreeRoot(), project.crs(), project.viewSettings().defaultViewExtent()
    shown = [n.layer() for n in tree.findLayers() if n.isVisible() and n.layer().isSpatial()]
    groups = {
        g.name(): [n.layer() for n in g.findLayers() if n.layer().isSpatial()] for g in tree.findGroups()
    }
    names = [table[:-4] for table in sorted(os.listdir(f"{result}/sld")) if table != "temperature.sld"]
    styles = {name: styled(result, name) for name in names}
    labels: dict = {}
    report = {
        "read": is_read,
        "crs": crs.authid(),
        "crs_valid": crs.isValid(),
        "title": project.title(),
        "order": [node.layer().name() for node in tree.findLayers()],
        "valid": {layer.name(): layer.isValid() for layer in project.mapLayers().values()},
        "read_only": {
            lay.name(): lay.readOnly() for lay in project.mapLayers().values() if hasattr(lay, "readOnly")
        },
        "sources": [layer.source() for layer in project.mapLayers().values()],
        "styled": {
            lay.name(): lay.mapTipTemplate() != "" for lay in shown if isinstance(lay, QgsVectorLayer)
        },
        "whole": {n: share(shown, extent, crs, g, f"{folder}/{n}.png", labels) for n, g in GROUNDS.items()},
        "labels": labels,
        "groups": {
            name: share(layers, extent, crs, "#ffffff", f"{folder}/group_{i}.png")
            for i, (name, layers) in enumerate(groups.items())
            if layers
        },
        "sld": {name: entry[:-1] for name, entry in styles.items()},
        "sld_drawn": {
            name: share([entry[-1]], extent, crs, "#ffffff", f"{folder}/sld_{name}.png")
            for name, entry in styles.items()
        },
        "messages": messages,
    }
    print(json.dumps(report), flush=True)
    os._exit(0)  # leaving QGIS in order crashes without a screen


main(sys.argv[1], sys.argv[2])
