"""Layers as a delivery wants them: identity, labels, local times, CRS units, and US units by suffix.

The one place where US units are made: `deliver` converts any number by the suffix of its name, so
GeoPackage, tables and rasters agree. spots.parquet, quality.json and manifest.json stay SI.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from .. import __version__
from ..tables import LAYERS, US_SUFFIX, Column, Table, suffix
from ..units import F_PER_C, FOOT_M

if TYPE_CHECKING:
    import pyproj

    from ..model import LotRecord

NUMBER_COLUMN = {
    "cold_zones": "zone_id",
    "stops": "stop_id",
    "speed_segments": "segment_id",
    "profiles": "profile_id",
}
PANDAS_DTYPE = {
    "text": "object",
    "int32": "Int32",
    "int64": "Int64",
    "float32": "float32",
    "float64": "float64",
    "bool": "boolean",
    "datetime": "datetime64[ms, UTC]",
}

MULTI = {
    "MultiPolygon": ("Polygon", shapely.MultiPolygon),
    "MultiLineString": ("LineString", shapely.MultiLineString),
}


def delivery_foot_m(crs: pyproj.CRS) -> float:
    """Length in metres of the foot of a delivery: the map CRS's own if its unit is a foot, else 0.3048."""
    factor = float(crs.axis_info[0].unit_conversion_factor)
    return factor if abs(factor - FOOT_M) < 1e-3 else FOOT_M


def delivered_name(name: str, units: str) -> str:
    """Name of a column in a delivery.

    >>> delivered_name("deficit_max_delta_c", "us"), delivered_name("stopped_s", "us")
    ('deficit_max_delta_f', 'stopped_s')
    """
    ending = suffix(name)
    if units == "si" or ending not in US_SUFFIX:
        return name
    return name.removesuffix(ending) + US_SUFFIX[ending]


def deliver(values: Any, name: str, units: str, foot_m: float) -> Any:
    """Convert SI numbers to a delivery's unit by the suffix of their SI name.

    >>> round(deliver(129.44, "low_c", "us", 0.3048), 1)
    265.0
    >>> round(deliver(13.889, "drop_delta_c", "us", 0.3048), 1)
    25.0
    """
    ending = suffix(name)
    if units == "si" or ending not in US_SUFFIX:
        return values
    if ending == "c":
        return values * F_PER_C + 32
    factor = {"m": 1 / foot_m, "m2": 1 / foot_m**2, "mps": 60 / foot_m, "delta_c": F_PER_C}[ending]
    return values * factor


def delivered_table(table: Table, units: str) -> Table:
    """Return the table with its columns named, and so united, as in the delivery."""
    columns = tuple(replace(column, name=delivered_name(column.name, units)) for column in table.columns)
    return replace(table, columns=columns)


def speed_bands(edges_mps: tuple[float, ...], units: str, foot_m: float) -> tuple[np.ndarray, list[str]]:
    """Printed edges of the speed bands (delivery's unit) and the name of each band, lower edge included.

    The printed numbers are the edges that count, so that no speed lies outside the band that names it.

    >>> speed_bands((0.0, 0.1, 1 / 6), "si", 0.3048)[1]
    ['0-6 m/min', '6-10 m/min', 'over 10 m/min']
    """
    unit, per_mps = ("ft/min", 60 / foot_m) if units == "us" else ("m/min", 60.0)
    exact = np.array(edges_mps) * per_mps
    decimals = next(
        (d for d in range(0 if units == "us" else 1, 4) if len(set(exact.round(d))) == len(exact)), 4
    )
    edges = exact.round(decimals)
    words = [f"{value:g}" for value in edges]
    names = [f"under {words[0]} {unit}"] if edges[0] > 0 else []
    names += [f"{low}-{high} {unit}" for low, high in pairwise(words)]
    return edges[edges > 0], [*names, f"over {words[-1]} {unit}"]


def band_names(record: LotRecord) -> list[str]:
    """Names of the speed bands of a lot as delivered, slowest first."""
    return speed_bands(
        record.config.rules.speed.bands_mps, record.config.delivery.units, delivery_foot_m(record.swath.crs)
    )[1]


def local_text(time_utc: pd.Series, zone: str) -> pd.Series:
    """Write UTC times as ISO 8601 with the zone's offset, milliseconds; empty where there is no time."""
    local = time_utc.dt.tz_convert(ZoneInfo(zone))
    texts = [None if pd.isna(time) else time.isoformat(timespec="milliseconds") for time in local]
    return pd.Series(texts, time_utc.index, dtype=object)


def paved_on(record: LotRecord) -> str:
    """Local date on which the shift began: that of the first scan line in any pass."""
    seen = record.swath.seen_utc[record.swath.pass_code >= 0]
    first = pd.Timestamp(seen[0] if len(seen) else record.swath.seen_utc[0], tz="UTC")
    return first.tz_convert(ZoneInfo(record.config.lot.time_zone)).date().isoformat()


