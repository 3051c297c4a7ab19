"""lots.gpkg: the lots of an archive as one layer that any GIS opens, made from the catalogue's items; its checker.

Outlines are longitude and latitude of plain WGS 84, numbers SI whatever a lot was delivered in: lots of
several map systems and units stand side by side. Not done here: the bags and the catalogue.
"""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from ...errors import ConfigError
from ...tables import LOTS
from .. import geopackage
from ..dressing import NULLABLE_DTYPE
from ..facts import CAUTIONS
from ..looks import qml, styles
from ..looks.symbols import INK, Label, Look, Rule, fill
from ..manifest import plain

NAME = "lots.gpkg"
OWN = "thermosaic:"  # begins what STAC and its extensions do not name
CRS = pyproj.CRS("EPSG:4326")  # a GeoPackage keeps it in the order longitude, latitude, which is OGC:CRS84
RENAMED = {
    "laid_from_utc": "start_datetime", "laid_to_utc": "end_datetime",
    "outline_accuracy_m": f"{OWN}footprint_accuracy_m", "outline_operation": f"{OWN}footprint_operation",
}  # fmt: skip
EMPTY_STAMP = "1970-01-01T00:00:00.000Z"


def lots_frame(items: dict[str, dict[str, Any]], rows: dict[str, dict[str, Any]]) -> gpd.GeoDataFrame:
    """One row an item of the catalogue, in its order.

    Parameters
    ----------
    rows : dict of dict
        By item: `bag`, `bag_sha256`, `note_count`.
    """
    found = [_row(name, item, rows[name]) for name, item in items.items()]
    columns = {
        column.name: _typed([row[column.name] for row in found], column.dtype) for column in LOTS.columns
    }
    geometry = [shapely.geometry.shape(item["geometry"]) for item in items.values()]
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(geometry, crs=CRS), crs=CRS)


def _row(name: str, item: dict[str, Any], further: dict[str, Any]) -> dict[str, Any]:
    properties = item["properties"]
    row = {c.name: properties.get(RENAMED.get(c.name, f"{OWN}{c.name}")) for c in LOTS.columns}
    classes = properties[f"{OWN}classes"]
    agency = properties[f"{OWN}agency"] or {}
    return row | further | {
        "feature_uid": name,
        "standing": "superseded" if row["superseded_by"] else "newest",
        "classes": ", ".join(f"{count} {word}" for word, count in classes),
        "worst_class": next((word for word, count in reversed(classes) if count), None),
        "agency_keys": "; ".join(f"{key}: {value}" for key, value in sorted(agency.items())) or None,
    }  # fmt: skip


def _typed(values: list[Any], dtype: str) -> Any:
    if dtype == "datetime":
        return pd.DatetimeIndex(pd.to_datetime(values, utc=True)).as_unit("ms")
    if dtype in NULLABLE_DTYPE:
        return pd.array(values, dtype=NULLABLE_DTYPE[dtype])
    return pd.Series(values, dtype=object if dtype == "text" else dtype)


def write_index(path: Path, frame: gpd.GeoDataFrame) -> None:
    """Write the layer with styles, descriptions, and what the file is; the same lots give the same bytes."""
    look = _look()
    stamp = EMPTY_STAMP if frame.empty else plain(frame["laid_to_utc"].max().to_datetime64())
    style = qml.document(styles.layer_content(LOTS, look), qml.attributes(look))
    package = geopackage.Package(
        (LOTS,), {"lots": frame}, {"lots": look}, {"lots": style}, _facts(frame), {}, stamp
    )
    geopackage.write_geopackage(path, package)


def _facts(frame: gpd.GeoDataFrame) -> pd.DataFrame:
    """What whoever opens the file alone needs to know."""
    worst = "" if frame.empty else f"{frame['outline_accuracy_m'].max():g}"
    first = "Read this first"
    facts = [
        (
            "about.file",
            "Outlines of the lots of an archive, a row a revision; lots lie in folders beside",
            "",
            first,
        ),
        ("about.bag", "The column bag is the lot's folder, from the folder above this file", "", first),
        (
            "about.frame",
            "Longitude and latitude of plain WGS 84, OGC:CRS84: for finding, not for places",
            "",
            first,
        ),
        ("about.newest", "standing is newest, or superseded by what superseded_by names", "", first),
        (
            "outline.accuracy_m",
            worst,
            "m",
            "Accuracy of the worst operation to an outline, as its register states it",
        ),
    ]
    facts += [(f"caution.{i}", text, "", "Caution") for i, text in enumerate(CAUTIONS, 1)]
    return pd.DataFrame(facts, columns=list(geopackage.INFO_COLUMNS))


