"""Small tables that a person writes while checking the rig: CSV with a header, lengths and degrees by suffix.

`course_m` or `course_ft`, `gnss_m` or `gnss_ft`, `reference_c` or `reference_f`: the suffix is the unit.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from ..errors import InputError
from ..units import F_PER_C, FOOT_M
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


def read_sightings(path: Path) -> pd.DataFrame:
    """Read where marks on the ground were seen in a scan.

    Columns of the file: `mark`, its name; `kind`, `point` (default) or `line`; then either `spot` with `line` or
    `time_utc`, or a stretch to look through, `from_line` and `to_line` or `from_utc` and `to_utc`, with `look`,
    `hot` or `cold`. Where a mark is surveyed: `easting_m` and `northing_m` (or `_ft`: the map's own foot), or
    `lon_deg` and `lat_deg` in the frame of the fixes, or `station` (a label) and `offset_m` (or `offset_ft`) from the
    alignment, right positive looking upstation; and `sigma_m`.

    Returns
    -------
    pandas.DataFrame
        mark, kind, line, spot, from_line, to_line (NaN = not given), time_utc, from_utc, to_utc (NaT), time_step_s
        (resolution of the written time), look, easting, northing, in_feet, lon_deg, lat_deg, station ("" = not
        given), offset_m, sigma_m.
    """
    table = _read(path)
    if "mark" not in table or table["mark"].isna().any():
        raise refuse(path, 'every row needs "mark", the name of the mark that was seen')
    found = pd.DataFrame({"mark": table["mark"].str.strip()})
    found["kind"] = _words(table, "kind", ("point", "line"), "point", path)
    found["look"] = _words(table, "look", ("hot", "cold"), "", path)
    for name in ("line", "spot", "from_line", "to_line", "lon_deg", "lat_deg", "sigma_m"):
        found[name] = _some_numbers(table, name, path)
    for name in ("time_utc", "from_utc", "to_utc"):
        found[name] = _some_times(table, name, path)
    found["time_step_s"] = _time_steps(table)
    found["station"] = table["station"].str.strip().fillna("") if "station" in table else ""
    in_feet = "offset_ft" in table
    offset = _some_numbers(table, "offset_ft" if in_feet else "offset_m", path)
    found["offset_m"] = offset * (FOOT_M if in_feet else 1.0)
    found["in_feet"] = "easting_ft" in table
    suffix = "ft" if "easting_ft" in table else "m"
    for name in ("easting", "northing"):
        found[name] = _some_numbers(table, f"{name}_{suffix}", path)
    surveyed = found[["easting", "lon_deg", "offset_m"]].notna().any(axis=1)
    if ((found["kind"] == "line") & surveyed).any():
        raise refuse(path, "a line's place is not one point: give the surveyed place of a point, or none")
    return found


def units_written(path: Path) -> str:
    """Units of a small table by its columns: `us` where one ends in `_ft` or `_f`, else `si`."""
    return "us" if any(name.endswith(("_ft", "_f")) for name in _read(path)) else "si"


def _words(table: pd.DataFrame, name: str, allowed: tuple[str, ...], default: str, path: Path) -> pd.Series:
    """Read a column of words; blank or no column = the default."""
    if name not in table:
        return pd.Series(default, index=table.index)
    words = table[name].str.strip().fillna(default)
    _refuse_first(~words.isin([*allowed, default]), words, f"is not one of {', '.join(allowed)}", path)
    return words


def _refuse_first(bad: np.ndarray | pd.Series, texts: pd.Series, why: str, path: Path) -> None:
    """Refuse a table for the first marked text of a column, naming column and line."""
    for row in np.flatnonzero(bad)[:1]:
        raise refuse(path, f'{texts.name}: "{texts.iloc[row]}" {why}', int(row) + 2)


def _some_numbers(table: pd.DataFrame, name: str, path: Path) -> np.ndarray:
    """Read a column of numbers that may be blank or absent: NaN."""
    found = np.full(len(table), np.nan)
    if name in table:
        given = table[name].notna().to_numpy()
        for at in np.flatnonzero(given):
            found[at] = pd.to_numeric(table[name].iloc[at], errors="coerce")
        _refuse_first(given & ~np.isfinite(found), table[name], "is not a number", path)
    return found


def _some_times(table: pd.DataFrame, name: str, path: Path) -> np.ndarray:
    """Read a column of times with zone that may be blank or absent: NaT."""
    found = np.full(len(table), np.datetime64("NaT"), "M8[ns]")
    if name in table:
        given = table[name].notna().to_numpy()
        if given.any():
            found[given] = _times(table.loc[given, name].str.strip(), path, name)
    return found


def _time_steps(table: pd.DataFrame) -> np.ndarray:
    """Resolution of `time_utc` as written, seconds: one unit of its last digit."""
    if "time_utc" not in table:
        return np.zeros(len(table))
    digits = table["time_utc"].str.extract(r"[.](\d+)", expand=False).str.len().fillna(0)
    return 10.0 ** -digits.to_numpy(float)


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
    _refuse_first(~np.isfinite(numbers), table[name], "is not a number", path)
    return numbers


def _length(table: pd.DataFrame, name: str, path: Path) -> np.ndarray:
    if f"{name}_ft" in table:
        return _numbers(table, f"{name}_ft", path) * FOOT_M
    return _numbers(table, f"{name}_m", path)


def _temperature(table: pd.DataFrame, name: str, path: Path) -> np.ndarray:
    if f"{name}_f" in table:
        return (_numbers(table, f"{name}_f", path) - 32.0) / F_PER_C
    return _numbers(table, f"{name}_c", path)


def _times(texts: pd.Series, path: Path, name: str = "time_utc") -> np.ndarray:
    if not texts.str.contains(r"(?:Z|[+-]\d\d:?\d\d)$", na=False).all():
        raise refuse(path, f"{name}: every time needs its zone: Z, or an offset like -06:00")
    try:
        return pd.to_datetime(texts, format="ISO8601", utc=True).dt.tz_localize(None).to_numpy("M8[ns]")
    except (ValueError, InputError):
        raise refuse(path, f"{name}: times in ISO 8601 are expected, like 2026-05-14T13:20:00Z") from None
