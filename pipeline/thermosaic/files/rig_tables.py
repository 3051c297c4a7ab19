"""Small tables that a person writes while checking the rig: CSV with a header, lengths and degrees by suffix.

`course_m` or `course_ft`, `gnss_m` or `gnss_ft`, `reference_c` or `reference_f`: the suffix is the unit.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from ..errors import InputError
from ..units import FOOT_M
from .sources import check_file, refuse

MOST_BYTES = 10_000_000


def read_wheel_runs(path: Path) -> pd.DataFrame:
    """Read runs over a measured course: course_m, counted, gnss_m (NaN where not given).

    Columns of the file: `course_m` or `course_ft`, `count` (or `wheel_m` of a logger that knows metres only),
    and optionally `gnss_m` or `gnss_ft`.
    """
    table = _read(path)
    counted = "count" if "count" in table else "wheel_m"
    runs = pd.DataFrame(
        {"course_m": _length(table, "course", path), "counted": _numbers(table, counted, path)}
    )
    has_gnss = {"gnss_m", "gnss_ft"} & set(table.columns)
    runs["gnss_m"] = _length(table, "gnss", path) if has_gnss else np.nan
    return runs


def read_reference(path: Path) -> pd.DataFrame:
    """Read readings of a reference thermometer: spot, reference_c, and time_utc or scanner_c.

    With `scanner_c` or `scanner_f` the pairs are complete; with `time_utc` (ISO 8601 with Z or offset) they are
    matched with a scan.
    """
    table = _read(path)
    spot = _numbers(table, "spot", path)
    if np.any(spot != np.round(spot)):
        raise refuse(path, "spot is the number of a column, 1 = first: whole numbers are expected")
    found = pd.DataFrame({"spot": spot.astype(int), "reference_c": _temperature(table, "reference", path)})
    if {"scanner_c", "scanner_f"} & set(table.columns):
        found["scanner_c"] = _temperature(table, "scanner", path)
    elif "time_utc" in table:
        found["time_utc"] = _times(table["time_utc"], path)
    else:
        raise refuse(path, "needs scanner_c (or scanner_f) to compare with, or time_utc to find it in a scan")
    return found


def _read(path: Path) -> pd.DataFrame:
    if check_file(path) > MOST_BYTES:
        raise refuse(path, f"is larger than {MOST_BYTES} bytes: a short table is expected")
    try:
        table = pd.read_csv(path, comment="#", skipinitialspace=True, encoding="utf-8-sig", dtype=str)
    except (ValueError, pd.errors.ParserError) as error:
        raise refuse(path, f"is not a CSV table with a header: {str(error).splitlines()[0]}") from None
    if table.empty:
        raise refuse(path, "holds no row")
    return table.rename(columns=str.strip)


def _numbers(table: pd.DataFrame, name: str, path: Path) -> np.ndarray:
    if name not in table:
        raise refuse(path, f'has no column "{name}"; it has {", ".join(map(str, table.columns))}')
    numbers = pd.to_numeric(table[name], errors="coerce").to_numpy(float)
    bad = np.flatnonzero(~np.isfinite(numbers))
    if len(bad):
        raise refuse(path, f'{name}: "{table[name].iloc[bad[0]]}" is not a number', int(bad[0]) + 2)
    return numbers


def _length(table: pd.DataFrame, name: str, path: Path) -> np.ndarray:
    if f"{name}_ft" in table:
        return _numbers(table, f"{name}_ft", path) * FOOT_M
    return _numbers(table, f"{name}_m", path)


def _temperature(table: pd.DataFrame, name: str, path: Path) -> np.ndarray:
    if f"{name}_f" in table:
        return (_numbers(table, f"{name}_f", path) - 32.0) / 1.8
    return _numbers(table, f"{name}_c", path)


def _times(texts: pd.Series, path: Path) -> np.ndarray:
    if not texts.str.contains(r"(?:Z|[+-]\d\d:?\d\d)$", na=False).all():
        raise refuse(path, "time_utc: every time needs its zone: Z, or an offset like -06:00")
    try:
        return pd.to_datetime(texts, format="ISO8601", utc=True).dt.tz_localize(None).to_numpy("M8[ns]")
    except (ValueError, InputError):
        raise refuse(path, "time_utc: times in ISO 8601 are expected, like 2026-05-14T13:20:00Z") from None
