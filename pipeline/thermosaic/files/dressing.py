"""Layers as a delivery wants them: identity, labels, local times, CRS units, and US units by suffix.

Numbers and sentences take the delivery's units by `delivery`, so GeoPackage, tables and rasters agree.
spots.parquet, quality.json and manifest.json stay SI.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from .. import __version__
from ..datum import map_foot_m, unit_factor
from ..delivery import deliver, delivered_name, in_units
from ..tables import LAYERS, Column, Table
from .parquet import to_milliseconds

if TYPE_CHECKING:
    import pyproj

    from ..model import LotRecord

NUMBER_COLUMN = {
    "cold_zones": "zone_id",
    "stops": "stop_id",
    "speed_segments": "segment_id",
    "profiles": "profile_id",
    "diary": "entry_id",
    "profiles_by_load": "load_id",
}
NULLABLE_DTYPE = {"int32": "Int32", "int64": "Int64", "bool": "boolean"}
MULTI = {
    "MultiPolygon": ("Polygon", shapely.MultiPolygon),
    "MultiLineString": ("LineString", shapely.MultiLineString),
}


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
        record.config.rules.speed.bands_mps, record.config.delivery.units, map_foot_m(record.swath.crs)
    )[1]


def local_text(time_utc: np.ndarray, zone: str) -> np.ndarray:
    """Write UTC times (datetime64[ms]) as ISO 8601 with the zone's offset, None where there is no time."""
    local = pd.DatetimeIndex(time_utc).tz_localize("UTC").tz_convert(ZoneInfo(zone))
    texts = [None if time is pd.NaT else time.isoformat(timespec="milliseconds") for time in local]
    return np.array(texts, dtype=object)


def paved_on(record: LotRecord) -> str:
    """Local date on which the shift began: that of the first scan line in any pass."""
    seen = record.swath.seen_utc[record.swath.pass_code >= 0]
    first = pd.Timestamp(seen[0] if len(seen) else record.swath.seen_utc[0], tz="UTC")
    return first.tz_convert(ZoneInfo(record.config.lot.time_zone)).date().isoformat()


def paved_lanes(of_lot: str, of_passes: Iterable[str | None]) -> tuple[str, ...]:
    """Return the lanes that were paved: those of the passes in their order, else that of the lot.

    >>> paved_lanes("1", ["1", "2", None]), paved_lanes("1", [])
    (('1', '2'), ('1',))
    """
    return tuple(dict.fromkeys(lane or of_lot for lane in of_passes)) or (of_lot,)


def lane_words(lanes: tuple[str, ...]) -> str:
    """Name one lane or several.

    >>> lane_words(("1",)), lane_words(("1", "2"))
    ('lane 1', 'lanes 1 & 2')
    """
    return f"lane{'s' if len(lanes) > 1 else ''} {' & '.join(lanes)}"


def lot_words(record: LotRecord) -> str:
    """Name road, lanes and lift of a lot, and the day."""
    lot = record.config.lot
    lanes = paved_lanes(lot.lane, (item.lane for item in record.config.passes))
    return f"{lot.route}, {lane_words(lanes)}, lift {lot.lift}, paved on {paved_on(record)}"


def dress_layers(record: LotRecord) -> dict[str, gpd.GeoDataFrame]:
    """Every layer with all declared columns, in the delivery's units, geometries in CRS units.

    Raise ValueError where a finding frame breaks its table.
    """
    return {table.name: _dress(record.findings.frames[table.name], table, record) for table in LAYERS}


def _dress(frame: gpd.GeoDataFrame, table: Table, record: LotRecord) -> gpd.GeoDataFrame:
    """Check what was found, add the publisher's columns, convert, rename; the result passes its own table."""
    table.check(frame, dressed=False)
    values = {column.name: _typed(frame[column.name], column.dtype) for column in table.found()}
    values |= {
        c.name: _typed(_added(c.name, values, len(frame), table, record), c.dtype)
        for c in table.columns
        if c.added
    }
    return delivered_layer(values, frame.geometry, table, record.config.delivery.units, record.swath.crs)


