"""Fixes as NMEA 0183 text, all rows at once: each sentence type is a byte matrix of equal row width."""

from __future__ import annotations

import numpy as np

from .plan import Gnss, LotPlan
from .sensors import QUALITIES

NMEA_QUALITY = {"none": 0, "autonomous": 1, "differential": 2, "fixed": 4, "float": 5}
KNOT_MPS = 1852 / 3600
_HEXADECIMAL = np.frombuffer(b"0123456789ABCDEF", np.uint8)

Parts = list[np.ndarray | str]


def nmea(plan: LotPlan, fixes: dict[str, np.ndarray], time_utc: np.ndarray) -> bytes:
    """Write GGA, RMC and, as planned, GST and HDT for every fix."""
    gnss, talker = plan.gnss, plan.gnss.talker
    clock, place = _clock(time_utc), _place(fixes)
    lines = [_gga(gnss, fixes, clock, place), _rmc(fixes, clock, place, time_utc)]
    if gnss.gst:
        sigma, up = _digits(fixes["sigma_m"], 3), _digits(fixes["sigma_m"] * 1.5, 3)
        lines.append(["GST,", clock, *_comma(sigma, sigma, sigma, "0.0", sigma, sigma, up)])
    if gnss.heading_sigma_deg is not None:
        lines.append(["HDT,", _digits(np.round(fixes["heading_deg"], 3) % 360, 3, 3), ",T"])
    return np.hstack([_sentence([talker, *parts], len(time_utc)) for parts in lines]).tobytes()


def _comma(*values: np.ndarray | str) -> Parts:
    """Put a comma before each value."""
    return [part for value in values for part in (",", value)]


def _gga(gnss: Gnss, fixes: dict[str, np.ndarray], clock: np.ndarray, place: Parts) -> Parts:
    above_sea = _signed(fixes["height_m"] - gnss.separation_m)
    separation = _signed(np.full(len(clock), gnss.separation_m))
    return [
        "GGA,",
        clock,
        *place,
        ",",
        _digits(_quality(fixes), 0),
        ",17,0.7,",
        *above_sea,
        ",M,",
        *separation,
        ",M,1.0,0102",
    ]


def _rmc(fixes: dict[str, np.ndarray], clock: np.ndarray, place: Parts, time_utc: np.ndarray) -> Parts:
    valid = _letters(np.where(_quality(fixes) > 0, "A", "V"), len(clock))
    knots = _digits(fixes["speed_mps"] / KNOT_MPS, 3)
    course = _digits(np.round(fixes["true_heading_deg"], 1) % 360, 1, 3)
    return ["RMC,", clock, ",", valid, *place, *_comma(knots, course, _date(time_utc)), ",,,A"]


def _quality(fixes: dict[str, np.ndarray]) -> np.ndarray:
    return np.array([NMEA_QUALITY[word] for word in QUALITIES])[fixes["quality"]]


def _place(fixes: dict[str, np.ndarray]) -> Parts:
    lat, lon = fixes["lat_deg"], fixes["lon_deg"]
    north = _letters(np.where(lat < 0, "S", "N"), len(lat))
    east = _letters(np.where(lon < 0, "W", "E"), len(lon))
    return _comma(_minutes(lat, 4), north, _minutes(lon, 5), east)


def _clock(time_utc: np.ndarray) -> np.ndarray:
    """Write the time of day as hhmmss.ss."""
    millis = (time_utc - time_utc.astype("datetime64[D]")).astype("timedelta64[ms]").astype(np.int64)
    hours, minutes = millis // 3_600_000, millis // 60_000 % 60
    return _digits(hours * 10_000 + minutes * 100 + millis % 60_000 / 1000, 2, 6)


def _date(time_utc: np.ndarray) -> np.ndarray:
    """Write the date as ddmmyy."""
    day, month = time_utc.astype("datetime64[D]"), time_utc.astype("datetime64[M]")
    of_month = (day - month).astype(np.int64) + 1
    months = month.astype(np.int64)
    return _digits(of_month * 10_000 + (months % 12 + 1) * 100 + (1970 + months // 12) % 100, 0, 6)


def _minutes(degrees: np.ndarray, width: int) -> np.ndarray:
    """Write degrees as (d)ddmm.mmmmmmm."""
    whole, rest = np.divmod(np.round(np.abs(degrees) * 60e7).astype(np.int64), 60 * 10**7)
    return _digits((whole * 10**9 + rest) / 1e7, 7, width)


def _signed(value: np.ndarray) -> Parts:
    """Write numbers of one sign with three decimals."""
    return [*(["-"] if value.max(initial=-np.inf) < 0 else []), _digits(np.abs(value), 3)]


def _digits(value: np.ndarray, decimals: int, width: int | None = None) -> np.ndarray:
    """Write non-negative numbers as ASCII (row, character), all equally wide, with leading zeros."""
    whole = np.round(np.asarray(value, dtype=float) * 10**decimals).astype(np.int64)
    width = width or len(str(int(whole.max(initial=0)) // 10**decimals))
    text = np.full((len(whole), width + decimals + (decimals > 0)), ord("."), dtype=np.uint8)
    columns = [column for column in range(text.shape[1]) if column != width]
    for column in reversed(columns):
        whole, digit = np.divmod(whole, 10)
        text[:, column] = digit + ord("0")
    return text


def _letters(values: np.ndarray | str, count: int) -> np.ndarray:
    """Write one text for all rows, or one character a row, as ASCII (row, character)."""
    if isinstance(values, str):
        return np.broadcast_to(np.frombuffer(values.encode(), np.uint8), (count, len(values)))
    return values.astype("S1").view(np.uint8).reshape(count, 1)


def _sentence(parts: Parts, count: int) -> np.ndarray:
    """Join the parts of a sentence and close it with its checksum, the XOR of all between $ and *."""
    body = np.hstack([part if isinstance(part, np.ndarray) else _letters(part, count) for part in parts])
    check = np.bitwise_xor.reduce(body, axis=1)
    digits = _HEXADECIMAL[np.column_stack([check >> 4, check & 15])]
    return np.hstack([_letters("$", count), body, _letters("*", count), digits, _letters("\r\n", count)])
