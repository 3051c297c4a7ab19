"""Cores, gauge readings and points: what the mat was at each, within the uncertainty of its place."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from ...delivery import tell
from ...kernels import gaussian_places
from ...model import Core
from ...published import Place, Published, Readings
from ...tables import CORES

FARTHEST_M = 3.0  # a place farther from every reading was not measured (common practice, no source)
REACH = 2.5  # sigmas around which readings are looked at; the 95 % ellipse reaches 2.45
NOTHING: dict[str, Any] = {
    column.name: None if column.dtype == "text" else pd.NaT if column.dtype == "datetime" else np.nan
    for column in CORES.found()
}


def cores_frame(
    published: Published, passes: dict[str, Readings], cores: tuple[Core, ...]
) -> gpd.GeoDataFrame:
    """Place each core on the mat and tell what the mat was there.

    Parameters
    ----------
    passes : dict
        First looks by pass.
    cores : tuple of Core
        In metres of the result's map CRS, or by station and offset.

    Returns
    -------
    GeoDataFrame with the columns of `tables.CORES`, SI, geometry in metres; one row a core, in order.
    """
    rows = [_row(published, passes, core) for core in cores]
    columns = [column.name for column in CORES.found()]
    frame = pd.DataFrame([{name: row[name] for name in columns} for row in rows], columns=columns)
    frame["note"] = pd.Series(
        [row["note"] for row in rows], dtype=object
    )  # sentences that know their numbers
    geometry = [row["geometry"] for row in rows]
    return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(geometry, dtype="geometry"))


def _row(published: Published, passes: dict[str, Readings], core: Core) -> dict[str, Any]:
    by_station = np.isfinite(core.station_m)
    row = NOTHING | {
        "core_id": core.core_id, "kind": core.kind, "source": core.source, "own_sigma_m": core.sigma_m,
        "placed_by": "station" if by_station else "map", "frame_accuracy_m": core.accuracy_m,
        "density_kg_m3": core.density_kg_m3, "gmm": core.gmm, "of_gmm_frac": core.of_gmm_frac,
        "station_m": core.station_m, "offset_m": core.offset_m,
        "geometry": None if by_station else shapely.Point(core.easting_m, core.northing_m),
    }  # fmt: skip
    readings, place, note = _find(published, passes, core)
    row["note"] = note
    if readings is None or place is None:
        return row
    around = _around(readings, place, core)
    near = readings.frame.iloc[place.nearest]
    return row | around | {
        "geometry": shapely.Point(place.easting_m, place.northing_m),
        "pass_id": readings.pass_id, "station_m": place.station_m, "offset_m": place.offset_m,
        "edge_from_m": place.edge_from_m, "edge_side": place.edge_side, "laid_utc": near["laid_utc"],
        "look_age_s": float(near["look_age_s"]), "speed_mps": float(near["speed_mps"]),
        **_profile(published, readings.pass_id, place),
        **_zone(published, readings.pass_id, place, (around["sigma_along_m"], around["sigma_across_m"])),
        **_stop(published, readings.pass_id, place),
        "note": note or _caution(place, around),
    }  # fmt: skip


def _find(
    published: Published, passes: dict[str, Readings], core: Core
) -> tuple[Readings | None, Place | None, str | None]:
    """Pass and place of a core: where it lies inside; of several the later laid, as on the map; and why not."""
    by_station = bool(np.isfinite(core.station_m))
    at = (core.station_m, core.offset_m) if by_station else (core.easting_m, core.northing_m)
    found = [
        (readings, place)
        for readings in passes.values()
        if (place := readings.place(np.array(at), FARTHEST_M, by_station)) is not None
    ]
    if not found:
        return None, None, tell("no reading of this lot lies within {far_m:.0f} of it", far_m=FARTHEST_M)
    if by_station and len(found) > 1 and not published.quality["stations"]["line"]:
        return (
            None,
            None,
            "stations run along each pass's own path, and several have this one: give a map position",
        )
    best = max(found, key=lambda item: (min(item[1].edge_from_m, 0.0), _laid(*item)))
    return *best, None


def _laid(readings: Readings, place: Place) -> float:
    return float(pd.Timestamp(readings.frame["laid_utc"].iloc[place.nearest]).timestamp())


def _around(readings: Readings, place: Place, core: Core) -> dict[str, Any]:
    """Temperatures within the position's uncertainty, each reading weighted by how likely the core lies there."""
    near = readings.frame.iloc[place.nearest]
    own2 = core.sigma_m**2 + core.accuracy_m**2
    sigma = tuple(float(np.sqrt(own2 + near[f"sigma_{way}_m"] ** 2)) for way in ("along", "across"))
    footprint = (readings.step_m, readings.pitch_m)
    reach_m = REACH * max(np.hypot(sigma, footprint)) + place.away_m
    rows = readings.near(np.array([place.easting_m, place.northing_m]), reach_m)
    rows = rows[readings.frame["on_mat"].to_numpy()[rows]]
    away = readings.map_m[rows] - (place.easting_m, place.northing_m)
    right = np.array([place.upstation[1], -place.upstation[0]])
    weight = gaussian_places.weights(away @ place.upstation, away @ right, sigma, footprint)
    rows, weight = rows[weight > 0], weight[weight > 0]
    found: dict[str, Any] = {
        "sigma_along_m": sigma[0], "sigma_across_m": sigma[1], "reading_count": len(rows),
    }  # fmt: skip
    if len(rows) == 0:
        return found
    part = readings.frame.iloc[rows]
    temp_c, reference_c = part["temp_c"].to_numpy(float), part["reference_c"].to_numpy(float)
    mean = float(weight @ temp_c)
    return found | {
        "temp_mean_c": mean,
        "temp_min_c": float(temp_c.min()),
        "temp_sd_delta_c": float(np.sqrt(weight @ (temp_c - mean) ** 2)),
        "kept_frac": float(min(weight @ part["kept"].to_numpy(float), 1.0)),
        "reference_c": float(weight @ reference_c),
        "deficit_delta_c": float(weight @ (reference_c - temp_c)),
    }


