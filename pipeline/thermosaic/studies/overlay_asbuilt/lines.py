"""As-built lines against the edge of the mat: how far beside it they run, by station."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from ...model import AsBuilt
from ...published import Published, Readings
from ...tables import ASBUILT_LINES, LINE_OFFSETS

STEP_M = 3.0  # between places along a line: about ten feet
BESIDE_M = (
    12.0  # a place farther from every reading is not beside the mat: three lanes (common practice, no source)
)


def line_frames(
    published: Published, passes: dict[str, Readings], lines: tuple[AsBuilt, ...]
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Give the layer of as-built lines, a row a line and pass, and the places along them.

    A line is held against that edge of the mat, left or right looking upstation, that is nearer on the whole.
    """
    rows: list[dict[str, Any]] = []
    places: list[dict[str, Any]] = []
    for number, line in enumerate(lines, 1):
        beside = [
            (readings, found)
            for readings in passes.values()
            if (found := _places(published, readings, number, line))
        ]
        for readings, found in beside:
            rows.append(_summary(number, line, readings.pass_id, found))
            places += found
        if not beside:
            rows.append(_summary(number, line, None, []))
    return _frame(ASBUILT_LINES, rows), _frame(LINE_OFFSETS, places)


def _frame(table: Any, rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    names = [column.name for column in table.found()]
    frame = pd.DataFrame([{name: row[name] for name in names} for row in rows], columns=names)
    shapes = gpd.GeoSeries([row["geometry"] for row in rows], dtype="geometry")
    return gpd.GeoDataFrame(frame, geometry=shapes)


def _places(published: Published, readings: Readings, number: int, line: AsBuilt) -> list[dict[str, Any]]:
    """Places along a line that lie beside a pass, between its ends."""
    found = []
    first, last = readings.line_m[:, 0].min(), readings.line_m[:, 0].max()
    for at in _along(line.geometry):
        place = readings.place(at, BESIDE_M)
        if place is None or not first - STEP_M / 2 <= place.station_m <= last + STEP_M / 2:
            continue
        near = readings.frame.iloc[place.nearest]
        found.append({
            "source": line.source, "line_id": number, "name": line.name, "pass_id": readings.pass_id,
            "station_m": place.station_m, "offset_m": place.offset_m, "edges_m": place.edges_m,
            "sigma_across_m": float(np.hypot(near["sigma_across_m"], line.accuracy_m)),
            "geometry": shapely.Point(at),
        })  # fmt: skip
    if not found:
        return []
    off = np.array([[item["offset_m"] - edge for edge in item["edges_m"]] for item in found])
    side = int(np.argmin(np.median(np.abs(off), axis=0)))
    for item, value in zip(found, off[:, side], strict=True):
        item |= {"edge_side": ("left", "right")[side], "off_edge_m": float(value)}
    return found


def _along(geometry: Any) -> np.ndarray:
    """Places each STEP_M along every part of a line, its end included, (place, 2)."""
    found = []
    for part in shapely.get_parts(geometry):
        steps = np.append(np.arange(0.0, part.length, STEP_M), part.length)
        found.append(shapely.get_coordinates(shapely.line_interpolate_point(part, steps)))
    return np.concatenate(found)


def _summary(number: int, line: AsBuilt, pass_id: str | None, found: list[dict[str, Any]]) -> dict[str, Any]:
    off = np.array([item["off_edge_m"] for item in found]) if found else np.array([np.nan])
    station = [item["station_m"] for item in found] or [np.nan]
    return {
        "source": line.source, "line_id": number, "source_layer": line.layer, "name": line.name,
        "pass_id": pass_id, "station_from_m": min(station), "station_to_m": max(station),
        "frame_accuracy_m": line.accuracy_m, "point_count": len(found),
        "edge_side": found[0]["edge_side"] if found else None,
        "off_edge_mean_m": float(off.mean()), "off_edge_min_m": float(off.min()),
        "off_edge_max_m": float(off.max()), "off_edge_sd_m": float(off.std()),
        "sigma_across_m": float(np.median([item["sigma_across_m"] for item in found])) if found else np.nan,
        "geometry": line.geometry,
    }  # fmt: skip
