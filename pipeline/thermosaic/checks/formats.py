"""Show the first rows of each log as its format file understands them, beside the file's own text."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from ..config import LogFormat, LotConfig
from ..delivery import Reader, in_units, tell
from ..errors import ThermosaicError
from ..files.logs import reading as logs
from ..files.logs.tails import copy_start
from ..model import QUALITIES

START_BYTES = 60_000
ROWS = 3


def explain_formats(config: LotConfig) -> list[str]:
    """Say for every log which format reads it and what its first rows become.

    Returns
    -------
    list of str
        Lines for a person. A log that its format cannot read is a line with the reason: nothing is raised.
    """
    lines: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        for role in ("scan", "fixes", "wheel"):
            paths, log_format = getattr(config.files, role), getattr(config, f"{role}_format")
            if not paths or log_format is None:
                continue
            copy = Path(folder) / paths[0].name
            lines += [f"{role}: {paths[0].name} by format {log_format.id} ({log_format.title})"]
            lines += [f"  {line}" for line in _stated(log_format)]
            try:
                copy_start(paths[0], copy, log_format, START_BYTES)
                lines += [f"  {line}" for line in _READERS[role](copy, log_format, config)]
            except ThermosaicError as error:
                lines.append(f"  cannot be read so: {error}")
    return lines


def _stated(log_format: LogFormat) -> list[str]:
    """What the format file states about texts, times and units."""
    if log_format.container == "nmea":
        return ["NMEA 0183 sentences, times in UTC"]
    zone = f" in {log_format.time_zone}" if log_format.time_zone else ""
    kind = (
        "Parquet"
        if log_format.container == "parquet"
        else (f'delimiter "{log_format.delimiter}", decimal mark "{log_format.decimal}"')
    )
    columns = ", ".join(f"{ours} = {theirs}" for ours, theirs in log_format.columns.items())
    spots = f", spots {log_format.spots} in {log_format.temperature_unit}" if log_format.spots else ""
    return [
        f"{kind}; times {log_format.time_scale}{zone}, {log_format.time_format}; lengths in {log_format.length_unit}",
        f"columns: {columns}{spots}",
    ]  # fmt: skip


def _scan(path: Path, log_format: LogFormat, config: LotConfig) -> list[str]:
    rows, _ = logs.read_scan((path,), log_format)
    lines = [f"{rows.temp_c.shape[1]} spots; first rows as understood:"]
    for time, temp in zip(rows.time_utc[:ROWS], rows.temp_c, strict=False):
        first, last = (_degrees(temp[place]) for place in (0, -1))
        middle = _degrees(temp[len(temp) // 2])
        lines.append(f"{_moment(time)}  first spot {first}, middle {middle}, last {last}")
    return lines


def _fixes(path: Path, log_format: LogFormat, config: LotConfig) -> list[str]:
    fixes, _, _ = logs.read_fixes((path,), log_format, config.crs.fixes)
    lines = ["first fixes as understood:"]
    for row in range(min(ROWS, len(fixes.time_utc))):
        sigma = f"{fixes.sigma_m[row]:.3f} m" if np.isfinite(fixes.sigma_m[row]) else "not stated"
        lines.append(
            f"{_moment(fixes.time_utc[row])}  lon {fixes.lon_deg[row]:.7f}, lat {fixes.lat_deg[row]:.7f}, height "
            f"{fixes.height_m[row]:.2f} m, {QUALITIES[fixes.quality[row]]}, sigma {sigma}"
        )
    return lines


def _wheel(path: Path, log_format: LogFormat, config: LotConfig) -> list[str]:
    wheel, _, _ = logs.read_wheel((path,), log_format, config.rig.wheel_per_count_m)
    rows = zip(wheel.time_utc[:ROWS], wheel.wheel_m, strict=False)
    return ["first rows as understood:", *(f"{_moment(time)}  {length:.3f} m" for time, length in rows)]


def _moment(time_utc: np.datetime64) -> str:
    return f"{np.datetime_as_string(time_utc, unit='ms')}Z"


def _degrees(temp_c: float) -> str:
    if np.isnan(temp_c):
        return "no reading"
    text = tell("{temp_c:.1f}", temp_c=temp_c)
    return f"{text} ({in_units(text, *Reader('us'))})"


_READERS = {"scan": _scan, "fixes": _fixes, "wheel": _wheel}
