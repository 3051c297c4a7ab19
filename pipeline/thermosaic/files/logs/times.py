"""Times of logs as UTC: strict texts, time scales, and rows in order.

A time needs its zone, from the text or stated by the format; a local time that occurs twice or never
is refused; rows are never sorted: what steps back is left out, counted and named.
"""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ...config import LogFormat
from .numbers import as_numpy

LEAP_SECONDS = (  # GPS time minus UTC in seconds from that UTC day on; IERS Bulletin C
    ("1980-01-06", 0), ("1981-07-01", 1), ("1982-07-01", 2), ("1983-07-01", 3), ("1985-07-01", 4),
    ("1988-01-01", 5),
    ("1990-01-01", 6), ("1991-01-01", 7), ("1992-07-01", 8), ("1993-07-01", 9), ("1994-07-01", 10),
    ("1996-01-01", 11), ("1997-07-01", 12), ("1999-01-01", 13), ("2006-01-01", 14), ("2009-01-01", 15),
    ("2012-07-01", 16), ("2015-07-01", 17), ("2017-01-01", 18),
)  # fmt: skip
NOT_A_TIME = np.datetime64("NaT", "ns")
_EARLIEST, _LATEST = np.datetime64("1980-01-06", "ns"), np.datetime64("2100-01-01", "ns")
_SECOND = np.timedelta64(1, "s")


def time_texts(columns: dict[str, pa.Array]) -> pa.Array:
    """Return the times of a block; a date in a column of its own is put before the time of day."""
    if "date" not in columns:
        return columns["time_utc"]
    return pa.array(
        [
            f"{day} {time}"
            for day, time in zip(columns["date"].to_pylist(), columns["time_utc"].to_pylist(), strict=True)
        ]
    )


def to_utc(texts: pa.Array, log_format: LogFormat) -> tuple[np.ndarray, np.ndarray]:
    """Turn texts or timestamps into UTC.

    Returns
    -------
    time_utc : datetime64[ns] (row)
        NaT where the text is no time.
    cause : object (row)
        "" or the cause: `bad_time`, `no_zone`, `local_time_twice_or_never`, `impossible_date`.
    """
    if pa.types.is_timestamp(texts.type):
        time, cause = _from_timestamps(texts)
    elif log_format.time_format == "iso8601":
        time, cause = _from_iso(texts)
    else:
        time, cause = _from_pattern(texts, log_format.time_format)
    time, cause = _from_scale(time, cause, log_format)
    with np.errstate(invalid="ignore"):
        far = ~((time >= _EARLIEST) & (time < _LATEST)) & (cause == "")
    return np.where(far, NOT_A_TIME, time), np.where(far, "impossible_date", cause)


def _from_timestamps(stamps: pa.Array) -> tuple[np.ndarray, np.ndarray]:
    """Take timestamps; those with a zone are UTC already, those without are marked `no_zone`."""
    time = _as_times(stamps.cast(pa.timestamp("ns"), safe=False))
    cause = np.where(np.isnat(time), "bad_time", "" if stamps.type.tz else "no_zone")
    return time, cause.astype(object)


def _from_iso(texts: pa.Array) -> tuple[np.ndarray, np.ndarray]:
    """Read ISO 8601 down to nanoseconds; times without a zone are marked `no_zone`, not dropped."""
    for kind, mark in ((pa.timestamp("ns", "UTC"), ""), (pa.timestamp("ns"), "no_zone")):
        try:
            time = _as_times(pc.cast(texts, kind))
        except pa.ArrowInvalid:
            continue
        return time, np.where(np.isnat(time), "bad_time", mark).astype(object)
    if len(texts) == 1:
        return np.full(1, NOT_A_TIME), np.full(1, "bad_time", object)
    half = len(texts) // 2
    parts = [_from_iso(texts.slice(0, half)), _from_iso(texts.slice(half))]
    return np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts])


def _as_times(stamps: pa.Array) -> np.ndarray:
    """Take Arrow timestamps of nanoseconds as numpy, NaT where there is none."""
    ns, known = as_numpy(stamps.cast(pa.int64()))
    return np.where(known, ns.view("M8[ns]"), NOT_A_TIME)


def _from_pattern(texts: pa.Array, pattern: str) -> tuple[np.ndarray, np.ndarray]:
    """Read times by a strptime pattern; one without %z leaves them marked `no_zone`."""
    import pandas as pd  # here, since few logs need it and it takes long to load

    zoned = "%z" in pattern
    series = pd.Series(texts.to_pandas(), dtype=object)
    time = pd.to_datetime(series, format=pattern, exact=True, errors="coerce", utc=zoned)
    time = (time.dt.tz_localize(None) if zoned else time).to_numpy("M8[ns]")
    return time, np.where(np.isnat(time), "bad_time", "" if zoned else "no_zone").astype(object)