def _look() -> Look:
    """The newest solid under a thin tint, superseded ones dotted: at any scale more than a colour apart."""
    newest = (fill(styles.BLUES[0], "#ffffff", 1.4, alpha=90), fill(None, styles.DEEP_BLUE, 0.6))
    older = (fill(None, "#ffffff", 1.0), fill(None, styles.GREYS[3], 0.4, dash="dot"))
    rules = (Rule("newest", newest, value="newest"), Rule("superseded", older, value="superseded"))
    name = "\"lot_id\" || coalesce(': ' || \"worst_class\", '')"
    shown = f"CASE WHEN \"standing\" = 'newest' THEN {name} END"
    return Look("fill", rules, "value", "standing", Label(shown, "around", 50000, 8, INK, 8, column="lot_id"))


def read_index(path: Path) -> gpd.GeoDataFrame:
    """Read the layer; times UTC."""
    return geopackage.read_layer(path, LOTS.name)


def choose(
    rows: gpd.GeoDataFrame,
    same: dict[str, Any],
    days: tuple[date | None, date | None],
    class_word: str | None,
    bbox: tuple[float, float, float, float] | None,
    near: tuple[float, float] | None,
    within_m: float,
) -> gpd.GeoDataFrame:
    """Keep the rows that fit all that is asked; under `near` (latitude, longitude) nearest first.

    Raises
    ------
    ConfigError
        No rule of the rows that fit so far has the class word.
    """
    kept = rows
    for name, value in same.items():
        if value is not None:
            wanted = str(value).casefold()
            have = kept[name].astype(str).str.casefold()
            kept = kept[[_fits(name, text, wanted) for text in have]]
    for day, later in zip(days, (True, False), strict=True):
        if day is not None:
            kept = kept[kept["paved_on"] >= day.isoformat() if later else kept["paved_on"] <= day.isoformat()]
    if class_word is not None:
        counts = [_counts(text) for text in kept["classes"]]
        known = {word for count in counts for word in count}
        if counts and class_word not in known:
            raise ConfigError(
                f'"{class_word}" is no class of these lots: they have {", ".join(sorted(known))}'
            )
        kept = kept[np.array([count.get(class_word, 0) > 0 for count in counts], dtype=bool)]
    if bbox is not None:
        kept = kept[kept.intersects(shapely.box(*bbox))]
    if near is not None:
        kept = kept.assign(distance_m=[_distance_m(outline, *near) for outline in kept.geometry])
        kept = kept[kept["distance_m"] <= within_m].sort_values("distance_m", kind="stable")
    return kept.reset_index(drop=True)


def _fits(name: str, have: str, wanted: str) -> bool:
    """Whether a row has what is asked: part of the route, one of its lanes, else the value itself."""
    if name == "route":
        return wanted in have
    return have == wanted or (name == "lane" and wanted in have.split(" & "))


def _counts(classes: str) -> dict[str, int]:
    """Read a text like "1 none, 3 moderate"."""
    pairs = (part.split(" ", 1) for part in classes.split(", "))
    return {word: int(count) for count, word in pairs}


def _distance_m(outline: Any, lat: float, lon: float) -> float:
    """Geodesic distance from a point (degrees) to the nearest point of an outline."""
    if outline.distance(shapely.Point(lon, lat)) == 0:
        return 0.0
    shrink = math.cos(math.radians(lat))  # degrees east and north made alike, so that the nearest point is it
    scaled = shapely.transform(outline, lambda points: points * [shrink, 1])
    there = shapely.shortest_line(shapely.Point(lon * shrink, lat), scaled).coords[1]
    return float(pyproj.Geod(ellps="WGS84").inv(lon, lat, there[0] / shrink, there[1])[2])


def check_index(path: Path, frame: gpd.GeoDataFrame) -> list[str]:
    """Re-read with three readers and compare with the rows that the bags give; return what differs."""
    return geopackage.check_geopackage(path, (LOTS,), CRS, {LOTS.name: frame})
