"""One colour ramp for temperature, wherever it is drawn: raster styles, legends, pictures.

The ramp is matplotlib's *inferno* (S. van der Walt, N. Smith 2015, CC0), perceptually uniform, kept as 33
stops so that drawing needs no matplotlib. Readings beyond the ends get colours that are not on the ramp.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np

from ...delivery import deliver, unit_in_text
from ...model import Rasters

_HEX = (
    "000004 040312 0b0724 150b37 210c4a 2f0a5b 3d0965 4a0c6b 57106e 64156e 71196e "
    "7d1e6d 8a226a 972766 a32c61 b0315b bc3754 c73e4c d24644 db503b e45a31 eb6628 "
    "f1731d f68013 f98e09 fb9d07 fcac11 fbbc21 f9cb35 f5db4c f2ea69 f3f68a fcffa4"
)
INFERNO = tuple(_HEX.split())
BELOW, ABOVE = "6baed6", "ffffff"  # ColorBrewer Blues 4 of 6 (Brewer 2003), and white
LOW_PERCENT, HIGH_PERCENT = 0.1, 99.9
ROUND_TO = {"si": 5.0, "us": 10.0}  # degC, degF


@dataclass(frozen=True, slots=True)
class ColourRamp:
    """Colours from `low` to `high`, both in `unit`.

    >>> ramp = ColourRamp(100.0, 160.0, "degC")
    >>> ramp.rgb(np.array([99.0, 100.0, 160.0, 161.0])).tolist()
    [[107, 174, 214], [0, 0, 4], [252, 255, 164], [255, 255, 255]]
    """

    low: float
    high: float
    unit: str

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(
                f"a colour ramp runs upwards, not from {self.low:g} to {self.high:g} {self.unit}"
            )

    def stops(self) -> list[tuple[float, str]]:
        """Values and colours (rrggbb), ascending, without those beyond the ends."""
        step = (self.high - self.low) / (len(INFERNO) - 1)
        return [(round(self.low + i * step, 4), colour) for i, colour in enumerate(INFERNO)]

    def entries(self) -> list[tuple[float, str, str]]:
        """Values, colours (rrggbb) and legend words, with a sharp change to the colours beyond the ends."""
        step = (self.high - self.low) * 1e-4
        below = (round(self.low - step, 6), BELOW, f"below {self.low:g} {self.unit}")
        above = (round(self.high + step, 6), ABOVE, f"above {self.high:g} {self.unit}")
        inside = [(value, colour, f"{value:g} {self.unit}") for value, colour in self.stops()]
        return [below, *inside, above]

    def rgb(self, value: np.ndarray) -> np.ndarray:
        """Colour of each value, uint8 (..., 3); NaN is drawn as the lowest, leave it out."""
        value = np.nan_to_num(value, nan=self.low)
        at = [stop for stop, _ in self.stops()]
        channels = np.array([_channels(colour) for _, colour in self.stops()], float)
        drawn = np.stack([np.interp(value, at, channel) for channel in channels.T], axis=-1)
        drawn[value < self.low] = _channels(BELOW)
        drawn[value > self.high] = _channels(ABOVE)
        return np.rint(drawn).astype(np.uint8)


def _channels(colour: str) -> tuple[int, int, int]:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (0, 2, 4))
    return red, green, blue


def temperature_ramp(
    rasters: Rasters, units: str, limits_c: tuple[float | None, float | None] = (None, None)
) -> ColourRamp:
    """Choose the ramp of a lot: 0.1st to 99.9th percentile, rounded outwards to 5 degC or 10 degF.

    `limits_c` are ends that the lot states, degC; lots drawn with the same ends can be laid side by side.
    """
    filled = [raster.temp_c[np.isfinite(raster.temp_c)] for raster in rasters.mat]
    value = np.concatenate([np.empty(0), *filled])
    value = deliver(value, "temp_c", units, 1.0)
    step, unit = ROUND_TO[units], unit_in_text("temp_c", units)
    ends = np.percentile(value, (LOW_PERCENT, HIGH_PERCENT)) if len(value) else (0.0, step)
    low, high = (
        None if end is None else round(float(deliver(end, "end_c", units, 1.0)), 4) for end in limits_c
    )
    if low is None:
        low = math.floor(ends[0] / step) * step
        low = low if high is None else min(low, high - step)
    if high is None:
        high = max(math.ceil(ends[1] / step) * step, low + step)
    return ColourRamp(low, high, unit)


def write_raster_style(raster: Path, ramp: ColourRamp) -> Path:
    """Write NAME.qml beside NAME.tif or NAME.vrt, so that QGIS draws band 1 by the ramp as it opens it."""
    path = raster.with_suffix(".qml")
    path.write_text(_style_text(ramp), encoding="utf-8")
    return path


@cache
def _style_text(ramp: ColourRamp) -> str:
    """Print the style once for all tiles of a lot."""
    header = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
    return header + ElementTree.tostring(_style(ramp), encoding="unicode") + "\n"


def style_content(ramp: ColourRamp) -> str:
    """What a raster's style holds, as XML elements: for a style of its own and inside a project."""
    return "".join(ElementTree.tostring(element, encoding="unicode") for element in _style(ramp))


