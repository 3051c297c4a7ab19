"""quality.json, manifest.json and run.json: what was counted, what went in, what came out, and when.

JSON with sorted keys and no NaN. No absolute path, clock or host in any but run.json, so that two runs
give the same bytes.
"""

from __future__ import annotations

import importlib.metadata
import json
import math
import platform
import socket
import sys
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import __version__
from ..config import config_as_used
from ..datum import map_foot_m, unit_factor
from ..errors import ProductError
from ..model import PLACED, REASONS
from .dressing import paved_on
from .sources import sha256_of
from .weather import shift_weather, weather_readings

if TYPE_CHECKING:
    from ..model import LotRecord

QUALITY, MANIFEST, RUN = "quality.json", "manifest.json", "run.json"
LIBRARIES = (
    "fiona",
    "geopandas",
    "numba",
    "numpy",
    "pandas",
    "pyarrow",
    "pydantic",
    "pyogrio",
    "pyproj",
    "rasterio",
    "scipy",
    "shapely",
)


def plain(value: Any) -> Any:
    """Turn a value into what JSON can hold: NaN, infinity and NaT become null, times ISO 8601 UTC.

    >>> plain({"a": float("nan"), "b": np.int64(3), "c": (True, None)})
    {'a': None, 'b': 3, 'c': [True, None]}
    """
    if isinstance(value, np.datetime64):
        return None if np.isnat(value) else str(value.astype("datetime64[ms]")) + "Z"
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime | date):
        return value.isoformat()
    return value if value is None or isinstance(value, str | int | bool) else str(value)


