"""As-built polygons: the mat within each, and the zones, stops and profiles it touches."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from ...model import AsBuilt
from ...published import Published, Readings
from ...tables import ASBUILT_AREAS, TOUCHED, TOUCHES

NUMBER = {"cold_zones": "zone_id", "stops": "stop_id", "profiles": "profile_id"}
LEAST_M2 = 1e-4  # in common: two outlines that share an edge touch by rounding


def area_frames(
    published: Published, passes: dict[str, Readings], areas: tuple[AsBuilt, ...]
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Give the layer of as-built polygons, and the table of what each touches; SI, geometry in metres."""
    touches, rows = [], []
    for number, area in enumerate(areas, 1):
        touched = _touched(published, number, area)
        touches += touched
        rows.append(_row(published, passes, number, area, touched))
    names = [column.name for column in ASBUILT_AREAS.found()]
    frame = pd.DataFrame([{name: row[name] for name in names} for row in rows], columns=names)
    shapes = gpd.GeoSeries([area.geometry for area in areas], dtype="geometry")
    columns = [column.name for column in TOUCHES.columns]
    return gpd.GeoDataFrame(frame, geometry=shapes), pd.DataFrame(touches, columns=columns)


def ground_m2(published: Published, geometry: Any) -> float:
    """Ground area of a polygon of the map."""
    return float(shapely.area(geometry)) / float(published.quality["grid"]["point_scale"]) ** 2


def _touched(published: Published, number: int, area: AsBuilt) -> list[dict[str, Any]]:
    found = []
    whole_m2 = ground_m2(published, area.geometry)
    for layer in TOUCHED:
        frame = published.frames[layer]
        for _, item in frame[frame.geometry.notna()].iterrows():
            common_m2 = ground_m2(published, shapely.intersection(area.geometry, item.geometry))
            if common_m2 > LEAST_M2:
                found.append({
                    "area_id": number, "name": area.name, "layer": layer, "number": int(item[NUMBER[layer]]),
                    "area_m2": common_m2, "of_area_frac": common_m2 / whole_m2,
                    "of_feature_frac": common_m2 / ground_m2(published, item.geometry),
                })  # fmt: skip
    return found


def _row(
    published: Published,
    passes: dict[str, Readings],
    number: int,
    area: AsBuilt,
    touched: list[dict[str, Any]],
) -> dict[str, Any]:
    mats = published.frames["mat"]
    mat = shapely.union_all(mats.geometry[mats.geometry.notna()].to_numpy())
    count = {layer: sum(item["layer"] == layer for item in touched) for layer in TOUCHED}
    row: dict[str, Any] = {
        "source": area.source, "area_id": number, "source_layer": area.layer, "name": area.name,
        "frame_accuracy_m": area.accuracy_m, "area_m2": ground_m2(published, area.geometry),
        "on_mat_m2": ground_m2(published, shapely.intersection(area.geometry, mat)),
        "zone_area_m2": sum(item["area_m2"] for item in touched if item["layer"] == "cold_zones"),
        "zone_count": count["cold_zones"], "stop_count": count["stops"], "profile_count": count["profiles"],
    }  # fmt: skip
    return row | _mat_within(passes, area.geometry)


def _mat_within(passes: dict[str, Readings], geometry: Any) -> dict[str, Any]:
    """Statistics of the first looks at mat inside a polygon, over all passes."""
    shapely.prepare(geometry)
    parts = {}
    for pass_id, readings in passes.items():
        part = readings.frame.iloc[readings.inside(geometry)]
        if len(part):
            parts[pass_id] = part
    names = ("pass_id", "station_from_m", "station_to_m", "temp_mean_c", "temp_min_c", "temp_sd_delta_c",
             "deficit_mean_delta_c", "deficit_max_delta_c", "laid_from_utc", "laid_to_utc",
             "position_sigma_m")  # fmt: skip
    nothing: dict[str, Any] = dict.fromkeys(names, np.nan) | {"pass_id": None, "reading_count": 0}
    nothing |= {"laid_from_utc": pd.NaT, "laid_to_utc": pd.NaT}
    if not parts:
        return nothing
    within = pd.concat(parts.values())
    found = nothing | {
        "pass_id": ", ".join(parts),
        "station_from_m": float(within["station_m"].min()), "station_to_m": float(within["station_m"].max()),
        "laid_from_utc": within["laid_utc"].min(), "laid_to_utc": within["laid_utc"].max(),
        "position_sigma_m": float(within["position_sigma_m"].median()),
    }  # fmt: skip
    mat = within[within["on_mat"]]
    if mat.empty:
        return found
    temp_c = mat["temp_c"].to_numpy(float)
    deficit = mat["reference_c"].to_numpy(float) - temp_c
    return found | {
        "reading_count": len(mat),
        "temp_mean_c": float(temp_c.mean()),
        "temp_min_c": float(temp_c.min()),
        "temp_sd_delta_c": float(temp_c.std()),
        "deficit_mean_delta_c": float(deficit.mean()),
        "deficit_max_delta_c": float(deficit.max()),
    }
