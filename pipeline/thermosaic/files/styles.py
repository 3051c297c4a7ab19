"""Default styles of the layers as QML: symbols, labels, field aliases with units, map tips.

Written by hand and small; both the older `<prop>` and the newer `<Option>` spelling of every property,
so that QGIS 3.22 and later read them. Colours are ColorBrewer's sequential schemes (Brewer 2003), one
hue a layer; classes also differ by hatching, so nothing is told by colour alone. Not done here: raster
styles, which sit beside each raster.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING
from xml.sax.saxutils import quoteattr

from ..tables import Table
from .dressing import deliver, delivered_name

if TYPE_CHECKING:
    from ..config import LotConfig

# ColorBrewer sequential schemes (Brewer 2003), light to dark
PURPLES = ("#f2f0f7", "#cbc9e2", "#9e9ac8", "#756bb1", "#54278f")
BLUES = ("#bdd7e7", "#6baed6", "#3182bd", "#08519c")
ORANGES = ("#fdbe85", "#fd8d3c", "#e6550d", "#a63603")
GREENS = ("#edf8e9", "#bae4b3", "#74c476", "#31a354", "#006d2c")
GREYS = ("#f7f7f7", "#cccccc", "#969696", "#636363", "#252525")
INK = "#252525"


@dataclass(frozen=True)
class Layer:
    """One symbol layer: QGIS class, properties, and the symbol layers of its sub-symbol (kind, layers)."""

    kind: str
    properties: dict[str, object]
    sub: tuple[str, tuple[Layer, ...]] | None = None


@dataclass(frozen=True)
class Rule:
    """One entry of a legend: label, symbol layers, and a value or a half-open range."""

    label: str
    layers: tuple[Layer, ...]
    value: str = ""
    lower: float = 0.0
    upper: float = 0.0


def _rgba(colour: str, alpha: int = 255) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{alpha}"


def fill(
    colour: str | None, outline: str | None = INK, width: float = 0.26, alpha: int = 255, dash: str = "solid"
) -> Layer:
    """A plain fill with an outline; None = no brush, no pen."""
    return Layer(
        "SimpleFill",
        {
            "color": _rgba(colour or "#ffffff", alpha if colour else 0),
            "style": "solid" if colour else "no",
            "outline_color": _rgba(outline or INK),
            "outline_style": dash if outline else "no",
            "outline_width": width,
            "outline_width_unit": "MM",
            "joinstyle": "miter",
        },
    )


def hatch(angle: float, distance: float, colour: str = INK, width: float = 0.2) -> Layer:
    """Parallel lines, `distance` mm apart."""
    return Layer(
        "LinePatternFill",
        {
            "angle": angle,
            "distance": distance,
            "distance_unit": "MM",
            "color": _rgba(colour),
            "line_width": width,
        },
        ("line", (stroke(colour, width),)),
    )


def stipple(distance: float, colour: str = INK) -> Layer:
    """Dots, `distance` mm apart."""
    return Layer(
        "PointPatternFill",
        {
            "distance_x": distance,
            "distance_y": distance,
            "displacement_x": distance / 2,
            "distance_x_unit": "MM",
            "distance_y_unit": "MM",
            "displacement_x_unit": "MM",
        },
        ("marker", (marker("circle", colour, 0.6, outline=None),)),
    )


def stroke(colour: str, width: float, dash: str = "solid") -> Layer:
    """A plain line."""
    return Layer(
        "SimpleLine",
        {
            "line_color": _rgba(colour),
            "line_width": width,
            "line_width_unit": "MM",
            "line_style": dash,
            "capstyle": "flat",
            "joinstyle": "round",
        },
    )


def marker(name: str, colour: str, size: float, outline: str | None = "#ffffff", angle: float = 0) -> Layer:
    """A marker of a named shape, `size` mm."""
    return Layer(
        "SimpleMarker",
        {
            "name": name,
            "color": _rgba(colour),
            "size": size,
            "size_unit": "MM",
            "angle": angle,
            "outline_color": _rgba(outline or colour),
            "outline_style": "solid" if outline else "no",
            "outline_width": 0.3,
            "outline_width_unit": "MM",
        },
    )


def centroid(layer: Layer) -> Layer:
    """A marker at the middle of each polygon, so that a small one is seen at a small scale."""
    return Layer("CentroidFill", {"point_on_surface": 0, "point_on_all_parts": 0}, ("marker", (layer,)))


def _layer_xml(layer: Layer, path: str) -> str:
    properties = {k: str(v) for k, v in layer.properties.items()}
    options = "".join(
        f'<Option type="QString" name={quoteattr(k)} value={quoteattr(v)}/>' for k, v in properties.items()
    )
    props = "".join(f"<prop k={quoteattr(k)} v={quoteattr(v)}/>" for k, v in properties.items())
    sub = "" if layer.sub is None else _symbol_xml(f"@{path}", layer.sub[0], layer.sub[1])
    return (
        f'<layer class="{layer.kind}" enabled="1" pass="0" locked="0"><Option type="Map">{options}</Option>'
        f"{props}{sub}</layer>"
    )


def _symbol_xml(name: str, kind: str, layers: tuple[Layer, ...]) -> str:
    inner = "".join(_layer_xml(layer, f"{name}@{i}") for i, layer in enumerate(layers))
    return f'<symbol type="{kind}" name="{name}" alpha="1" clip_to_extent="1" force_rhr="0">{inner}</symbol>'


def _symbols_xml(rules: tuple[Rule, ...], kind: str) -> str:
    return (
        "<symbols>"
        + "".join(_symbol_xml(str(i), kind, rule.layers) for i, rule in enumerate(rules))
        + "</symbols>"
    )


def _renderer(kind: str, attributes: str, legend: str, rules: tuple[Rule, ...], symbol: str) -> str:
    fixed = 'symbollevels="0" enableorderby="0" forceraster="0"'
    return (
        f'<renderer-v2 type="{kind}" {attributes} {fixed}>{legend}{_symbols_xml(rules, symbol)}</renderer-v2>'
    )


def single(layers: tuple[Layer, ...], kind: str) -> str:
    """Renderer: one symbol for all."""
    return _renderer("singleSymbol", "", "", (Rule("", layers),), kind)


def categorised(field: str, rules: tuple[Rule, ...]) -> str:
    """Renderer: one symbol a value; an empty value stands for all others."""
    entries = "".join(
        f'<category value={quoteattr(rule.value)} symbol="{i}" label={quoteattr(rule.label)} render="true"/>'
        for i, rule in enumerate(rules)
    )
    legend = f"<categories>{entries}</categories>"
    return _renderer("categorizedSymbol", f'attr="{field}"', legend, rules, "fill")


def graduated(field: str, rules: tuple[Rule, ...]) -> str:
    """Renderer: one symbol a range of a number."""
    entries = "".join(
        f'<range lower="{rule.lower}" upper="{rule.upper}" symbol="{i}" label={quoteattr(rule.label)} '
        'render="true"/>'
        for i, rule in enumerate(rules)
    )
    attributes = f'attr="{field}" graduatedMethod="GraduatedColor"'
    return _renderer("graduatedSymbol", attributes, f"<ranges>{entries}</ranges>", rules, "fill")


def labels(
    expression: str, place: str, size: float = 8, smallest_scale: int = 5000, priority: int = 5
) -> str:
    """Labels from an expression, shown from 1:`smallest_scale` inwards; `place` is `within` or `around`.

    A label without room is left out, the one of lower `priority` (0 to 10) first.
    """
    placement = {
        "within": 'placement="4" centroidWhole="0" fitInPolygonOnly="0"',
        "around": 'placement="6" predefinedPositionOrder="R,L,TR,BR,TL,BL" dist="1.5" distUnits="MM"',
    }[place]
    return (
        f'<labeling type="simple"><settings calloutType="simple"><text-style isExpression="1" '
        f'fieldName={quoteattr(expression)} fontFamily="DejaVu Sans" fontSize="{size}" fontSizeUnit="Point" '
        f'textColor="{_rgba(INK)}" textOpacity="1" namedStyle="Book"><text-buffer bufferDraw="1" '
        'bufferSize="0.8" bufferSizeUnits="MM" bufferColor="255,255,255,220" bufferOpacity="0.85"/>'
        f'</text-style><placement {placement} priority="{priority}"/><rendering scaleVisibility="1" '
        f'scaleMin="1" scaleMax="{smallest_scale}" obstacle="0" displayAll="0" drawLabels="1"/>'
        "</settings></labeling>"
    )


def _classes(config: LotConfig) -> tuple[Rule, ...]:
    """Profiles by class rank: outline, and hatching the closer the higher the rank; the mat shows through."""
    words = [rule.word for rule in config.rules.classes.words]
    line = PURPLES[4]
    outline = (fill(None, "#ffffff", 1.0), fill(None, line, 0.45))
    hatches: tuple[tuple[Layer, ...], ...] = (
        (),
        _cased_hatch(45, 5.0, line),
        _cased_hatch(45, 2.5, line),
        (*_cased_hatch(45, 2.5, line), *_cased_hatch(135, 2.5, line)),
        (*_cased_hatch(45, 1.8, line), *_cased_hatch(135, 1.8, line)),
    )
    rules = [Rule(word, (*hatches[i], *outline), value=str(i)) for i, word in enumerate(words)]
    dotted = (stipple(2.2, line), fill(None, "#ffffff", 1.0), fill(None, line, 0.45, dash="dot"))
    return (*rules, Rule("insufficient", dotted))


def _cased_hatch(angle: float, distance: float, colour: str) -> tuple[Layer, ...]:
    """Hatching on a white casing, so that it is read over light and dark ground."""
    return hatch(angle, distance, "#ffffff", 0.5), hatch(angle, distance, colour, 0.22)


def _depths(config: LotConfig) -> tuple[Rule, ...]:
    """Cold zones by depth of deficit: the rule's drop, 1.5, 2 and 3 times it."""
    units = config.delivery.units
    drop = float(deliver(config.rules.zone.drop_delta_c, "drop_delta_c", units, 0.3048))
    edges = [0.0, *(round(drop * part, 1) for part in (1.5, 2, 3)), 1e4]
    sign = "\N{DEGREE SIGN}F" if units == "us" else "\N{DEGREE SIGN}C"
    words = [
        f"{low:g}-{high:g} {sign} below"
        for low, high in zip([round(drop, 1), *edges[1:-2]], edges[1:-1], strict=True)
    ]
    words.append(f"over {edges[-2]:g} {sign} below")
    return tuple(
        Rule(
            words[i],
            (
                fill(BLUES[i], "#ffffff", 0.9 + 0.2 * i, alpha=70),
                fill(None, "#08306b", 0.35 + 0.2 * i),
            ),
            lower=edges[i],
            upper=edges[i + 1],
        )
        for i in range(len(words))
    )