def delivered_layer(
    values: dict[str, Any], geometry: Any, table: Table, units: str, crs: pyproj.CRS
) -> gpd.GeoDataFrame:
    """Bring all columns of a table, in SI, and geometries in metres to a delivery; the result passes its table."""
    columns = column_values(values, table, units, map_foot_m(crs))
    shapes = to_crs_units(np.asarray(geometry), str(table.geometry), unit_factor(crs))
    dressed = gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)
    delivered_table(table, units).check(dressed)
    return dressed


def column_values(values: Any, table: Table, units: str, foot_m: float) -> dict[str, Any]:
    """Columns of a frame, or of plain columns by name, by their names in a delivery, in its units."""
    typed = {column.name: _typed(values[column.name], column.dtype) for column in table.columns}
    return {
        delivered_name(c.name, units): _column(_delivered(typed[c.name], c, units, foot_m), c.dtype)
        for c in table.columns
    }


def _typed(values: Any, dtype: str) -> Any:
    """Bring values to one array type for each kind of column; times to whole milliseconds."""
    if dtype == "text":
        texts = np.array(values, dtype=object)
        texts[pd.isna(texts)] = None
        return texts
    if dtype == "datetime":
        times = pd.DatetimeIndex(values)
        times = times if times.tz is None else times.tz_convert(None)
        return to_milliseconds(times.to_numpy("datetime64[ns]"))
    if dtype in NULLABLE_DTYPE:
        return pd.array(values, dtype=NULLABLE_DTYPE[dtype])
    return pd.Series(values).to_numpy(dtype, na_value=np.nan)


def _delivered(values: Any, column: Column, units: str, foot_m: float) -> Any:
    """Numbers and sentences of a column in the delivery's units."""
    if column.dtype == "text":
        return np.array([in_units(text, units, foot_m) for text in values], dtype=object)
    return deliver(values, column.name, units, foot_m)


def _column(values: Any, dtype: str) -> Any:
    return pd.DatetimeIndex(values).tz_localize("UTC") if dtype == "datetime" else values


def _added(name: str, values: dict[str, Any], count: int, table: Table, record: LotRecord) -> Any:
    """Values of one column that the publisher adds."""
    lot, config = record.config.lot, record.config
    if name.endswith("_local"):
        return local_text(values[name.removesuffix("_local") + "_utc"], lot.time_zone)
    if name.endswith("_label"):
        metres = values[name.removesuffix("_label") + "_m"]
        return [config.labels.text(m) if np.isfinite(m) else None for m in metres]
    if name == "feature_uid":
        return _feature_uid(values.get(NUMBER_COLUMN.get(table.name, "")), count, table, lot.id)
    if name == "lane":
        lanes = {item.id: item.lane for item in record.inputs.passes}
        whole = " & ".join(paved_lanes(lot.lane, lanes.values()))
        return [lanes.get(pass_id, whole) for pass_id in values["pass_id"]]
    if name == "speed_band":
        return _speed_band(values["speed_mean_mps"], record)
    constant = {
        "lot_id": lot.id,
        "revision": lot.revision,
        "route": lot.route,
        "lift": lot.lift,
        "paved_on": paved_on(record),
        "rule_id": config.rules.id,
        "program_version": __version__,
    }
    return [constant[name]] * count


def _feature_uid(numbers: Any, count: int, table: Table, lot_id: str) -> list[str]:
    numbers = range(1, count + 1) if numbers is None else numbers.tolist()
    if len(set(numbers)) < count:
        raise ValueError(f"layer {table.name}: a number is used twice in {NUMBER_COLUMN[table.name]}")
    return [f"{lot_id}:{table.name}:{number}" for number in numbers]


def _speed_band(speed_mps: np.ndarray, record: LotRecord) -> np.ndarray:
    units, foot_m = record.config.delivery.units, map_foot_m(record.swath.crs)
    edges, names = speed_bands(record.config.rules.speed.bands_mps, units, foot_m)
    speed = deliver(speed_mps, "speed_mps", units, foot_m) * (60 if units == "si" else 1)
    bands = np.array(names, dtype=object)[np.searchsorted(edges, np.nan_to_num(speed), side="right")]
    return np.where(np.isfinite(speed), bands, None)


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
