"""places.gpx: cold zones and stops as waypoints for a phone or handheld, each with its sigma and the caution.

GPX 1.1 (Topografix). Coordinates are in the geographic frame of the map CRS, named in the file: against
WGS 84, which a phone shows, that is up to 2 m in North America, well inside the phone's own error.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from xml.etree import ElementTree

import pandas as pd

from .sheets.lot_sheet import LotSheet
from .sheets.measures import duration
from .sheets.places import lon_lat
from .sheets.words import Words, pass_words

NAMESPACE = "http://www.topografix.com/GPX/1/1"


def write_gpx(path: Path, sheet: LotSheet, caution: str) -> None:
    """Write one waypoint a cold zone and a stop, in the order of the layers."""
    title = f"{sheet.config['lot']['id']}: places to look at"
    write_waypoints(path, title, f"Coordinates in {sheet.crs.geodetic_crs.name}. {caution}", (
        (lon, lat, name, f"{words} {caution}") for lon, lat, name, words in _places(sheet)
    ))  # fmt: skip


def write_waypoints(
    path: Path, title: str, about: str, points: Iterable[tuple[float, float, str, str]]
) -> None:
    """Write waypoints, each with longitude, latitude, name and description."""
    ElementTree.register_namespace("", NAMESPACE)
    root = ElementTree.Element(f"{{{NAMESPACE}}}gpx", version="1.1", creator="thermosaic")
    head = ElementTree.SubElement(root, f"{{{NAMESPACE}}}metadata")
    _text(head, "name", title)
    _text(head, "desc", about)
    for lon, lat, name, words in points:
        point = ElementTree.SubElement(root, f"{{{NAMESPACE}}}wpt", lat=f"{lat:.8f}", lon=f"{lon:.8f}")
        _text(point, "name", name)
        _text(point, "desc", words)
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="unicode")
    path.write_text(f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n', encoding="utf-8")


def _text(parent: ElementTree.Element, name: str, text: str) -> None:
    clean = "".join(c for c in text if c >= " " or c in "\t\n")
    ElementTree.SubElement(parent, f"{{{NAMESPACE}}}{name}").text = clean


def _places(sheet: LotSheet) -> Iterator[tuple[float, float, str, str]]:
    for layer, name, describe in (("cold_zones", "Zone", _zone), ("stops", "Stop", _stop)):
        frame = sheet.frames[layer]
        frame = frame[frame.geometry.notna() & ~frame.geometry.is_empty]
        lon, lat = lon_lat(sheet, frame)
        for i, (_, row) in enumerate(frame.iterrows()):
            yield (
                lon[i],
                lat[i],
                f"{name} {row['zone_id' if layer == 'cold_zones' else 'stop_id']}",
                describe(sheet, row),
            )


def _zone(sheet: LotSheet, row: pd.Series) -> str:
    to = sheet.measures
    side = f" from the {row['edge_side']} edge looking upstation" if row["edge_side"] else ""
    return (
        f"{_pass(sheet, row)}Sta {to.station(row['station_from_m'])} to {to.station(row['station_to_m'])}, "
        f"{to.bare(row['edge_from_m'], 'length')} to {to.text(row['edge_to_m'], 'length')}{side}. "
        f"Up to {to.text(row['deficit_max_delta_c'], 'deficit')} below the mat around it, "
        f"{to.text(row['area_m2'], 'area')}. "
        f"Laid {to.day(row['laid_from_utc'])} {to.clock(row['laid_from_utc'])}. {_sigma(sheet, row)}"
    )


def _stop(sheet: LotSheet, row: pd.Series) -> str:
    to = sheet.measures
    return (
        f"{_pass(sheet, row)}Sta {to.station(row['station_m'])}. Paver stood {duration(row['duration_s'])} "
        f"from {to.day(row['start_utc'])} {to.clock(row['start_utc'])}. {_sigma(sheet, row)}"
    )


def _pass(sheet: LotSheet, row: pd.Series) -> str:
    """Pass and lane, where the lot has several passes: lanes lie side by side under the same stations."""
    words = pass_words(sheet, row["pass_id"], Words())
    return f"{words}. " if words else ""


def _sigma(sheet: LotSheet, row: pd.Series) -> str:
    return f"Position sigma {sheet.measures.text(row['position_sigma_m'], 'sigma')} (one standard deviation)."


def check_gpx(path: Path, sheet: LotSheet) -> list[str]:
    """Read the waypoints back and compare their number and places with the layers; return what differs."""
    return check_waypoints(path, [item[:3] for item in _places(sheet)])


def check_waypoints(path: Path, points: list[tuple[float, float, str]]) -> list[str]:
    """Read waypoints back and compare longitude, latitude and name of each; return what differs."""
    try:
        root = ElementTree.parse(path).getroot()
    except (OSError, ElementTree.ParseError) as error:
        return [f"{path.name}: cannot be read: {error}"]
    found = root.findall(f"{{{NAMESPACE}}}wpt")
    meant = [(f"{lat:.8f}", f"{lon:.8f}", name) for lon, lat, name in points]
    have = [(p.get("lat"), p.get("lon"), p.findtext(f"{{{NAMESPACE}}}name")) for p in found]
    return (
        [] if have == meant else [f"{path.name}: {len(have)} waypoints differ from the {len(meant)} places"]
    )


def names_in(path: Path) -> list[str]:
    """Names of the waypoints of a file, in its order; none where it cannot be read."""
    try:
        root = ElementTree.parse(path).getroot()
    except (OSError, ElementTree.ParseError):
        return []
    return [str(point.findtext(f"{{{NAMESPACE}}}name")) for point in root.iter(f"{{{NAMESPACE}}}wpt")]