def _from_scale(time: np.ndarray, cause: np.ndarray, log_format: LogFormat) -> tuple[np.ndarray, np.ndarray]:
    """Bring times without a zone to UTC by the stated scale; under `utc` they stay refused."""
    bare = cause == "no_zone"
    if log_format.time_scale == "gps":
        bare |= cause == ""
        time = np.where(bare, gps_to_utc(time), time)
    elif log_format.time_scale == "local" and bare.any():
        time = time.copy()
        time[bare] = _from_local(time[bare], str(log_format.time_zone))
    else:
        return np.where(bare, NOT_A_TIME, time), cause
    return time, np.where(bare, np.where(np.isnat(time), "local_time_twice_or_never", ""), cause)


def _from_local(local: np.ndarray, zone: str) -> np.ndarray:
    """Bring local times to UTC; NaT where a time occurs twice or never."""
    import pandas as pd  # here, since few logs need it and it takes long to load

    stated = pd.DatetimeIndex(local).tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    return stated.tz_convert("UTC").tz_localize(None).to_numpy("M8[ns]")


def gps_to_utc(gps: np.ndarray) -> np.ndarray:
    """Take the leap seconds off GPS times, (row) datetime64[ns].

    >>> gps_to_utc(np.array(["2026-05-14T13:20:18"], "M8[ns]"))[0].astype("M8[s]").item().isoformat()
    '2026-05-14T13:20:00'
    """
    days = np.array([day for day, _ in LEAP_SECONDS], "M8[ns]")
    seconds = np.array([count for _, count in LEAP_SECONDS])
    step = np.searchsorted(days + seconds * _SECOND, gps, side="right") - 1
    return gps - seconds[np.clip(step, 0, None)] * _SECOND


def on_one_clock(time_utc: np.ndarray, sets: tuple[tuple[np.datetime64, np.timedelta64], ...]) -> np.ndarray:
    """Bring a log whose clock was set to the clock of its beginning.

    Parameters
    ----------
    time_utc : datetime64[ns] (row)
        In the order in which the rows were written; a clock set back repeats times.
    sets : tuple of (moment, step)
        When it was set, on the clock of the log's beginning, and how far ahead it went, in order of time.

    Returns
    -------
    datetime64[ns] (row)
    """
    clock = time_utc.copy()
    for moment, step in sets:
        back = np.flatnonzero(clock[:-1] - clock[1:] > -step // 2) if step < np.timedelta64(0) else []
        if len(back):
            nearest = back[np.argmin(np.abs(clock[back] - moment))]
            clock[nearest + 1 :] -= step
        else:
            clock[clock >= moment] -= step
    return clock


def rows_in_order(time_utc: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Choose the rows whose times increase, leaving out as few as can be.

    Parameters
    ----------
    time_utc : datetime64[ns] (row)
        No NaT.

    Returns
    -------
    repeated, stepped_back : bool (row)
        Rows with the time of the row before (the first stays); rows that do not fit the order.
    """
    repeated = np.zeros(len(time_utc), bool)
    repeated[1:] = time_utc[1:] == time_utc[:-1]
    stepped = np.zeros(len(time_utc), bool)
    rows = np.flatnonzero(~repeated)
    ns = time_utc[rows].view("i8")
    if np.all(np.diff(ns) > 0):
        return repeated, stepped
    kept = _longest_increasing(ns)
    stepped[np.delete(rows, kept)] = True
    return repeated, stepped


def _longest_increasing(values: np.ndarray) -> list[int]:
    """Indices of a longest strictly increasing part of a sequence."""
    ends: list[int] = []
    end_values: list[int] = []
    before = np.full(len(values), -1)
    for index, value in enumerate(values.tolist()):
        place = bisect_left(end_values, value)
        before[index] = ends[place - 1] if place else -1
        if place == len(ends):
            ends.append(index)
            end_values.append(value)
        elif value < end_values[place]:
            ends[place], end_values[place] = index, value
    chain, index = [], ends[-1]
    while index >= 0:
        chain.append(int(index))
        index = before[index]
    return chain[::-1]


def largest_step_back(time_utc: np.ndarray) -> tuple[float, int]:
    """Return the largest step back between neighbours, in s against the usual interval, and its row."""
    step_s = np.diff(time_utc) / _SECOND
    row = int(np.argmin(step_s))
    usual = float(np.median(step_s[step_s > 0])) if np.any(step_s > 0) else 0.0
    return float(step_s[row]) - usual, row + 1


def name_step(step_s: float) -> str:
    """Say in words what a step of a clock usually is, with a leading comma; empty where it is nothing known.

    >>> name_step(-18.0)
    ', the 18 s between GPS time and UTC'
    >>> name_step(-3600.2)
    ', a whole hour: a time zone or daylight saving'
    """
    size = abs(step_s)
    weeks = round(size / (1024 * 604800))
    days, hours = round(size / 86400), round(size / 3600)
    if any(abs(size - count) < 0.6 for count in (16, 17, 18)):
        return f", the {size:.0f} s between GPS time and UTC"
    if weeks and abs(size - weeks * 1024 * 604800) < 43200:
        return ", 1024 weeks: the GPS week roll-over of an old receiver"
    if days and abs(size - days * 86400) < 2:
        return f", {'a whole day' if days == 1 else f'{days} whole days'}: a wrong date"
    if hours and abs(size - hours * 3600) < 2:
        return f", {'a whole hour' if hours == 1 else f'{hours} whole hours'}: a time zone or daylight saving"
    return ""
