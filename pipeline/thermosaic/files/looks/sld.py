"""A look as map servers read it: Styled Layer Descriptor 1.0.0 (OGC 02-070), and the ramp of the mosaic.

Only marks of the standard are used, so that servers and desktop programs draw the same: a hatch becomes a
lattice of marks as dense as the hatch, arrows on the path are left out, ticks are crosses. Lengths are pixels
of 0.28 mm, the standard's. Not done here: what a layer looks like.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element, ParseError, SubElement, indent, parse, tostring

from .symbols import Label, Look, Rule, SymbolLayer

if TYPE_CHECKING:
    from .ramp import ColourRamp

FOLDER, RASTER = "sld", "temperature"
SLD, OGC = "http://www.opengis.net/sld", "http://www.opengis.net/ogc"
PIXEL_MM = 0.28
MARKS = {"circle": "circle", "triangle": "triangle", "line": "cross", "cross": "cross"}
COARSE_MM = 4.0  # a hatch this wide is drawn upright, a closer one aslant
DASHES = {"solid": "", "dash": "8 4", "dot": "1 4", "dash dot": "8 4 1 4"}
HALO_PIXELS, POINTS_PER_PIXEL = 2.0, 0.79


def write_styles(folder: Path, looks: dict[str, Look], ramp: ColourRamp | None) -> list[Path]:
    """Write sld/NAME.sld of each layer, and of the mosaic where there is one; return the paths in order."""
    (folder / FOLDER).mkdir(exist_ok=True)
    texts = {name: _layer_text(name, look) for name, look in looks.items()}
    texts |= {RASTER: _ramp_text(ramp)} if ramp is not None else {}
    paths = []
    for name, text in texts.items():
        paths.append(folder / FOLDER / f"{name}.sld")
        paths[-1].write_text(text, encoding="utf-8")
    return paths


def _layer_text(name: str, look: Look) -> str:
    """Print the look of a vector layer."""
    root, style = _document(name)
    for rule in look.rules:
        element = _rule(style, rule.label)
        _condition(element, look, rule)
        for layer in rule.layers:
            _symbolizer(element, layer)
    if look.label is not None and look.label.column is not None:
        _labels(style, look.label)
    return _print(root)


def _ramp_text(ramp: ColourRamp) -> str:
    """Print the ramp of the mat's temperature, the colours beyond its ends included."""
    root, style = _document(RASTER)
    symbolizer = SubElement(_rule(style, f"temperature, {ramp.unit}"), "sld:RasterSymbolizer")
    channel = SubElement(SubElement(symbolizer, "sld:ChannelSelection"), "sld:GrayChannel")
    _text(channel, "SourceChannelName", "1")
    colours = SubElement(symbolizer, "sld:ColorMap")
    for value, colour, label in ramp.entries():
        SubElement(colours, "sld:ColorMapEntry", color=f"#{colour}", quantity=repr(float(value)), label=label)
    return _print(root)


def _document(name: str) -> tuple[Element, Element]:
    """Give the root and the style that takes rules."""
    root = Element("sld:StyledLayerDescriptor", {"version": "1.0.0", "xmlns:sld": SLD, "xmlns:ogc": OGC})
    layer = SubElement(root, "sld:NamedLayer")
    _text(layer, "Name", name)
    style = SubElement(layer, "sld:UserStyle")
    _text(style, "Name", name)
    return root, SubElement(style, "sld:FeatureTypeStyle")


def _print(root: Element) -> str:
    indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{tostring(root, encoding="unicode")}\n'


def _text(parent: Element, name: str, text: str) -> Element:
    element = SubElement(parent, f"sld:{name}")
    element.text = text
    return element


def _rule(style: Element, label: str) -> Element:
    rule = SubElement(style, "sld:Rule")
    _text(rule, "Name", label)
    _text(rule, "Title", label)
    return rule


def _condition(element: Element, look: Look, rule: Rule) -> None:
    """Say for which features the rule holds: a value, none, a half-open range, or all."""
    if look.by == "one":
        return
    inside = SubElement(element, "ogc:Filter")
    if look.by == "value" and rule.value:
        _compare(inside, "PropertyIsEqualTo", look.column, rule.value)
    elif look.by == "value":
        _compare(inside, "PropertyIsNull", look.column)
    else:
        both = SubElement(inside, "ogc:And")
        _compare(both, "PropertyIsGreaterThanOrEqualTo", look.column, f"{rule.lower:g}")
        _compare(both, "PropertyIsLessThan", look.column, f"{rule.upper:g}")


def _compare(parent: Element, how: str, column: str, value: str | None = None) -> None:
    comparison = SubElement(parent, f"ogc:{how}")
    SubElement(comparison, "ogc:PropertyName").text = column
    if value is not None:
        SubElement(comparison, "ogc:Literal").text = value


# ------------------------------------------------------------------------------------------- symbolizers


def _symbolizer(rule: Element, layer: SymbolLayer) -> None:
    """Add what one symbol layer becomes; arrows along a line become nothing."""
    make = {
        "SimpleFill": _polygon,
        "LinePatternFill": _lattice,
        "PointPatternFill": _dots,
        "CentroidFill": _middle,
        "SimpleLine": _line,
        "SimpleMarker": _point,
    }.get(layer.kind)
    if make is not None:
        make(rule, layer)


def _polygon(rule: Element, layer: SymbolLayer) -> None:
    have = layer.properties
    symbolizer = SubElement(rule, "sld:PolygonSymbolizer")
    if have["style"] != "no":
        colour, alpha = _colour(have["color"])
        _parameters(SubElement(symbolizer, "sld:Fill"), {"fill": colour, "fill-opacity": f"{alpha:.3g}"})
    if have["outline_style"] != "no":
        _stroke(symbolizer, have["outline_color"], have["outline_width"], str(have["outline_style"]))


