"""Places to look at, no sample: the cold zones with most heat missing, and a line for a density profile through each.

A density profile here is a line along the mat through the coldest place of a zone, 15 m (50 ft) long (Willoughby
et al. 2002), with a reading every 5 ft (from memory, to be checked).
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from ...published import Place, Published, Readings
from ...tables import DENSITY_PROFILES, DENSITY_READINGS, PLACES_TO_LOOK
from .closed import NEAR_M
from .frames import plan_frame
from .paved import edge_kinds, rounded
from .rule import FOOT_M, PlanRule, printed_unit_m

STEP_M, STEPS = 5 * FOOT_M, 10
MOST_PLACES = 10


def place_frames(
    published: Published, passes: dict[str, Readings], rule: PlanRule
) -> dict[str, gpd.GeoDataFrame]:
    """Give places to look at, a density profile at each, and its readings; SI, geometry in metres, by table."""
    zones = _zones(published, passes)
    looked, profiles, readings = [], [], []
    for number, (_, zone) in enumerate(zones.iterrows(), 1):
        looked.append({"place_number": number, **zone})
        points = _points(published, passes[zone["pass_id"]], zone, rule)
        if len(points) < 2:
            continue
        readings += [{"place_number": number, "zone_id": zone["zone_id"], **_reading(number, i, point)}
                     for i, point in enumerate(points)]  # fmt: skip
        profiles.append(_profile(published, number, zone, points))
    found = {PLACES_TO_LOOK: looked, DENSITY_PROFILES: profiles, DENSITY_READINGS: readings}
    return {table.name: plan_frame(rows, table) for table, rows in found.items()}


def _zones(published: Published, passes: dict[str, Readings]) -> pd.DataFrame:
    """Zones outside every exclusion, those with the largest area x deficit first."""
    zones = published.frames["cold_zones"]
    zones = zones[zones["in_scope"].fillna(True).astype(bool) & zones.geometry.notna()]
    zones = zones[zones["pass_id"].isin(passes)]
    missing = (zones["area_m2"] * zones["deficit_max_delta_c"]).to_numpy(float)
    return zones.iloc[np.argsort(-missing, kind="stable")[:MOST_PLACES]]


def _points(
    published: Published, readings: Readings, zone: pd.Series, rule: PlanRule
) -> list[tuple[float, Place]]:
    """Places along the line, each with its distance from the first: through the coldest place, on the pass's mat."""
    station, offset = readings.line_m[_coldest(readings, zone)]
    edges, unit_m = readings.edges(float(station)), printed_unit_m(published)
    limits = [rule.limits_m[kind] for kind in edge_kinds(published, readings)]
    low, high = edges[0] + limits[0], edges[1] - limits[1]
    offset = float(np.clip(offset, low, high)) if low <= high else float(np.mean(edges))
    offset = rounded(offset, unit_m)
    step = STEP_M / _ground_per_station(published, readings, (station, offset))
    ends = readings.line_m[:, 0].min(), readings.line_m[:, 0].max()
    first = np.clip(station - STEPS / 2 * step, ends[0], max(ends[1] - STEPS * step, ends[0]))
    found = []
    for i in range(STEPS + 1):
        at = np.array([rounded(first + i * step, unit_m), offset])
        place = readings.place(at, NEAR_M, by_station=True)
        if place is not None and place.station_m <= ends[1] + NEAR_M:
            found.append((i * STEP_M, place))
    return found


def _coldest(readings: Readings, zone: pd.Series) -> int:
    """Row of the first look that lies farthest below its reference within a zone, else the nearest to its middle."""
    rows = readings.inside(zone.geometry)
    rows = rows[readings.frame["on_mat"].to_numpy()[rows]]
    if len(rows):
        part = readings.frame.iloc[rows]
        return int(rows[np.nanargmax((part["reference_c"] - part["temp_c"]).to_numpy(float))])
    middle = shapely.get_coordinates(shapely.point_on_surface(zone.geometry))[0]
    return int(np.argmin(np.hypot(*(readings.map_m - middle).T)))


def _ground_per_station(published: Published, readings: Readings, at: tuple[float, float]) -> float:
    """Ground length of the mat at an offset for one metre of stations: below 1 on the inner side of a bend."""
    half = STEPS / 2 * STEP_M
    ends = [
        place
        for way in (-half, 0.0, half)
        if (place := readings.place(np.array([at[0] + way, at[1]]), NEAR_M, by_station=True)) is not None
    ]
    if len(ends) < 2:
        return 1.0
    chord = np.hypot(ends[-1].easting_m - ends[0].easting_m, ends[-1].northing_m - ends[0].northing_m)
    apart = ends[-1].station_m - ends[0].station_m
    return float(chord / apart / published.quality["grid"]["point_scale"])


def _reading(number: int, step: int, point: tuple[float, Place]) -> dict[str, Any]:
    along, place = point
    return {
        "core_id": f"P{number}-{step + 1:02d}", "along_m": along, "station_m": place.station_m,
        "offset_m": place.offset_m, "edge_from_m": place.edge_from_m, "edge_side": place.edge_side,
        "geometry": shapely.Point(place.easting_m, place.northing_m),
    }  # fmt: skip


def _profile(
    published: Published, number: int, zone: pd.Series, points: list[tuple[float, Place]]
) -> dict[str, Any]:
    stations = [place.station_m for _, place in points]
    middle = points[len(points) // 2][1]
    return {
        "place_number": number, "zone_id": zone["zone_id"], "pass_id": zone["pass_id"], "travel": zone["travel"],
        "station_from_m": min(stations), "station_to_m": max(stations), "offset_m": middle.offset_m,
        "edge_from_m": middle.edge_from_m, "edge_side": middle.edge_side, "length_m": points[-1][0] - points[0][0],
        "reading_count": len(points), "position_sigma_m": zone["position_sigma_m"],
        "geometry": shapely.LineString([(place.easting_m, place.northing_m) for _, place in points]),
    }  # fmt: skip
