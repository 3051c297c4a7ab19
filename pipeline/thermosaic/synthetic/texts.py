"""Scan, wheel and alignment as files in memory: CSV, Parquet, GeoJSON."""

from __future__ import annotations

import io
import json

import numpy as np
import pyarrow as pa
from pyarrow import csv, parquet

from .changes import value_at
from .motion import Motion
from .plan import LotPlan
from .road import Site, alignment_vertices
from .truth import Logged


def wheel_counts(plan: LotPlan, motions: tuple[Motion, ...], logged: Logged) -> np.ndarray:
    """Turn the wheel's length into counts, each step by the wheel that turned then."""
    offset = np.timedelta64(round(plan.scanner.clock_offset_s * 1000), "ms")
    time_s = (logged.wheel_time_utc - offset - np.datetime64(plan.start_utc, "ns")) / np.timedelta64(1, "s")
    quantum_m = np.full(len(time_s), plan.wheel.quantum_m)
    for motion in motions:
        mine = (time_s >= motion.knot_s[0]) & (time_s <= motion.knot_s[-1])
        quantum_m[mine] = value_at(plan, motion, "wheel_quantum_m", plan.wheel.quantum_m, time_s[mine])
    steps = np.diff(logged.wheel_m, prepend=0.0) / quantum_m
    return np.round(np.cumsum(steps)).astype(np.int64)


def scan_files(plan: LotPlan, logged: Logged, motions: tuple[Motion, ...]) -> dict[str, bytes]:
    """Write the scan, and the wheel where it has a log of its own."""
    wheel = {"wheel_m": np.round(logged.wheel_m, 4)}
    if plan.wheel.as_count:
        wheel = {"wheel_count": wheel_counts(plan, motions, logged)}
    columns = {} if plan.wheel.own_log_hz else dict(wheel)
    columns |= {f"t_{spot + 1:02d}": logged.temp_c[:, spot] for spot in range(plan.scanner.count)}
    if plan.parquet:
        files = {"scan.parquet": _parquet(logged.scan_time_utc, columns)}
    else:
        files = {"scan.csv": _csv(logged.scan_time_utc, columns, plan.scanner.decimals)}
    if plan.wheel.own_log_hz:
        files["wheel.csv"] = _csv(logged.wheel_time_utc, wheel, 4)
    return files


def iso(time_utc: np.ndarray) -> np.ndarray:
    """Write times as ISO 8601 with milliseconds and Z."""
    return np.char.add(np.datetime_as_string(time_utc, unit="ms"), "Z")


def _csv(time_utc: np.ndarray, columns: dict[str, np.ndarray], decimals: int) -> bytes:
    """Write a table with a header; float32 is written with `decimals`, NaN becomes a blank."""
    arrays = {"time_utc": pa.array(iso(time_utc))}
    for name, values in columns.items():
        rounded = np.round(values.astype(float), decimals) if values.dtype == np.float32 else values
        arrays[name] = pa.array(rounded, from_pandas=True)
    sink = io.BytesIO()
    sink.write((",".join(arrays) + "\n").encode())
    csv.write_csv(pa.table(arrays), sink, csv.WriteOptions(include_header=False, quoting_style="none"))
    return sink.getvalue()


def _parquet(time_utc: np.ndarray, columns: dict[str, np.ndarray]) -> bytes:
    arrays = {"time_utc": pa.array(time_utc, pa.timestamp("ns", tz="UTC"))}
    arrays |= {name: pa.array(values, from_pandas=True) for name, values in columns.items()}
    sink = io.BytesIO()
    parquet.write_table(pa.table(arrays), sink)
    return sink.getvalue()


def alignment_file(plan: LotPlan, site: Site) -> bytes:
    """Write the alignment as GeoJSON in the fixes' frame, without a crs member."""
    easting, northing, _ = alignment_vertices(plan, site)
    lon, lat = site.lon_lat(easting, northing)
    vertices = np.round(np.column_stack([lon, lat]), 10).tolist()
    line = {"type": "LineString", "coordinates": vertices}
    feature = {"type": "Feature", "properties": {"name": "CL"}, "geometry": line}
    return (json.dumps({"type": "FeatureCollection", "features": [feature]}) + "\n").encode()
