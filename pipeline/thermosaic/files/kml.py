"""lot.kml: the layers for phones and globes, in longitude and latitude, with the caution.

KML 2.2 (OGC 07-147r2), written by hand so that folders, outlines and words come with it. Coordinates are in
the geographic frame of the map CRS, which the file names: KML means WGS 84, and no operation of known accuracy
leads there from every frame; in North America that is up to 2 m, well inside a phone's own error.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, ParseError, SubElement, indent, parse, tostring

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from ..tables import LAYER
from . import csv_tables, geopackage
from .facts import CAUTIONS
from .looks.styles import BLUES, DEEP_BLUE, DEEP_BROWN, INK, ORANGES, PURPLES

NAMESPACE = "http://www.opengis.net/kml/2.2"
FOLDERS = (  # layer, words, shown at once, column that names a feature, its style
    ("stops", "Stops", True, "stop_id", "stop"),
    ("cold_zones", "Cold zones", True, "zone_id", "zone"),
    ("gaps", "Gaps, not measured", True, "kind", "gap"),
    ("profiles", "Thermal profiles", True, "profile_id", "profile"),
    ("station_ticks", "Stations", True, "station_label", "station"),
    ("paver_path", "Path of the paver", False, "pass_id", "line"),
    ("mat", "Mat measured", False, "pass_id", "line"),
)
STYLES = {  # outline, its width in pixels, fill and its opacity
    "stop": (DEEP_BROWN, 2, ORANGES[2], 0.8),
    "zone": (DEEP_BLUE, 2.5, BLUES[1], 0.3),
    "gap": (INK, 2, "#ffffff", 0.6),
    "profile_0": (PURPLES[4], 1, None, 0),
    "profile_1": (PURPLES[4], 3, None, 0),
    "profile_2": (PURPLES[4], 5, None, 0),
    "profile": (PURPLES[4], 2, "#ffffff", 0.4),
    "station": (INK, 1, None, 0),
    "line": (INK, 1.5, None, 0),
}
DECIMALS = 9  # of a degree: a tenth of a millimetre


def write_kml(path: Path, package: Path) -> None:
    """Write the layers of a GeoPackage that a person looks at in the field."""
    root = Element("kml", xmlns=NAMESPACE)
    document = SubElement(root, "Document")
    lot = geopackage.read_layer(package, "lot")
    _text(document, "name", str(lot["lot_id"].iloc[0]))
    _text(document, "description", f"{_frame_words(lot)} {CAUTIONS[-1]} {CAUTIONS[1]}")
    for name, style in STYLES.items():
        _style(document, name, *style)
    for name, words, is_shown, number, style in FOLDERS:
        folder = SubElement(document, "Folder")
        _text(folder, "name", words)
        _text(folder, "visibility", str(int(is_shown)))
        _text(folder, "description", LAYER[name].meaning)
        for row, geometry in _placed(package, name):
            _placemark(folder, row, geometry, number, style, is_shown)
    indent(root, " ")
    path.write_text(
        f'<?xml version="1.0" encoding="UTF-8"?>\n{tostring(root, encoding="unicode")}\n', encoding="utf-8"
    )


def _frame_words(lot: gpd.GeoDataFrame) -> str:
    return (
        f"Coordinates in {lot.crs.geodetic_crs.name}, shown by viewers as if in WGS 84: in North America up to "
        "2 m apart."
    )


def _placed(package: Path, name: str) -> Iterator[tuple[pd.Series, Any]]:
    """Rows of a layer that have a geometry, and that in degrees."""
    frame = geopackage.read_layer(package, name)
    frame = frame[frame.geometry.notna()]
    degrees = frame.geometry.to_crs(frame.crs.geodetic_crs)
    rows = pd.DataFrame(frame.drop(columns=frame.geometry.name))
    for (_, row), geometry in zip(rows.iterrows(), degrees, strict=True):
        yield row, geometry


def _text(parent: Element, name: str, text: str) -> None:
    SubElement(parent, name).text = "".join(c for c in text if c >= " " or c in "\t\n")


def _style(document: Element, name: str, line: str, width: float, fill: str | None, opacity: float) -> None:
    style = SubElement(document, "Style", id=name)
    if name == "station":
        icon = SubElement(style, "IconStyle")
        _text(icon, "scale", "0")
    outline = SubElement(style, "LineStyle")
    _text(outline, "color", _colour(line, 1))
    _text(outline, "width", f"{width:g}")
    inside = SubElement(style, "PolyStyle")
    _text(inside, "color", _colour(fill or "#ffffff", opacity))
    _text(inside, "fill", str(int(fill is not None)))


def _colour(rgb: str, opacity: float) -> str:
    """KML writes alpha, blue, green, red.

    >>> _colour("#08306b", 1)
    'ff6b3008'
    """
    return f"{round(opacity * 255):02x}{rgb[5:7]}{rgb[3:5]}{rgb[1:3]}"


def _placemark(
    folder: Element, row: pd.Series, geometry: Any, number: str, style: str, is_shown: bool
) -> None:
    place = SubElement(folder, "Placemark")
    _text(place, "name", _title(row, number))
    _text(place, "visibility", str(int(is_shown)))
    rank = row.get("class_rank")
    ranked = f"profile_{min(int(rank), 2)}" if style == "profile" and pd.notna(rank) else style
    _text(place, "styleUrl", f"#{ranked}")
    data = SubElement(place, "ExtendedData")
    for name in row.index:
        _text(SubElement(data, "Data", name=name), "value", csv_tables.cell(row[name], name))
    _geometry(place, geometry)


def _title(row: pd.Series, number: str) -> str:
    words = {"stop_id": "Stop", "zone_id": "Zone", "profile_id": "Profile", "pass_id": "Pass"}
    title = f"{words[number]} {row[number]}" if number in words else str(row[number]).replace("_", " ")
    return f"{title}: {row['profile_class']}" if number == "profile_id" else title


def _geometry(parent: Element, geometry: Any) -> None:
    """One point, line or polygon, or several together."""
    parts = list(getattr(geometry, "geoms", [geometry]))
    holder = parent if len(parts) == 1 else SubElement(parent, "MultiGeometry")
    for part in parts:
        if part.geom_type == "Polygon":
            polygon = SubElement(holder, "Polygon")
            for name, ring in (
                ("outerBoundaryIs", part.exterior),
                *(("innerBoundaryIs", r) for r in part.interiors),
            ):
                _coordinates(SubElement(SubElement(polygon, name), "LinearRing"), ring)
        else:
            _coordinates(SubElement(holder, part.geom_type), part)


def _coordinates(parent: Element, line: Any) -> None:
    degrees = shapely.get_coordinates(line).tolist()
    _text(parent, "coordinates", " ".join(f"{lon:.{DECIMALS}f},{lat:.{DECIMALS}f}" for lon, lat in degrees))


# ------------------------------------------------------------------------------------------- the checker


def check_kml(path: Path, package: Path) -> list[str]:
    """Read a KML back: every folder has its layer's features, each where it should be; return what differs."""
    try:
        root = parse(path).getroot()
    except (OSError, ParseError) as error:
        return [f"{path.name}: cannot be read: {error}"]
    document = root.find(f"{{{NAMESPACE}}}Document")
    words = "" if document is None else document.findtext(f"{{{NAMESPACE}}}description", "")
    found = [] if CAUTIONS[-1] in words else [f"{path.name}: lacks the caution"]
    folders = root.findall(f"{{{NAMESPACE}}}Document/{{{NAMESPACE}}}Folder")
    if [folder.findtext(f"{{{NAMESPACE}}}name") for folder in folders] != [entry[1] for entry in FOLDERS]:
        return [*found, f"{path.name}: folders are not those of the layers"]
    for (name, title, *_), folder in zip(FOLDERS, folders, strict=True):
        meant = [shapely.get_coordinates(geometry) for _, geometry in _placed(package, name)]
        have = [_numbers(place) for place in folder.findall(f"{{{NAMESPACE}}}Placemark")]
        if len(have) != len(meant) or any(
            a.shape != b.shape or np.abs(a - b).max(initial=0) > 10.0**-DECIMALS
            for a, b in zip(have, meant, strict=True)
        ):
            found.append(f"{path.name}: {title} differ from layer {name}")
    return found


def _numbers(place: Element) -> np.ndarray:
    texts = [element.text or "" for element in place.iter(f"{{{NAMESPACE}}}coordinates")]
    return np.array([[float(n) for n in pair.split(",")] for text in texts for pair in text.split()])
