"""What a publisher adds to the frames of a study of one result: identity, labels, local times, degrees, units."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj

from ..tables import Table
from . import dressing
from .parquet import to_milliseconds
from .sheets.lot_sheet import LotSheet


def study_layer(frame: gpd.GeoDataFrame, table: Table, sheet: LotSheet) -> gpd.GeoDataFrame:
    """Bring a frame with the columns that a study finds, SI, geometry in metres, to the result's delivery."""
    values = _values(frame, table, sheet)
    return dressing.delivered_layer(values, frame.geometry, table, sheet.measures.delivery, sheet.crs)


def study_table(frame: pd.DataFrame, table: Table, sheet: LotSheet) -> pd.DataFrame:
    """The same for a table without geometry."""
    values = _values(frame, table, sheet)
    return pd.DataFrame(dressing.column_values(values, table, sheet.measures.delivery, sheet.measures.foot_m))


def _values(frame: pd.DataFrame, table: Table, sheet: LotSheet) -> dict[str, Any]:
    """All columns of a table, SI."""
    lot, count = sheet.config["lot"], len(frame)
    values: dict[str, Any] = {column.name: frame[column.name] for column in table.found()}
    values |= {
        "feature_uid": [f"{lot['id']}:{table.name}:{number}" for number in range(1, count + 1)],
        "lot_id": [lot["id"]] * count,
        "revision": [int(lot["revision"])] * count,
    }
    added = {column.name for column in table.columns if column.added}
    for column in table.columns:
        if column.name.endswith("_local"):
            times = pd.DatetimeIndex(pd.to_datetime(values[column.name[:-6] + "_utc"], utc=True))
            stamps = to_milliseconds(times.tz_convert(None).to_numpy("datetime64[ns]"))
            values[column.name] = dressing.local_text(stamps, lot["time_zone"])
            values[column.name[:-6] + "_utc"] = times
        elif column.name.endswith("_label"):
            metres = values[column.name[:-6] + "_m"]
            values[column.name] = [sheet.measures.labels.text(m) or None for m in metres.astype(float)]
    if "map_easting" in added:
        values["map_easting"], values["map_northing"] = on_map(frame, sheet)
    if "lon_deg" in added:
        values["lon_deg"], values["lat_deg"] = lon_lat(frame, sheet)
    return values


def on_map(frame: gpd.GeoDataFrame, sheet: LotSheet) -> np.ndarray:
    """Easting and northing of points in units of the map CRS, (2, point); NaN where there is none."""
    known = frame.geometry.notna().to_numpy()
    found = np.full((2, len(frame)), np.nan)
    points = frame.geometry[known]
    found[:, known] = points.x.to_numpy() / sheet.factor, points.y.to_numpy() / sheet.factor
    return found


def lon_lat(frame: gpd.GeoDataFrame, sheet: LotSheet) -> np.ndarray:
    """Longitude and latitude of points in the geographic frame of the map CRS; no datum shift; (2, point)."""
    back = pyproj.Transformer.from_crs(sheet.crs, sheet.crs.geodetic_crs, always_xy=True)
    found = on_map(frame, sheet)
    known = np.isfinite(found[0])
    found[:, known] = back.transform(*found[:, known])
    return found