def _durations() -> tuple[Rule, ...]:
    """Stops by duration: a strip where the paver stood, and a larger marker the longer."""
    edges, words = (0, 60, 180, 600, 1e6), ("up to 1 min", "1-3 min", "3-10 min", "over 10 min")
    return tuple(
        Rule(
            word,
            (fill(ORANGES[i], "#7f2704", 0.3), centroid(marker("triangle", ORANGES[i], 2.6 + 1.2 * i))),
            lower=edges[i],
            upper=edges[i + 1],
        )
        for i, word in enumerate(words)
    )


def _bands(names: list[str]) -> tuple[Rule, ...]:
    """Speed segments by band: an outline darker and heavier with speed, so that the mat is seen through."""
    last = max(len(names) - 1, 1)
    bands = [
        Rule(name, (fill(None, GREENS[round(i * 4 / last)], 0.4 + 0.8 * i / last),), value=name)
        for i, name in enumerate(names)
    ]
    return (*bands, Rule("no speed", (fill(None, dash="dash"),)))


def _dropped(reasons: tuple[str, ...]) -> tuple[Rule, ...]:
    """Dropped readings by reason: greys, told apart by the direction and spacing of their hatching."""
    angles, steps = (45, 135, 0, 90), (1.2, 2.0, 3.2)
    return tuple(
        Rule(
            reason.replace("_", " "),
            (fill(GREYS[1 + i % 3], GREYS[4], 0.15, alpha=140), hatch(angles[i % 4], steps[i // 4])),
            value=reason,
        )
        for i, reason in enumerate(reasons)
    )


def _gaps() -> tuple[Rule, ...]:
    looks = {
        "no_fix": (hatch(45, 2.0), hatch(135, 2.0)),
        "no_scan": (hatch(45, 1.2),),
        "not_paving": (stipple(2.0),),
    }
    return tuple(
        Rule(kind.replace("_", " "), (fill("#ffffff", INK, 0.4, dash="dash"), *layers), value=kind)
        for kind, layers in looks.items()
    )


def _path() -> tuple[Layer, ...]:
    arrows = Layer(
        "MarkerLine",
        {"placement": "interval", "interval": 12, "interval_unit": "MM", "rotate": 1},
        ("marker", (marker("arrowhead", INK, 2.6, INK),)),
    )
    return stroke(INK, 0.4), arrows


# ticks stand at whole distances: "113+00", not "113+00.0"
WHOLE_STATION = "regexp_replace(\"station_label\", '[.]0+$', '')"

ACROSS_THE_LINE = """<data_defined_properties><Option type="Map">
<Option type="QString" name="name" value=""/>
<Option type="Map" name="properties"><Option type="Map" name="angle">
<Option type="bool" name="active" value="true"/><Option type="int" name="type" value="3"/>
<Option type="QString" name="expression" value="&quot;azimuth_deg&quot; + 90"/>
</Option></Option>
<Option type="QString" name="type" value="collection"/></Option></data_defined_properties>"""


def _ticks() -> str:
    """Short lines across the line of stations; the marker itself runs north."""
    tick = single((marker("line", INK, 4.0, INK),), "marker")
    return tick.replace("</layer>", ACROSS_THE_LINE + "</layer>")


def layer_styles(tables: tuple[Table, ...], config: LotConfig, bands: list[str]) -> dict[str, str]:
    """QML of every layer by name.

    Parameters
    ----------
    tables : tuple of Table
        As delivered (columns named by the delivery's units).
    bands : list of str
        Names of the speed bands as delivered, slowest first.
    """
    units = config.delivery.units
    deficit, reasons = delivered_name("deficit_max_delta_c", units), _reasons(tables)
    renderers = {
        "lot": single((fill(None, INK, 0.7, dash="dash dot"),), "fill"),
        "mat": single((fill("#f7f7f7", INK, 0.5, alpha=60),), "fill"),
        "paver_path": single(_path(), "line"),
        "cold_zones": graduated(deficit, _depths(config)),
        "stops": graduated("duration_s", _durations()),
        "speed_segments": categorised("speed_band", _bands(bands)),
        "profiles": categorised("class_rank", _classes(config)),
        "dropped": categorised("reason", _dropped(reasons)),
        "gaps": categorised("kind", _gaps()),
        "station_ticks": _ticks(),
    }
    texts = {
        "station_ticks": labels(WHOLE_STATION, "around", priority=9),
        "profiles": labels(_difference_label(units), "within", 7, 1500, priority=3),
        "speed_segments": labels(_speed_label(units), "within", 7, 2500, priority=2),
        "stops": labels("round(\"duration_s\" / 60, 1) || ' min'", "within", 7, 2500, priority=6),
    }
    return {table.name: _qml(table, renderers[table.name], texts.get(table.name, "")) for table in tables}


def _reasons(tables: tuple[Table, ...]) -> tuple[str, ...]:
    return next(
        c.values for table in tables if table.name == "dropped" for c in table.columns if c.name == "reason"
    )


def _difference_label(units: str) -> str:
    name = delivered_name("differential_delta_c", units)
    sign = "\N{DEGREE SIGN}F" if units == "us" else "\N{DEGREE SIGN}C"
    return f"\"profile_id\" || coalesce(': ' || format_number(\"{name}\", 1) || ' {sign}', ': insufficient')"


def _speed_label(units: str) -> str:
    sign = "ft/min" if units == "us" else "m/min"
    factor = 1 if units == "us" else 60
    return f"format_number(\"{delivered_name('speed_mean_mps', units)}\" * {factor}, 1) || ' {sign}'"


def alias(name: str, meaning: str, unit: str) -> str:
    """What a person reads over a column: its meaning and unit."""
    return f"{meaning} [{unit}]" if unit else meaning


def _qml(table: Table, renderer: str, labeling: str) -> str:
    names = "".join(
        f'<alias field="{c.name}" index="{i}" name={quoteattr(alias(c.name, c.meaning, c.unit))}/>'
        for i, c in enumerate(table.columns, start=1)
    )
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
        '<qgis version="3.22.16" styleCategories="Symbology|Labeling|Fields|MapTips" '
        f'labelsEnabled="{int(bool(labeling))}">'
        f"{renderer}{labeling}<aliases>{names}</aliases><mapTip>{escape(map_tip(table))}</mapTip></qgis>"
    )


def map_tip(table: Table) -> str:
    """HTML shown when the pointer rests on a feature: the columns a person asks for first, with units."""
    skipped = {"feature_uid", "lot_id", "revision", "route", "lift", "rule_id", "program_version"}
    rows = "".join(
        f"<tr><td>{escape(c.meaning)}</td><td>[% {_shown(c.name, c.dtype)} %] {escape(c.unit)}</td></tr>"
        for c in table.columns
        if c.name not in skipped
        and not c.name.endswith(("_utc", "_lon_deg", "_lat_deg"))
        and _first_asked(table, c.name)
    )
    return f"<b>{escape(table.name.replace('_', ' '))}</b><table>{rows}</table>"


def _first_asked(table: Table, name: str) -> bool:
    """Stations are shown as labels; class shares and edges only in the table."""
    labelled = any(c.name == name.rsplit("_", 1)[0] + "_label" for c in table.columns)
    return not labelled and not name.startswith(("class_0", "class_1", "class_2", "class_3", "class_4"))


def _shown(name: str, dtype: str) -> str:
    return f'format_number("{name}", 2)' if dtype.startswith("float") else f'"{name}"'
