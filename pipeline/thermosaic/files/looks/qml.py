"""A look as QGIS reads it: renderer, labels, field aliases and map tip of a layer, as QML.

Written by hand and small; both the older `<prop>` and the newer `<Option>` spelling of every property, so
that QGIS 3.22 and later read them. Not done here: what a layer looks like.
"""

from __future__ import annotations

from html import escape
from xml.sax.saxutils import quoteattr

from .symbols import Label, Look, Rule, SymbolLayer, rgba

VERSION = "3.22.16"
HEADER = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
LABEL_ROTATION, LABEL_QUADRANT = "LabelRotation", "OffsetQuad"

# along a ring that runs by the clock, above the line is outside the polygon
_CLOCKWISE_RING = (
    'geometryGenerator="boundary(force_rhr($geometry))" geometryGeneratorEnabled="1" '
    'geometryGeneratorType="LineGeometry"'
)


def document(content: str, attributes: str) -> str:
    """Make a style of its own of what stands in a layer."""
    return (
        f'{HEADER}<qgis version="{VERSION}" styleCategories="Symbology|Labeling|Fields|MapTips" '
        f"{attributes}>{content}</qgis>"
    )


def attributes(look: Look) -> str:
    """XML attributes of the element that holds a layer's style."""
    return f'labelsEnabled="{int(look.label is not None)}"'


def content(look: Look, aliases: list[tuple[str, str]], map_tip: str) -> str:
    """XML elements of a layer's style.

    Parameters
    ----------
    aliases : list of (field, alias)
        In the order of the fields, without the identifier before them.
    map_tip : str
        HTML shown when the pointer rests on a feature.
    """
    names = "".join(
        f"<alias field={quoteattr(name)} index={quoteattr(str(i))} name={quoteattr(alias)}/>"
        for i, (name, alias) in enumerate(aliases, start=1)
    )
    label = "" if look.label is None else _label(look.label)
    return f"{_renderer(look)}{label}<aliases>{names}</aliases><mapTip>{escape(map_tip)}</mapTip>"


def _renderer(look: Look) -> str:
    kind = {"one": "singleSymbol", "value": "categorizedSymbol", "range": "graduatedSymbol"}[look.by]
    by = f" attr={quoteattr(look.column)}" if look.column else ""
    method = ' graduatedMethod="GraduatedColor"' if look.by == "range" else ""
    legend = {"one": _no_legend, "value": _categories, "range": _ranges}[look.by](look.rules)
    symbols = "".join(_symbol(str(i), look.shape, rule.layers) for i, rule in enumerate(look.rules))
    return (
        f'<renderer-v2 type="{kind}"{by}{method} symbollevels="0" enableorderby="0" forceraster="0">{legend}'
        f"<symbols>{symbols}</symbols></renderer-v2>"
    )


def _no_legend(rules: tuple[Rule, ...]) -> str:
    return ""


def _categories(rules: tuple[Rule, ...]) -> str:
    """One entry a value; an empty value stands for all others."""
    entries = "".join(
        f'<category value={quoteattr(rule.value)} symbol="{i}" label={quoteattr(rule.label)} render="true"/>'
        for i, rule in enumerate(rules)
    )
    return f"<categories>{entries}</categories>"


def _ranges(rules: tuple[Rule, ...]) -> str:
    entries = "".join(
        f'<range lower="{rule.lower}" upper="{rule.upper}" symbol="{i}" label={quoteattr(rule.label)} '
        'render="true"/>'
        for i, rule in enumerate(rules)
    )
    return f"<ranges>{entries}</ranges>"


def _symbol(name: str, kind: str, layers: tuple[SymbolLayer, ...]) -> str:
    inner = "".join(_symbol_layer(layer, f"{name}@{i}") for i, layer in enumerate(layers))
    return f'<symbol type="{kind}" name="{name}" alpha="1" clip_to_extent="1" force_rhr="0">{inner}</symbol>'


def _symbol_layer(layer: SymbolLayer, path: str) -> str:
    properties = {k: str(v) for k, v in layer.properties.items()}
    options = "".join(
        f'<Option type="QString" name={quoteattr(k)} value={quoteattr(v)}/>' for k, v in properties.items()
    )
    props = "".join(f"<prop k={quoteattr(k)} v={quoteattr(v)}/>" for k, v in properties.items())
    defined = _from_columns("data_defined_properties", layer.from_column) if layer.from_column else ""
    sub = "" if layer.sub is None else _symbol(f"@{path}", layer.sub[0], layer.sub[1])
    return (
        f'<layer class="{layer.kind}" enabled="1" pass="0" locked="0"><Option type="Map">{options}</Option>'
        f"{props}{defined}{sub}</layer>"
    )


def _from_columns(element: str, expressions: dict[str, str]) -> str:
    """Properties that an expression gives for each feature."""
    entries = "".join(
        f'<Option type="Map" name="{name}"><Option type="bool" name="active" value="true"/>'
        '<Option type="int" name="type" value="3"/>'
        f'<Option type="QString" name="expression" value={quoteattr(expression)}/></Option>'
        for name, expression in expressions.items()
    )
    return (
        f'<{element}><Option type="Map"><Option type="QString" name="name" value=""/>'
        f'<Option type="Map" name="properties">{entries}</Option>'
        f'<Option type="QString" name="type" value="collection"/></Option></{element}>'
    )


def _label(label: Label) -> str:
    """Labels with a white halo; one without room is left out, the one of lower priority first."""
    placement = {
        "inside": 'placement="4" centroidWhole="0" fitInPolygonOnly="0"',
        "edge": f'placement="2" placementFlags="2" dist="0.7" distUnits="MM" {_CLOCKWISE_RING}',
        "around": 'placement="0" dist="3.2" distUnits="MM" centroidInside="1"',
        "tick": 'placement="1" quadOffset="5" dist="0" xOffset="0" yOffset="0" offsetUnits="MM"',
    }[label.place]
    defined = _turned(label.azimuth) if label.place == "tick" else ""
    return (
        f'<labeling type="simple"><settings calloutType="simple"><text-style isExpression="1" '
        f'fieldName={quoteattr(label.expression)} fontFamily="DejaVu Sans" fontSize="{label.size_pt}" '
        f'fontSizeUnit="Point" textColor="{rgba(label.colour)}" textOpacity="1" namedStyle="Book">'
        '<text-buffer bufferDraw="1" bufferSize="0.8" bufferSizeUnits="MM" '
        'bufferColor="255,255,255,255" bufferOpacity="0.85"/></text-style>'
        f'<placement {placement} priority="{label.priority}"/><rendering scaleVisibility="1" '
        f'scaleMin="1" scaleMax="{label.smallest_scale}" obstacle="{int(label.place == "edge")}" '
        'obstacleFactor="1" obstacleType="0" displayAll="0" drawLabels="1"/>'
        f"{defined}</settings></labeling>"
    )


def _turned(azimuth: str) -> str:
    """Write a label across the line of stations, to the left looking upstation, never upside down."""
    heading = f"(({azimuth} + 270) % 360)"  # of a text that runs to the left
    east = f"{heading} < 180"
    return _from_columns(
        "dd_properties",
        {
            LABEL_ROTATION: f"if({east}, {heading} - 90, {heading} - 270)",
            LABEL_QUADRANT: f"if({east}, 5, 3)",
        },
    )