def dress_layers(record: LotRecord) -> dict[str, gpd.GeoDataFrame]:
    """Every layer with all declared columns, in the delivery's units, geometries in CRS units.

    Raise ValueError where a finding frame breaks its table.
    """
    units, foot_m = record.config.delivery.units, delivery_foot_m(record.swath.crs)
    dressed = {}
    for table in LAYERS:
        frame = record.findings.frames[table.name]
        table.check(frame, dressed=False)
        complete = _add_columns(frame.reset_index(drop=True), table, record)
        table.check(complete)
        dressed[table.name] = _deliver_frame(complete, table, units, foot_m, record.swath.crs)
    return dressed


def _add_columns(frame: gpd.GeoDataFrame, table: Table, record: LotRecord) -> pd.DataFrame:
    """Give the frame every declared column in order, typed; the geometry stays in metres."""
    typed = {c.name: _typed(frame[c.name], c) for c in table.found()}
    values: dict[str, Any] = dict(typed)
    for column in table.columns:
        if column.added:
            values[column.name] = _typed(_added(column.name, typed, frame.index, table, record), column)
    complete = pd.DataFrame({column.name: values[column.name] for column in table.columns}, index=frame.index)
    complete["geometry"] = np.asarray(frame["geometry"])
    return complete


def _typed(values: Any, column: Column) -> pd.Series:
    series = pd.Series(values)
    if column.dtype == "datetime":
        series = pd.to_datetime(series, utc=True).dt.round("ms")
    if column.dtype == "text":
        series = series.astype(object)
        return series.where(series.notna(), None)
    return series.astype(PANDAS_DTYPE[column.dtype])


def _added(name: str, typed: dict[str, pd.Series], index: pd.Index, table: Table, record: LotRecord) -> Any:
    """Values of one column that the publisher adds."""
    lot, config = record.config.lot, record.config
    if name.endswith("_local"):
        return local_text(typed[name.removesuffix("_local") + "_utc"], lot.time_zone)
    if name.endswith("_label"):
        metres = typed[name.removesuffix("_label") + "_m"]
        return pd.Series(
            [config.labels.text(m) if np.isfinite(m) else None for m in metres], index, dtype=object
        )
    if name == "feature_uid":
        return _feature_uid(typed, index, table, lot.id)
    if name == "lane":
        lanes = {item.id: item.lane for item in record.inputs.passes}
        return pd.Series([lanes.get(pass_id, lot.lane) for pass_id in typed["pass_id"]], index, dtype=object)
    if name == "speed_band":
        return _speed_band(typed["speed_mean_mps"], record)
    constant = {
        "lot_id": lot.id,
        "revision": lot.revision,
        "route": lot.route,
        "lift": lot.lift,
        "paved_on": paved_on(record),
        "rule_id": config.rules.id,
        "program_version": __version__,
    }
    return pd.Series([constant[name]] * len(index), index, dtype=object)


def _feature_uid(typed: dict[str, pd.Series], index: pd.Index, table: Table, lot_id: str) -> pd.Series:
    numbers = typed.get(NUMBER_COLUMN.get(table.name, ""), pd.Series(np.arange(1, len(index) + 1), index))
    uid = pd.Series([f"{lot_id}:{table.name}:{number}" for number in numbers], index, dtype=object)
    if uid.duplicated().any():
        raise ValueError(f"layer {table.name}: number {uid[uid.duplicated()].iloc[0]} is used twice")
    return uid


def _speed_band(speed_mps: pd.Series, record: LotRecord) -> pd.Series:
    units, foot_m = record.config.delivery.units, delivery_foot_m(record.swath.crs)
    edges, names = speed_bands(record.config.rules.speed.bands_mps, units, foot_m)
    speed = deliver(speed_mps.to_numpy(), "speed_mps", units, foot_m) * (60 if units == "si" else 1)
    bands = np.array(names, dtype=object)[np.searchsorted(edges, np.nan_to_num(speed), side="right")]
    return pd.Series(np.where(np.isfinite(speed), bands, None), speed_mps.index, dtype=object)


def _deliver_frame(
    frame: pd.DataFrame, table: Table, units: str, foot_m: float, crs: pyproj.CRS
) -> gpd.GeoDataFrame:
    """Convert numbers by suffix, rename, bring geometries to CRS units and their declared type."""
    out = {
        delivered_name(c.name, units): deliver(frame[c.name], c.name, units, foot_m) for c in table.columns
    }
    factor = float(crs.axis_info[0].unit_conversion_factor)
    geometry = to_crs_units(frame["geometry"].to_numpy(), str(table.geometry), factor)
    return gpd.GeoDataFrame(out, geometry=geometry, crs=crs)


def to_crs_units(geometries: np.ndarray, kind: str, factor: float) -> np.ndarray:
    """Divide metres by the CRS's unit factor; single parts become multi parts, empty geometries None."""
    scaled = np.array(geometries, dtype=object)
    scaled[shapely.is_empty(scaled)] = None
    if factor != 1.0:
        scaled = shapely.transform(scaled, lambda metres: metres / factor)
    single, make = MULTI.get(kind, ("", None))
    return np.array(
        [make([item]) if item and item.geom_type == single else item for item in scaled], dtype=object
    )
