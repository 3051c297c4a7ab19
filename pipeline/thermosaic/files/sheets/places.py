"""Where to look first: at most three places, chosen by a rule that is printed beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyproj

from .lot_sheet import LotSheet

MOST = 3


@dataclass(frozen=True, eq=False, slots=True)
class Place:
    """One place worth a look, SI."""

    kind: str  # gap, zone, stop
    number: int
    station_from_m: float
    station_to_m: float
    edge_from_m: float  # NaN = the whole width
    edge_to_m: float
    edge_side: str  # left, right, or empty
    from_utc: Any
    to_utc: Any
    stop: pd.Series | None  # the stop it lies at
    speed_mps: float  # speed of the segment it lies in, NaN = unknown
    area_m2: float
    deficit_c: float
    low_c: float
    pattern: str
    sigma_m: float
    length_m: float
    pass_id: str


def first_places(sheet: LotSheet) -> list[Place]:
    """Choose at most three: the longest unmeasured stretch of a profile's length, then the coldest zones.

    Zones outside every exclusion are ranked by area x largest deficit, a measure of how much heat is missing;
    where there are fewer than three, the longest stops follow.
    """
    profile_m = sheet.config["rules"]["profile"]["length_m"]
    gaps = sheet.frames["gaps"]
    gaps = gaps[(gaps["length_m"] >= profile_m) & (gaps["kind"] != "not_paving")]
    found = [gap_place(i, row) for i, row in _ranked(gaps, gaps["length_m"]).head(1).iterrows()]
    zones = sheet.frames["cold_zones"]
    zones = zones[zones["in_scope"].fillna(True).astype(bool)]
    missing = zones["area_m2"] * zones["deficit_max_delta_c"]
    found += [zone_place(sheet, row) for _, row in _ranked(zones, missing).head(MOST - len(found)).iterrows()]
    named = {place.stop["stop_id"] for place in found if place.stop is not None}
    stops = sheet.frames["stops"]
    stops = stops[~stops["stop_id"].isin(named)]
    more = _ranked(stops, stops["duration_s"]).head(MOST - len(found))
    return found + [stop_place(row) for _, row in more.iterrows()]


def _ranked(frame: pd.DataFrame, by: pd.Series) -> pd.DataFrame:
    """Largest first; equals keep their order."""
    return frame.iloc[np.argsort(-by.to_numpy(dtype=float), kind="stable")]


def zone_place(sheet: LotSheet, zone: pd.Series) -> Place:
    stops = sheet.frames["stops"]
    at = stops[stops["stop_id"] == zone["stop_id"]] if pd.notna(zone["stop_id"]) else stops.iloc[:0]
    return Place(
        "zone", int(zone["zone_id"]), zone["station_from_m"], zone["station_to_m"],
        zone["edge_from_m"], zone["edge_to_m"], zone["edge_side"] or "",
        zone["laid_from_utc"], zone["laid_to_utc"], at.iloc[0] if len(at) else None,
        _speed_at(sheet, zone), zone["area_m2"], zone["deficit_max_delta_c"], zone["temp_min_c"],
        zone["pattern"] or "", zone["position_sigma_m"], zone["station_to_m"] - zone["station_from_m"],
        zone["pass_id"],
    )  # fmt: skip


def stop_place(stop: pd.Series) -> Place:
    return Place(
        "stop", int(stop["stop_id"]), stop["station_from_m"], stop["station_to_m"], np.nan, np.nan, "",
        stop["start_utc"], stop["end_utc"], stop, np.nan, np.nan, stop["temp_drop_delta_c"], np.nan, "",
        stop["position_sigma_m"], np.nan, stop["pass_id"],
    )  # fmt: skip


def gap_place(index: int, gap: pd.Series) -> Place:
    return Place(
        "gap", index + 1, gap["station_from_m"], gap["station_to_m"], np.nan, np.nan, "",
        gap["start_utc"], gap["end_utc"], None, np.nan, np.nan, np.nan, np.nan, gap["kind"] or "",
        np.nan, gap["length_m"], gap["pass_id"],
    )  # fmt: skip


def _speed_at(sheet: LotSheet, zone: pd.Series) -> float:
    """Mean speed of the segment in which the zone's first part was laid."""
    segments = sheet.frames["speed_segments"]
    middle = (zone["station_from_m"] + zone["station_to_m"]) / 2
    holds = (segments["pass_id"] == zone["pass_id"]) & (segments["station_from_m"] <= middle)
    holds &= segments["station_to_m"] >= middle
    return float(segments.loc[holds, "speed_mean_mps"].iloc[0]) if holds.any() else np.nan


def lon_lat(sheet: LotSheet, frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Longitude and latitude of each feature's middle in the geographic frame of the map CRS; no datum shift."""
    back = pyproj.Transformer.from_crs(sheet.crs, sheet.crs.geodetic_crs, always_xy=True)
    middle = frame.geometry.representative_point()
    lon, lat = back.transform(middle.x.to_numpy() / sheet.factor, middle.y.to_numpy() / sheet.factor)
    return np.asarray(lon), np.asarray(lat)
