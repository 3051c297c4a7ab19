"""What a map symbol is made of, before it is printed for one program or another: layers, legend, labels.

A `Look` says how one layer is drawn. `qml` prints it for QGIS, `sld` for servers; both from the same parts,
so that they agree. Lengths are millimetres on paper or screen.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

INK = "#252525"  # ColorBrewer Greys, darkest (Brewer 2003)


@dataclass(frozen=True, slots=True)
class SymbolLayer:
    """One symbol layer: its kind in QGIS, properties, a sub-symbol, and properties taken from columns.

    `sub` is (kind, layers) of the symbol inside, as lines of a hatch; `from_column` names a property and the
    expression that gives it.
    """

    kind: str
    properties: dict[str, object]
    sub: tuple[str, tuple[SymbolLayer, ...]] | None = None
    from_column: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Rule:
    """One entry of a legend: label, symbol layers, and a value or a half-open range."""

    label: str
    layers: tuple[SymbolLayer, ...]
    value: str = ""
    lower: float = 0.0
    upper: float = 0.0


@dataclass(frozen=True, slots=True)
class Label:
    """Text beside features: an expression, where it stands, and from which scale inwards it is shown.

    `place` is `inside` a polygon, `edge` along its outside, `around` its middle, or `tick`: across the line
    of stations, turned by `azimuth`. Where labels have no room, those of lower `priority` (0 to 10) are left
    out. `column` is a plain column that says nearly the same, for programs without expressions.
    """

    expression: str
    place: Literal["inside", "edge", "around", "tick"]
    smallest_scale: int
    priority: int
    colour: str = INK
    size_pt: float = 8
    column: str | None = None
    azimuth: str = ""


@dataclass(frozen=True, slots=True)
class Look:
    """How a layer is drawn: one symbol for all, or one for each value or range of a column; and labels."""

    shape: Literal["fill", "line", "marker"]
    rules: tuple[Rule, ...]
    by: Literal["one", "value", "range"] = "one"
    column: str = ""
    label: Label | None = None


def rgba(colour: str, alpha: int = 255) -> str:
    """Write a colour as QGIS does.

    >>> rgba("#08306b", 70)
    '8,48,107,70'
    """
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{alpha}"


def fill(
    colour: str | None, outline: str | None = INK, width: float = 0.26, alpha: int = 255, dash: str = "solid"
) -> SymbolLayer:
    """A plain fill with an outline; None = no brush, no pen."""
    return SymbolLayer(
        "SimpleFill",
        {
            "color": rgba(colour or "#ffffff", alpha if colour else 0),
            "style": "solid" if colour else "no",
            "outline_color": rgba(outline or INK),
            "outline_style": dash if outline else "no",
            "outline_width": round(width, 3),
            "outline_width_unit": "MM",
            "joinstyle": "miter",
        },
    )


def hatch(
    angle: float, distance: float, colour: str = INK, width: float = 0.2, along: str = ""
) -> SymbolLayer:
    """Parallel lines, `distance` mm apart, turned by `angle` degrees against the clock from horizontal.

    Where `along` is an expression of an azimuth, from that azimuth instead.
    """
    return SymbolLayer(
        "LinePatternFill",
        {
            "angle": angle,
            "distance": distance,
            "distance_unit": "MM",
            "color": rgba(colour),
            "line_width": width,
        },
        ("line", (stroke(colour, width),)),
        {"lineAngle": f"90 - {along} + {angle}"} if along else {},
    )


def cased_hatch(angle: float, distance: float, colour: str, along: str) -> tuple[SymbolLayer, SymbolLayer]:
    """Hatching on a white casing, so that it is read over light and dark ground."""
    return hatch(angle, distance, "#ffffff", 0.42, along), hatch(angle, distance, colour, 0.22, along)


def stipple(distance: float, colour: str = INK) -> SymbolLayer:
    """Dots, `distance` mm apart."""
    return SymbolLayer(
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


def stroke(colour: str, width: float) -> SymbolLayer:
    """A plain line, `width` mm."""
    return SymbolLayer(
        "SimpleLine",
        {
            "line_color": rgba(colour),
            "line_width": width,
            "line_width_unit": "MM",
            "line_style": "solid",
            "capstyle": "flat",
            "joinstyle": "round",
        },
    )


def arrows(colour: str, size: float, every: float) -> SymbolLayer:
    """Arrow heads along a line, `every` mm."""
    return SymbolLayer(
        "MarkerLine",
        {"placement": "interval", "interval": every, "interval_unit": "MM", "rotate": 1},
        ("marker", (marker("arrowhead", colour, size, colour),)),
    )


def marker(
    name: str,
    colour: str,
    size: float,
    outline: str | None = "#ffffff",
    width: float = 0.3,
    azimuth: str = "",
) -> SymbolLayer:
    """A marker of a named shape, `size` mm; `azimuth` is an expression that turns it by the clock."""
    return SymbolLayer(
        "SimpleMarker",
        {
            "name": name,
            "color": rgba(colour),
            "size": round(size, 3),
            "size_unit": "MM",
            "angle": 0,
            "outline_color": rgba(outline or colour),
            "outline_style": "solid" if outline else "no",
            "outline_width": width,
            "outline_width_unit": "MM",
        },
        from_column={"angle": azimuth} if azimuth else {},
    )


def centroid(layer: SymbolLayer) -> SymbolLayer:
    """A marker at the middle of each polygon, so that a small one is seen at a small scale."""
    return SymbolLayer("CentroidFill", {"point_on_surface": 0, "point_on_all_parts": 0}, ("marker", (layer,)))
