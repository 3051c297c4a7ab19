"""Open every layer of a GeoPackage in QGIS, without a screen, and draw it with its default style.

Run by the system's Python, which has the QGIS bindings: `draw_in_qgis.py LOT.gpkg FOLDER LAYERS`, the
last a JSON list. Prints one JSON object: for each layer what QGIS found, and all messages it logged.
"""

import json
import os
import sys

from qgis.core import (
    QgsApplication,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor


def draw(layers: list, extent, path: str) -> int:
    """Draw layers over an extent and return how many pixels are not white."""
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setBackgroundColor(QColor("white"))
    settings.setOutputSize(QSize(1100, 700))
    settings.setOutputDpi(96)
    settings.setDestinationCrs(layers[0].crs())
    settings.setExtent(extent)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    image = job.renderedImage()
    image.save(path)
    white = QColor("white").rgb()
    return sum(image.pixel(x, y) != white for x in range(0, 1100, 3) for y in range(0, 700, 3))


def main(package: str, folder: str, names: list) -> None:
    """Draw each layer of `package` into `folder`, as a whole and close up."""
    application = QgsApplication([], False)
    application.initQgis()
    messages: list[str] = []
    application.messageLog().messageReceived.connect(
        lambda text, tag, level: messages.append(f"{tag}: {text}")
    )
    report = {}
    for name in names:
        layer = QgsVectorLayer(f"{package}|layername={name}", name, "ogr")
        text, found = layer.loadDefaultStyle()
        box = layer.extent()
        whole = box.buffered(0.05 * max(box.width(), box.height()))
        middle = next(layer.getFeatures()).geometry().centroid().asPoint()
        close = QgsRectangle(middle.x() - 55, middle.y() - 35, middle.x() + 55, middle.y() + 35)
        report[name] = {
            "valid": layer.isValid(),
            "features": layer.featureCount(),
            "crs": layer.crs().isValid(),
            "default_style": found,
            "message": text,
            "renderer": layer.renderer().type(),
            "labels": layer.labelsEnabled(),
            "aliases": [layer.attributeAlias(i) for i in range(layer.fields().count())],
            "map_tip": layer.mapTipTemplate(),
            "widgets": [layer.editorWidgetSetup(i).type() for i in range(layer.fields().count())],
            "drawn": draw([layer], whole, f"{folder}/{name}.png"),
            "close": draw([layer], close, f"{folder}/{name}_close.png"),
        }
    print(json.dumps({"layers": report, "messages": messages}), flush=True)
    os._exit(0)  # leaving QGIS in order crashes without a screen


main(sys.argv[1], sys.argv[2], json.loads(sys.argv[3]))