def check_raster_style(path: Path, ramp: ColourRamp) -> list[str]:
    """Read a style back; return what differs from the ramp, nothing if all is well."""
    try:
        renderer = ElementTree.parse(path).getroot().find("pipe/rasterrenderer")
        limits = (float(renderer.get("classificationMin")), float(renderer.get("classificationMax")))
        items = [(float(item.get("value")), item.get("color")) for item in renderer.iter("item")]
    except (ElementTree.ParseError, AttributeError, TypeError) as error:
        return [f"{path.name}: is no raster style: {error}"]
    found = (
        []
        if limits == (ramp.low, ramp.high)
        else [f"{path.name}: limits {limits}, not {ramp.low, ramp.high}"]
    )
    if items != [(value, f"#{colour}") for value, colour, _ in ramp.entries()]:
        found.append(f"{path.name}: the colours are not those of the ramp")
    return found


def _style(ramp: ColourRamp) -> ElementTree.Element:
    """Build the style; the limits' origin is None, or QGIS would stretch the ramp anew."""
    low, high = f"{ramp.low:g}", f"{ramp.high:g}"
    root = ElementTree.Element("qgis", version="3.22", styleCategories="Symbology")
    pipe = ElementTree.SubElement(root, "pipe")
    renderer = ElementTree.SubElement(pipe, "rasterrenderer", {
        "type": "singlebandpseudocolor", "band": "1", "opacity": "1", "alphaBand": "-1", "nodataColor": "",
        "classificationMin": low, "classificationMax": high,
    })  # fmt: skip
    ElementTree.SubElement(renderer, "rasterTransparency")
    origin = ElementTree.SubElement(renderer, "minMaxOrigin")
    for name, text in (("limits", "None"), ("extent", "WholeRaster"), ("statAccuracy", "Exact")):
        ElementTree.SubElement(origin, name).text = text
    shader = ElementTree.SubElement(ElementTree.SubElement(renderer, "rastershader"), "colorrampshader", {
        "colorRampType": "INTERPOLATED", "classificationMode": "1", "clip": "0", "labelPrecision": "0",
        "minimumValue": low, "maximumValue": high,
    })  # fmt: skip
    for value, colour, label in ramp.entries():
        ElementTree.SubElement(
            shader, "item", value=repr(float(value)), color=f"#{colour}", alpha="255", label=label
        )
    ElementTree.SubElement(pipe, "brightnesscontrast", brightness="0", contrast="0")
    ElementTree.SubElement(pipe, "huesaturation", saturation="0", grayscaleMode="0", colorizeOn="0")
    ElementTree.SubElement(pipe, "rasterresampler", maxOversampling="2")
    ElementTree.SubElement(root, "blendMode").text = "0"
    return root