def write_json(path: Path, content: dict[str, Any]) -> None:
    """Write sorted, indented UTF-8 JSON."""
    text = json.dumps(plain(content), indent=2, sort_keys=True, allow_nan=False, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8")


def read_json(path: Path) -> dict[str, Any]:
    """Read a JSON object; raise ValueError where it is none."""
    content = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(content, dict):
        raise ValueError(f"{path.name}: holds no JSON object")
    return content


def not_whole(folder: Path, error: Exception) -> ProductError:
    """Say that a folder is no whole result, and what to name instead or do."""
    if not (folder / MANIFEST).is_file():
        return ProductError(
            f"{folder}: is no whole result: {MANIFEST} is missing: name the folder that `thermosaic run LOT -o RESULT` "
            "wrote"
        )
    return ProductError(f"{folder}: is no whole result: {error}: take a sound copy, or run the lot again")


def reading_balance(record: LotRecord) -> dict[str, Any]:
    """Where all lines x spots went: rows, off_mat, no_position, outside_limits, kept, dropped by reason."""
    swath, reason = record.swath, record.findings.reason
    off_mat = int(np.count_nonzero(~swath.on_mat))
    placed = (swath.placed > 0)[:, None] & np.isfinite(record.stations.frame_m)
    no_position = int(np.count_nonzero(~placed & swath.on_mat))
    counts = reading_counts(record)
    rest = int(reason.size) - counts["rows"] - off_mat - no_position
    return {
        "lines": reason.shape[0],
        "spots": reason.shape[1],
        "rows": counts["rows"],
        "off_mat": off_mat,
        "no_position": no_position,
        "outside_limits": rest,
        "kept": counts["kept"],
        "dropped": {word: counts.get(word, 0) for word in REASONS[1:]},
    }


def reading_counts(record: LotRecord) -> dict[str, int]:
    """Rows of spots.parquet: `rows`, `kept`, and each reason that occurs."""
    counts = np.bincount((record.findings.reason + 1).ravel(), minlength=len(REASONS) + 1)[1:]
    reasons = {word: int(n) for word, n in zip(REASONS[1:], counts[1:], strict=True) if n}
    return {"rows": int(counts.sum()), "kept": int(counts[0]), **reasons}


def lot_time(record: LotRecord) -> str:
    """The lot's own time, that of its last scan line, as the date of its files: ISO 8601 UTC."""
    return str(record.swath.seen_utc[-1].astype("datetime64[ms]")) + "Z"


def expected_rows(record: LotRecord) -> np.ndarray:
    """(line, spot) bool: on the mat, placed, in a pass, on the line of stations, inside the limits."""
    swath, stations = record.swath, record.stations
    lines = (swath.placed > 0) & (swath.pass_code >= 0)
    return lines[:, None] & swath.on_mat & stations.inside & np.isfinite(stations.frame_m)


def quality(record: LotRecord, layer_counts: dict[str, int]) -> dict[str, Any]:
    """Every count, doubt and number of trust, SI."""
    trajectory, config = record.trajectory, record.config
    return {
        "lot_id": config.lot.id,
        "revision": config.lot.revision,
        "program_version": __version__,
        "paved_on": paved_on(record),
        "inputs": {
            f"{i}_{tally.role}": asdict(tally) for i, tally in enumerate(record.inputs.tallies, start=1)
        },
        "readings": reading_balance(record),
        "placed_lines": _placed(record),
        "clock": {
            "offset_s": trajectory.clock_offset_s,
            "sigma_s": trajectory.clock_offset_sigma_s,
            "stated": config.rig.clock_offset_s,
        },
        "wheel": {"scale": trajectory.wheel_scale},
        "grid": {"point_scale": trajectory.point_scale, "convergence_deg": trajectory.convergence_deg},
        "positions": trajectory.diagnosis,
        "stations": {"line": record.stations.alignment, "misclosure_m": record.stations.misclosure_m},
        "mat_frames": _mat_frames(record),
        "statistic": {"sample": config.rules.statistic.sample, "cell_m": config.rules.statistic.cell_m},
        "overlap_m2": record.rasters.overlap_m2,
        "findings": record.findings.counts,
        "weather": shift_weather(record),
        "weather_readings": weather_readings(record),
        "layers": layer_counts,
        "doubts": [asdict(doubt) for doubt in record.doubts],
    }


def _placed(record: LotRecord) -> dict[str, int]:
    counts = np.bincount(record.swath.placed, minlength=len(PLACED))
    return {name or "no_position": int(n) for name, n in zip(PLACED, counts, strict=True)}


def _mat_frames(record: LotRecord) -> dict[str, Any]:
    """The zero of each pass's frame: cells are floor((station - zero) / cell), floor(offset / cell)."""
    stations = record.stations
    return {
        item.id: {
            "zero_m": stations.zero_m[code],
            "travel": stations.travel(code),
            "edges_offset_m": stations.edges_offset_m[code],
        }
        for code, item in enumerate(record.inputs.passes)
    }


def manifest(record: LotRecord, folder: Path, roles: dict[str, str]) -> dict[str, Any]:
    """Inputs, configuration, versions, coordinate operations, and every product in `folder` with its digest.

    `roles` by relative path, of every file but manifest.json and run.json.
    """
    config = record.config
    return {
        "program": "thermosaic",
        "version": __version__,
        "lot_id": config.lot.id,
        "revision": config.lot.revision,
        "inputs": [asdict(source) for source in record.inputs.sources],
        "configuration": config_as_used(config),
        "configuration_text": config.source_text,
        "versions": versions(),
        "operations": {
            "fixes_to_map": record.trajectory.operation,
            "while_reading": list(record.inputs.operations),
        },
        "crs": {"map": record.swath.crs.to_json_dict(), "unit_m": unit_factor(record.swath.crs)},
        "delivery": {"units": config.delivery.units, "foot_m": map_foot_m(record.swath.crs)},
        "products": listed(folder, roles),
    }


def listed(folder: Path, roles: dict[str, str]) -> list[dict[str, Any]]:
    """Role, path, digest and size of every product, by path; `roles` by path relative to `folder`."""
    return [
        {
            "role": role,
            "path": path,
            "sha256": sha256_of(folder / path),
            "bytes": (folder / path).stat().st_size,
        }
        for path, role in sorted(roles.items())
    ]


def versions() -> dict[str, Any]:
    """Versions of the program, Python, libraries, and of the GDAL, PROJ and GEOS inside each."""
    import fiona
    import pyogrio
    import pyproj
    import rasterio
    import shapely

    return {
        "thermosaic": __version__,
        "python": platform.python_version(),
        "libraries": {name: importlib.metadata.version(name) for name in LIBRARIES},
        "gdal": {
            "fiona": fiona.__gdal_version__,
            "pyogrio": pyogrio.__gdal_version_string__,
            "rasterio": rasterio.__gdal_version__,
        },
        "proj": {"pyproj": pyproj.proj_version_str, "rasterio": rasterio.__proj_version__},
        "geos": {"shapely": shapely.geos_version_string, "rasterio": rasterio.__geos_version__},
    }


def run_facts(started: datetime) -> dict[str, Any]:
    """Start, duration, host, command: the only facts that may differ between two runs."""
    return {
        "started_utc": started.astimezone(UTC).isoformat(timespec="seconds"),
        "duration_s": round((datetime.now(UTC) - started).total_seconds(), 2),
        "host": socket.gethostname(),
        "system": platform.platform(),
        "command": [Path(sys.argv[0]).name, *sys.argv[1:]],
    }