def _profile(published: Published, pass_id: str, place: Place) -> dict[str, Any]:
    profiles = published.frames["profiles"]
    holds = (profiles["pass_id"] == pass_id) & (profiles["station_from_m"] <= place.station_m)
    holds &= profiles["station_to_m"] > place.station_m
    if not holds.any():
        return {}
    profile = profiles[holds].iloc[0]
    return {"profile_id": int(profile["profile_id"]), "profile_class": profile["profile_class"]}


def _zone(published: Published, pass_id: str, place: Place, sigma: tuple[float, float]) -> dict[str, Any]:
    """The nearest zone of the pass, and the probability of lying in any of them."""
    zones = published.frames["cold_zones"]
    zones = zones[(zones["pass_id"] == pass_id) & zones.geometry.notna()]
    if zones.empty:
        return {"in_zone": False, "in_zone_frac": 0.0}
    point, shapes = shapely.Point(place.easting_m, place.northing_m), np.asarray(zones.geometry)
    inside = shapely.intersects(shapes, point)
    away = np.where(inside, -1.0, shapely.distance(shapes, point))
    best = int(np.argmin(away))
    right = np.array([place.upstation[1], -place.upstation[0]])
    likely = gaussian_places.lattice() * sigma @ np.array([place.upstation, right])
    likely += (place.easting_m, place.northing_m)
    reach = shapes[away <= float(np.abs(gaussian_places.lattice()).max()) * float(np.hypot(*sigma))]
    held = shapely.contains_xy(shapely.union_all(reach), *likely.T) if len(reach) else np.zeros(1)
    return {
        "in_zone": bool(inside.any()),
        "in_zone_frac": float(np.mean(held)),
        "zone_id": int(zones["zone_id"].iloc[best]),
        "zone_distance_m": float(shapely.distance(shapely.boundary(shapes[best]), point)),
    }


def _stop(published: Published, pass_id: str, place: Place) -> dict[str, Any]:
    stops = published.frames["stops"]
    stops = stops[stops["pass_id"] == pass_id]
    if stops.empty:
        return {}
    along = place.station_m - stops["station_m"].to_numpy(float)
    best = int(np.argmin(np.abs(along)))
    return {"stop_id": int(stops["stop_id"].iloc[best]), "stop_along_m": float(along[best])}


def _caution(place: Place, around: dict[str, Any]) -> str | None:
    if place.edge_from_m < 0:
        return "outside the mat's edge as measured"
    if around["reading_count"] == 0:
        return "no usable first look within the uncertainty of its place"
    if around["sigma_across_m"] > place.edge_from_m:
        return "nearer to the mat's edge than its sigma across"
    return None
