"""spots.parquet: GeoParquet 1.1, one row a reading on the mat, in the order of line and spot; SI.

Built block by block of scan lines, so that memory stays small and each row group is made in cache:
points are written as well-known binary into one fixed-size buffer, texts as dictionaries of codes.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from ..datum import unit_factor
from ..model import NOT_A_ROW, PLACED, REASONS
from ..tables import SPOTS

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import pyproj

    from ..model import LotRecord

SPOTS_FILE = "spots.parquet"  # its name in a result
ROW_GROUP_ROWS = 98_304
WKB_POINT = np.dtype([("order", "u1"), ("kind", "<u4"), ("east", "<f8"), ("north", "<f8")])
ARROW_TYPES = {
    "int32": pa.int32(),
    "int64": pa.int64(),
    "float32": pa.float32(),
    "float64": pa.float64(),
    "bool": pa.bool_(),
    "datetime": pa.timestamp("ms", tz="UTC"),
    "text": pa.dictionary(pa.int8(), pa.string()),
}
NULLABLE = {"scanner", "laid_utc", "look_age_s", "temp_c", "dropped_reason", "temp_raw_c"}
DICTIONARY_CODED = ["scanner", "pass_id", "temp_c", "dropped_reason", "placed", "temp_raw_c"]
BYTE_SPLIT = [
    "easting_m", "northing_m", "station_m", "offset_m", "sigma_along_m", "position_sigma_m",
]  # fmt: skip  # smooth numbers: their high bytes repeat, their low bytes do not
STATISTICS = ["line", "seen_utc", "easting_m", "northing_m", "station_m", "temp_c"]


@dataclass(frozen=True, eq=False)
class _Block:
    """Consecutive scan lines as they become one row group: `at` flat index of its rows within the block."""

    record: LotRecord
    lines: slice
    at: np.ndarray | None  # None = every spot is a row
    line_of: np.ndarray  # (row) line within the block

    def spots(self, values: np.ndarray) -> np.ndarray:
        """(line, spot) values as rows."""
        flat = np.ascontiguousarray(values[self.lines]).reshape(-1)
        return flat if self.at is None else flat[self.at]

    def per_line(self, values: np.ndarray) -> np.ndarray:
        """(line) values of the block, repeated for each row."""
        return values[self.line_of]


def write_spots(path: Path, record: LotRecord) -> None:
    """Write every reading that is on the mat, placed and inside the limits.

    Positions are metres in `easting_m, northing_m` and CRS units in `geometry`. Raise OSError where the
    disk refuses.
    """
    schema = _spots_schema(record.swath.crs, _bounds(record))
    with (
        pq.ParquetWriter(path, schema, **_writer_options(schema)) as writer,
        ThreadPoolExecutor(1) as pool,  # one block is compressed while the next is made
    ):
        pending: Future[None] | None = None
        for block in _blocks(record):
            table = pa.Table.from_arrays(_columns(block, schema), schema=schema)
            if pending is not None:
                pending.result()
            pending = pool.submit(writer.write_table, table)
        if pending is not None:
            pending.result()


def _writer_options(schema: pa.Schema) -> dict[str, Any]:
    return {
        "compression": "zstd",
        "compression_level": dict.fromkeys(schema.names, 1) | {"geometry": -5},
        "use_dictionary": DICTIONARY_CODED,
        "use_byte_stream_split": BYTE_SPLIT,
        "write_statistics": STATISTICS,
        "write_batch_size": ROW_GROUP_ROWS,
    }


def _spots_schema(crs: pyproj.CRS, bounds: list[float] | None) -> pa.Schema:
    """Arrow schema with column meanings and the `geo` metadata of GeoParquet 1.1."""
    fields = [
        pa.field(c.name, ARROW_TYPES[c.dtype], c.name in NULLABLE, {"meaning": c.meaning, "unit": c.unit})
        for c in SPOTS.columns
    ]
    geometry: dict[str, Any] = {"encoding": "WKB", "geometry_types": ["Point"], "crs": crs.to_json_dict()}
    if bounds is not None:
        geometry["bbox"] = bounds
    geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": geometry}}
    text = json.dumps(geo, allow_nan=False, sort_keys=True)
    return pa.schema([*fields, pa.field("geometry", pa.binary(), False)], {"geo": text})


def _bounds(record: LotRecord) -> list[float] | None:
    """West, south, east, north of all rows in CRS units."""
    rows, swath = record.findings.reason > NOT_A_ROW, record.swath
    if not rows.any():
        return None
    factor = unit_factor(swath.crs)
    low, high = [], []
    for values in (swath.easting_m, swath.northing_m):
        low.append(float(np.min(values, where=rows, initial=np.inf) / factor))
        high.append(float(np.max(values, where=rows, initial=-np.inf) / factor))
    return low + high


def _blocks(record: LotRecord) -> Iterator[_Block]:
    """Cut the scan into blocks of about ROW_GROUP_ROWS readings."""
    reason = record.findings.reason
    lines, spots = reason.shape
    step = max(ROW_GROUP_ROWS // max(spots, 1), 1)
    for first in range(0, lines, step):
        part = slice(first, min(first + step, lines))
        rows = reason[part] > NOT_A_ROW
        whole = bool(rows.all())
        at = None if whole else np.flatnonzero(rows)
        if whole or len(at):
            numbers = np.arange(part.start, part.stop)
            yield _Block(record, part, at, np.repeat(numbers, rows.sum(axis=1)))


def _columns(block: _Block, schema: pa.Schema) -> list[pa.Array]:
    """Arrow arrays of one block in the order of the schema."""
    values = _values(block)
    return [_arrow(values[field.name], field) for field in schema]


def _values(block: _Block) -> dict[str, Any]:
    """Columns of one block; texts as (codes, words), -1 = none."""
    record, swath, stations = block.record, block.record.swath, block.record.stations
    pass_code, seen, laid = swath.pass_code, swath.seen_utc, swath.laid_utc
    age_s = np.where(np.isnat(laid), np.nan, (seen - laid) / np.timedelta64(1, "s")).astype("f4")
    easting, northing = block.spots(swath.easting_m), block.spots(swath.northing_m)
    along, across = block.spots(swath.sigma_along_m), block.spots(swath.sigma_across_m)
    reason = block.spots(record.findings.reason)
    spot = np.tile(np.arange(1, swath.temp_c.shape[1] + 1, dtype="i4"), block.lines.stop - block.lines.start)
    return {
        "line": block.per_line(swath.line),
        "spot": spot if block.at is None else spot[block.at],
        "scanner": _scanner(record, spot if block.at is None else spot[block.at]),
        "pass_id": (block.per_line(pass_code), [item.id for item in record.inputs.passes]),
        "seen_utc": block.per_line(to_milliseconds(seen)),
        "laid_utc": block.per_line(to_milliseconds(laid)),
        "look_age_s": block.per_line(age_s),
        "easting_m": easting,
        "northing_m": northing,
        "station_m": block.spots(stations.frame_m) + stations.zero_m[block.per_line(pass_code)],
        "offset_m": block.spots(stations.offset_m),
        "temp_c": block.spots(swath.temp_c),
        "temp_raw_c": _raw(block),
        "kept": reason == 0,
        "dropped_reason": (reason - 1, list(REASONS[1:])),
        "placed": (block.per_line(swath.placed) - 1, list(PLACED[1:])),
        "sigma_along_m": along,
        "sigma_across_m": across,
        "position_sigma_m": np.hypot(along, across),
        "speed_mps": block.per_line(swath.speed_mps).astype("f4"),
        "geometry": _points(easting, northing, unit_factor(swath.crs)),
    }


def _raw(block: _Block) -> np.ndarray:
    """Readings as logged, NaN (null) where no correction was applied and `temp_c` is the reading itself."""
    scan = block.record.inputs.scan
    if scan.correction_delta_c is None:
        return np.full(len(block.line_of), np.nan, np.float32)
    return block.spots(scan.temp_c)


def _scanner(record: LotRecord, spot: np.ndarray) -> tuple[np.ndarray, list[str]]:
    """Scanner of each reading as (codes, words); all -1 where there is one."""
    origin = record.inputs.scan.origin
    if not origin:
        return np.full(len(spot), -1), []
    words = sorted({name for name, _ in origin})
    return np.array([words.index(name) for name, _ in origin])[spot - 1], words


def to_milliseconds(time_utc: np.ndarray) -> np.ndarray:
    """Times to the millisecond, the resolution of every product."""
    return (time_utc + np.timedelta64(500, "us")).astype("datetime64[ms]")


def _arrow(values: Any, field: pa.Field) -> pa.Array:
    if isinstance(values, pa.Array):
        return values
    if isinstance(values, tuple):
        codes, words = values
        indices = pa.array(codes.astype("i1"), mask=codes < 0 if field.nullable else None)
        return pa.DictionaryArray.from_arrays(indices, pa.array(words, pa.string()))
    return pa.array(values, field.type, from_pandas=field.nullable)


def _points(easting_m: np.ndarray, northing_m: np.ndarray, factor: float) -> pa.Array:
    """Little-endian well-known binary of 2D points (OGC 06-103r4, 8.2.3), 21 bytes each, in one buffer."""
    points = np.empty(len(easting_m), WKB_POINT)
    points["order"], points["kind"] = 1, 1
    points["east"], points["north"] = easting_m / factor, northing_m / factor
    offsets = np.arange(len(points) + 1, dtype="i4") * WKB_POINT.itemsize
    return pa.Array.from_buffers(
        pa.binary(), len(points), [None, pa.py_buffer(offsets), pa.py_buffer(points)]
    )


def read_spots(path: Path, columns: list[str] | None) -> gpd.GeoDataFrame:
    """Read readings as a GeoDataFrame in the map CRS; `columns` besides the geometry, None = all."""
    import geopandas

    return geopandas.read_parquet(path, columns=None if columns is None else [*columns, "geometry"])


def read_columns(path: Path, columns: tuple[str, ...]) -> pd.DataFrame:
    """Read columns of all readings as a plain frame, without their geometry."""
    return pq.read_table(path, columns=list(columns)).to_pandas()


# ------------------------------------------------------------------------------------------- the checker


def _count_readings(path: Path) -> dict[str, int]:
    """Rows of spots.parquet: `rows`, `kept`, and one count for each reason of dropping."""
    table = pq.read_table(path, columns=["kept", "dropped_reason"])
    counts = table["dropped_reason"].value_counts().to_pylist()
    found = {"rows": table.num_rows, "kept": int(np.count_nonzero(table["kept"].to_numpy()))}
    return found | {entry["values"]: entry["counts"] for entry in counts if entry["values"] is not None}


def check_spots(path: Path, crs: pyproj.CRS, counts: dict[str, int]) -> list[str]:
    """Re-read spots.parquet and return every difference in plain words.

    `counts` are rows, kept and each reason that occurs, as `_count_readings` gives them.
    """
    try:
        found = _check_schema(path, crs)
        if not found:
            found += _check_content(path, crs)
            have = _count_readings(path)
            if have != counts:
                found.append(f"{path.name}: holds {have}, expected {counts}")
    except (pa.ArrowException, OSError, ValueError, KeyError) as error:
        return [f"{path.name}: cannot be read: {error}"]
    return found


def _check_schema(path: Path, crs: pyproj.CRS) -> list[str]:
    schema = pq.read_schema(path)
    wanted = _spots_schema(crs, None)
    found = []
    if schema.names != wanted.names or schema.types != wanted.types:
        found.append(f"{path.name}: columns are {schema.names}, expected {wanted.names} with their types")
    geo, meant = json.loads(schema.metadata[b"geo"]), json.loads(wanted.metadata[b"geo"])
    geo["columns"]["geometry"].pop("bbox", None)
    if geo != meant:
        found.append(f"{path.name}: geo metadata differs from GeoParquet 1.1 points in {crs.name}")
    return found


def _check_content(path: Path, crs: pyproj.CRS) -> list[str]:
    """Check order, geometry against coordinates, the stated bounds, and kept against reasons."""
    factor, found = unit_factor(crs), []
    file = pq.ParquetFile(path)
    bounds = json.loads(file.schema_arrow.metadata[b"geo"])["columns"]["geometry"].get("bbox")
    last, low, high = -1, np.array([np.inf, np.inf]), np.array([-np.inf, -np.inf])
    for group in range(file.num_row_groups):
        table = file.read_row_group(
            group, columns=["line", "spot", "easting_m", "northing_m", "kept", "dropped_reason", "geometry"]
        )
        order = table["line"].to_numpy() * 100_000 + table["spot"].to_numpy()
        if order[0] <= last or np.any(np.diff(order) <= 0):
            found.append(f"{path.name}: row group {group}: rows are not in the order of line and spot")
        last = order[-1]
        points = np.frombuffer(table["geometry"].combine_chunks().buffers()[2], WKB_POINT, len(order))
        for axis, (name, column) in enumerate((("east", "easting_m"), ("north", "northing_m"))):
            if not np.allclose(points[name], table[column].to_numpy() / factor, rtol=1e-12, atol=0):
                found.append(f"{path.name}: row group {group}: geometry differs from {column}")
            low[axis], high[axis] = min(low[axis], points[name].min()), max(high[axis], points[name].max())
        if table["dropped_reason"].null_count != np.count_nonzero(table["kept"].to_numpy()):
            found.append(
                f"{path.name}: row group {group}: a kept reading has a reason, or a dropped one has none"
            )
    if bounds is not None and bounds != [*low.tolist(), *high.tolist()]:
        found.append(f"{path.name}: bbox is {bounds}, points lie in {[*low.tolist(), *high.tolist()]}")
    return found