def _lattice(rule: Element, layer: SymbolLayer) -> None:
    """Lines of a hatch as a lattice of marks, as wide as the lines are apart; the second way upright."""
    have = layer.properties
    distance, is_second_way = float(str(have["distance"])), float(str(have["angle"])) > 90
    name = "cross" if distance >= COARSE_MM or is_second_way else "x"
    _tile(rule, name, distance, have["color"], have["line_width"])


def _dots(rule: Element, layer: SymbolLayer) -> None:
    (inner,) = layer.sub[1] if layer.sub else ()
    _tile(rule, "circle", float(str(layer.properties["distance_x"])), inner.properties["color"], 0.2)


def _tile(rule: Element, name: str, size_mm: float, colour: object, width_mm: object) -> None:
    fill = SubElement(SubElement(rule, "sld:PolygonSymbolizer"), "sld:Fill")
    graphic = SubElement(SubElement(fill, "sld:GraphicFill"), "sld:Graphic")
    mark = SubElement(graphic, "sld:Mark")
    _text(mark, "WellKnownName", name)
    _stroke(mark, colour, width_mm)
    _text(graphic, "Size", _pixels(size_mm))


def _middle(rule: Element, layer: SymbolLayer) -> None:
    for inner in layer.sub[1] if layer.sub else ():
        _point(rule, inner)


def _line(rule: Element, layer: SymbolLayer) -> None:
    have = layer.properties
    symbolizer = SubElement(rule, "sld:LineSymbolizer")
    _stroke(symbolizer, have["line_color"], have["line_width"], str(have["line_style"]))


def _point(rule: Element, layer: SymbolLayer) -> None:
    have = layer.properties
    graphic = SubElement(SubElement(rule, "sld:PointSymbolizer"), "sld:Graphic")
    mark = SubElement(graphic, "sld:Mark")
    _text(mark, "WellKnownName", MARKS[str(have["name"])])
    _parameters(SubElement(mark, "sld:Fill"), {"fill": _colour(have["color"])[0]})
    if have["outline_style"] != "no":
        _stroke(mark, have["outline_color"], have["outline_width"])
    _text(graphic, "Size", _pixels(have["size"]))


def _stroke(parent: Element, colour: object, width_mm: object, dash: str = "solid") -> None:
    wanted = {"stroke": _colour(colour)[0], "stroke-width": _pixels(width_mm)}
    wanted |= {"stroke-dasharray": DASHES[dash]} if DASHES[dash] else {}
    _parameters(SubElement(parent, "sld:Stroke"), wanted)


def _parameters(parent: Element, wanted: dict[str, str]) -> None:
    for name, text in wanted.items():
        SubElement(parent, "sld:CssParameter", name=name).text = text


def _colour(rgba: object) -> tuple[str, float]:
    """Colour as #rrggbb, and its opacity 0..1.

    >>> _colour("8,48,107,51")
    ('#08306b', 0.2)
    """
    red, green, blue, alpha = (int(part) for part in str(rgba).split(","))
    return f"#{red:02x}{green:02x}{blue:02x}", alpha / 255


def _pixels(millimetres: object) -> str:
    return f"{float(str(millimetres)) / PIXEL_MM:.3g}"


def _labels(style: Element, label: Label) -> None:
    """Add a rule of its own for labels, shown from a scale inwards."""
    rule = _rule(style, "labels")
    _text(rule, "MaxScaleDenominator", str(label.smallest_scale))
    symbolizer = SubElement(rule, "sld:TextSymbolizer")
    shown = SubElement(symbolizer, "sld:Label")
    SubElement(shown, "ogc:PropertyName").text = label.column
    font = {"font-family": "DejaVu Sans", "font-size": f"{label.size_pt / POINTS_PER_PIXEL:.3g}"}
    _parameters(SubElement(symbolizer, "sld:Font"), font)
    halo = SubElement(symbolizer, "sld:Halo")
    SubElement(SubElement(halo, "sld:Radius"), "ogc:Literal").text = f"{HALO_PIXELS:g}"
    _parameters(SubElement(halo, "sld:Fill"), {"fill": "#ffffff"})
    _parameters(SubElement(symbolizer, "sld:Fill"), {"fill": label.colour})


# ------------------------------------------------------------------------------------------- the checker


def check_styles(folder: Path, columns: dict[str, set[str]], ramp: ColourRamp | None) -> list[str]:
    """Read the styles back; return what is wrong, nothing if all is well.

    Parameters
    ----------
    columns : dict
        Columns of each layer as delivered: a style may name no other.
    """
    found = []
    for name in [*columns, *([RASTER] if ramp is not None else [])]:
        path = folder / FOLDER / f"{name}.sld"
        try:
            root = parse(path).getroot()
        except (OSError, ParseError) as error:
            found.append(f"{path.name}: is no style: {error}")
            continue
        named = {element.text for element in root.iter(f"{{{OGC}}}PropertyName")}
        found += [
            f"{path.name}: names {text}, which {name} has not" for text in named - columns.get(name, set())
        ]
        if root.findtext(f"{{{SLD}}}NamedLayer/{{{SLD}}}Name") != name or not list(
            root.iter(f"{{{SLD}}}Rule")
        ):
            found.append(f"{path.name}: has no rule for {name}")
        if name == RASTER and ramp is not None and _entries(root) != [entry[:2] for entry in ramp.entries()]:
            found.append(f"{path.name}: the colours are not those of the ramp")
    return found


def _entries(root: Element) -> list[tuple[float, str]]:
    return [
        (float(str(entry.get("quantity"))), str(entry.get("color")).removeprefix("#"))
        for entry in root.iter(f"{{{SLD}}}ColorMapEntry")
    ]
