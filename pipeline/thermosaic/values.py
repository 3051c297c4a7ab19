"""Kinds of values that settings hold, each with its unit, range, example and schema, as annotated types.

A value comes as TOML has it and leaves as the program uses it: quantities in SI, times with their zone,
stations in metres, paths inside the lot folder. What cannot be read is a ValueError in plain words.
"""

from __future__ import annotations

import difflib
import math
import posixpath
import re
import unicodedata
import zoneinfo
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BeforeValidator, ValidationInfo, WithJsonSchema

from .datum import read_crs
from .units import StationLabels, parse_quantity, quantity_pattern

_EXAMPLES = {
    "length": "2.5 m", "time": "0.4 s", "angle": "3 deg", "speed": "0.5 m/min", "area": "4 ft2",
    "area_mass": "220 lb/yd2", "temperature": "265 degF", "temperature difference": "25 degF",
    "slope": "2 %",
}  # fmt: skip
_SI = {
    "length": "m", "time": "s", "angle": "deg", "speed": "m/s", "area": "m2", "area_mass": "kg/m2",
    "temperature": "degC", "temperature difference": "degC of difference",
    "slope": "of rise over run",
}  # fmt: skip
_US_ZONES = {  # what people say, and the zone's place in the IANA time zone database
    "eastern": "America/New_York", "edt": "America/New_York",
    "central": "America/Chicago", "cst": "America/Chicago", "cdt": "America/Chicago",
    "mountain": "America/Denver", "mdt": "America/Denver",
    "pacific": "America/Los_Angeles", "pst": "America/Los_Angeles", "pdt": "America/Los_Angeles",
}  # fmt: skip
_OFFSET_NAMES = re.compile(
    r"EST|MST|HST|[ECMP]ST[5-8][ECMP]DT|Etc/GMT[+-][0-9]+|GMT([+-]?0)?|(Etc/)?Greenwich"
)
_PLACES = {  # by hours from UTC in January: a place with daylight time in summer, and one without
    -10: ("America/Adak", "Pacific/Honolulu"), -9: ("America/Anchorage", ""), -8: ("America/Los_Angeles", ""),
    -7: ("America/Denver", "America/Phoenix"), -6: ("America/Chicago", "America/Regina"),
    -5: ("America/New_York", "America/Panama"), 0: ("Europe/London", "Atlantic/Reykjavik"),
}  # fmt: skip
_DEVICES = re.compile(r"(?i)(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?")


def shown(value: Any) -> str:
    """Write a value for a message, cut to a readable length."""
    text = (
        f'"{value}"'
        if isinstance(value, str)
        else str(value).lower()
        if isinstance(value, bool)
        else str(value)
    )
    return text if len(text) <= 70 else f"{text[:60]}.. ({len(text)} characters)"


def _quantity(kind: str, low: float, high: float, *words: str, side_needed: bool = False) -> Any:
    """Make the annotated type of a quantity in SI within [low, high]."""
    example = f'"{_EXAMPLES[kind]}{" " + words[0] if words else ""}"'

    def parse(value: Any) -> float:
        if not isinstance(value, str):
            raise ValueError(
                f"a {kind} needs its unit, {shown(value)} has none: write it as text, like {example}"
            )
        number = parse_quantity(value, kind, words)
        if not low <= number <= high:
            raise ValueError(f"{shown(value)} is outside the allowed range {low:g} .. {high:g} {_SI[kind]}")
        if side_needed and number != 0 and not value.rstrip(" ").endswith(words):
            raise ValueError(f"{shown(value)} does not say which way: add {' or '.join(words)}")
        return number

    schema = {
        "type": "string",
        "pattern": quantity_pattern(kind, words),
        "examples": [example.strip('"')],
        "$comment": f"{low:g} .. {high:g} {_SI[kind]}",  # JSON Schema cannot bound a text with a unit
    }
    return Annotated[float, BeforeValidator(parse), WithJsonSchema(schema)]


def _number(low: float, high: float, whole: bool = False) -> Any:
    """Make the annotated type of a plain number, a count or a share within [low, high]."""
    word, kinds = ("whole number", int) if whole else ("number", (int, float))

    def parse(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, kinds):
            raise ValueError(f"a {word} without quotes is expected, not {shown(value)}")
        if not low <= value <= high:  # also refuses nan
            raise ValueError(f"{shown(value)} is outside the allowed range {low:g} .. {high:g}")
        return value if whole else float(value)

    schema = {"type": "integer" if whole else "number", "minimum": low, "maximum": high}
    return Annotated[int if whole else float, BeforeValidator(parse), WithJsonSchema(schema)]


def _is_plain(value: str, allowed: str = "") -> bool:
    """Tell whether a text holds no control character and no invisible one that turns its direction."""
    return all(
        char in allowed or unicodedata.category(char) not in ("Cc", "Cf", "Cs", "Zl", "Zp") for char in value
    )


def _text(longest: int, lines: bool = False) -> Any:
    """Make the annotated type of a text that is shown as text and never used as a name of a file."""

    def parse(value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError(f"text in quotes is expected, not {shown(value)}")
        if not value.strip() or len(value) > longest:
            raise ValueError(f"{shown(value)} must have 1 .. {longest} characters")
        if not _is_plain(value, "\n\t" if lines else ""):
            raise ValueError(f"{shown(value)} holds control or invisible characters")
        return value

    return Annotated[str, BeforeValidator(parse), WithJsonSchema({"type": "string", "maxLength": longest})]


def _parse_name(value: Any) -> str:
    """Take an id that becomes a file name on every system."""
    if not isinstance(value, str):
        raise ValueError(f"an id is text in quotes, not {shown(value)}")
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", value):
        raise ValueError(
            f"{shown(value)} becomes file names: 1 .. 64 letters, digits, . _ - and a letter or digit first"
        )
    if value.endswith(".") or _DEVICES.fullmatch(value):
        raise ValueError(f"{shown(value)} cannot be a file name on every system: choose another")
    return value


def path_inside(value: Any) -> str:
    """Return a path relative to a folder, tidied, if it stays inside it and is a file name on every system.

    >>> path_inside("logs/../scan 1.csv")
    'scan 1.csv'
    """
    if not isinstance(value, str):
        raise ValueError(f"a path is text in quotes, not {shown(value)}")
    if value.startswith(("/", "~")) or re.match(r"[A-Za-z]:", value):
        raise ValueError(f"{shown(value)} is absolute: write it relative to the lot folder")
    if not value or len(value) > 240 or "\\" in value or not _is_plain(value):
        raise ValueError(f"{shown(value)} is not a path: 1 .. 240 printable characters, / between folders")
    normal = posixpath.normpath(value)
    parts = normal.split("/")
    if ".." in parts:
        raise ValueError(f"{shown(value)} leaves the lot folder: keep the file inside it")
    if normal == ".":
        raise ValueError(f"{shown(value)} is the lot folder itself: name a file in it")
    if any(re.search(r'[<>:"|?*]|[. ]$', part) or _DEVICES.fullmatch(part) for part in parts):
        raise ValueError(f"{shown(value)} cannot be a file name on every system: choose another")
    return normal


def _parse_path(value: Any, info: ValidationInfo) -> Path:
    """Take a path relative to the lot folder that stays inside it; absolute once the folder is known."""
    folder = (info.context or {}).get("folder")
    return Path(path_inside(value)) if folder is None else Path(folder) / path_inside(value)


def _parse_paths(value: Any, info: ValidationInfo) -> tuple[Path, ...]:
    """Take one path or a list of them, read in order as one log."""
    values = value if isinstance(value, tuple | list) else (value,)
    paths = tuple(_parse_path(item, info) for item in values)
    if not 1 <= len(paths) <= 1000 or len(set(paths)) < len(paths):
        raise ValueError("a list of files names 1 .. 1000 files, each once")
    return paths


def _parse_paths_or_none(value: Any, info: ValidationInfo) -> tuple[Path, ...]:
    """Take no path, one, or a list of them."""
    return () if value == () else _parse_paths(value, info)


def _parse_time(value: Any) -> datetime:
    """Read an ISO 8601 time with its zone."""
    example = '"2026-05-14T13:20:00-06:00"'
    if not isinstance(value, str):
        raise ValueError(f"write a time as text in ISO 8601 with its zone, like {example}")
    try:
        time = datetime.fromisoformat(value)
    except ValueError:
        message = f"{shown(value)} is not a time: write ISO 8601 with a zone, like {example}"
        raise ValueError(message) from None
    if time.tzinfo is None:
        raise ValueError(f"{shown(value)} has no zone: add Z or an offset like -06:00")
    if not 1981 <= time.year <= 2099:
        raise ValueError(f"{shown(value)} is outside the allowed range: years 1981 .. 2099")
    return time


def _parse_date(value: Any) -> date:
    """Read a local date as text."""
    try:
        if not isinstance(value, str) or not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
            raise ValueError
        return date.fromisoformat(value)
    except ValueError:
        raise ValueError(f'{shown(value)} is not a date: write it as text, like "2026-05-14"') from None


def instant(time: datetime) -> np.datetime64:
    """Turn a stated time into what arrays of times hold, UTC.

    >>> str(instant(datetime.fromisoformat("2026-05-14T13:20:00-06:00")))[:19]
    '2026-05-14T19:20:00'
    """
    return np.datetime64(time.astimezone(UTC).replace(tzinfo=None), "ns")


def stated_time(time_utc: np.datetime64) -> datetime:
    """Turn a time of an array into one that states its zone, to the microsecond.

    >>> stated_time(np.datetime64("2026-05-14T19:20:00.25", "ns")).isoformat()
    '2026-05-14T19:20:00.250000+00:00'
    """
    return time_utc.astype("M8[us]").item().replace(tzinfo=UTC)


def duration(seconds: float) -> np.timedelta64:
    """Turn stated seconds into what is added to arrays of times.

    >>> duration(-0.25)
    np.timedelta64(-250000000,'ns')
    """
    return np.timedelta64(round(seconds * 1e9), "ns")


def _parse_station(value: Any, info: ValidationInfo) -> float:
    """Read a label into metres with the lot's labels, given as validation context."""
    labels: StationLabels = (info.context or {}).get("labels") or StationLabels()
    if not isinstance(value, str):
        raise ValueError(
            f'write a station as text, like "{labels.text(labels.example_m)}", not {shown(value)}'
        )
    return labels.parse(value)


def _parse_limit(value: Any, info: ValidationInfo) -> datetime | float:
    """Read a time or a station label."""
    is_time = isinstance(value, str) and re.match(r"[0-9]{4}-[0-9]", value)
    return _parse_time(value) if is_time else _parse_station(value, info)


def _parse_at(value: Any) -> str | int | datetime:
    """Read where a mark was noted: "first line", the number of a scan line, or a time."""
    if value == "first line" or (
        isinstance(value, int) and not isinstance(value, bool) and 1 <= value < 2**62
    ):
        return value
    if isinstance(value, str) and re.match(r"[0-9]{4}-[0-9]", value):
        return _parse_time(value)
    raise ValueError(
        f'{shown(value)} is not "first line", a scan line number from 1, or a time with its zone'
    )


def _parse_clock_offset(value: Any) -> str | float:
    """Read "auto" or a time."""
    if value == "auto":
        return "auto"
    if not isinstance(value, str):
        raise ValueError(f'write "auto" or a time with its unit, like "0.4 s", not {shown(value)}')
    number = parse_quantity(value, "time")
    if not -86400 <= number <= 86400:
        raise ValueError(f'{shown(value)} is outside the allowed range -86400 .. 86400 s (or "auto")')
    return number


def _parse_stated_offset(value: Any) -> float:
    """Read the offset of a clock that was set: "auto" finds one offset for a lot, not two."""
    if value == "auto":
        raise ValueError('"auto" finds one offset for a whole lot: state this one, like "0.4 s"')
    return float(_parse_clock_offset(value))


def _parse_zone(value: Any) -> str:
    """Take the IANA name of a time zone known on this machine."""
    if not isinstance(value, str):
        raise ValueError(f'write the IANA name of a time zone, like "America/Boise", not {shown(value)}')
    try:
        if value in ("localtime", "Factory"):  # another zone on every machine
            raise ValueError
        zoneinfo.ZoneInfo(value)
    except (ValueError, OSError, KeyError):  # a malformed key, a folder of zones, an unknown name
        known = sorted(zoneinfo.available_timezones() - {"localtime", "Factory"})
        near = [_US_ZONES.get(value.lower().removesuffix(" time"), "")]
        near = near if near[0] else difflib.get_close_matches(value[:80], known, 1)
        hint = f'; did you mean "{near[0]}"?' if near else ""
        raise ValueError(f'{shown(value)} is not an IANA time zone like "America/Boise"{hint}') from None
    return value


def _parse_site_zone(value: Any) -> str:
    """Take the zone of a place: a name that is an offset stays in winter where the site has daylight time."""
    zone = _parse_zone(value)
    if not _OFFSET_NAMES.fullmatch(zone):
        return zone
    hours = zoneinfo.ZoneInfo(zone).utcoffset(datetime(2026, 1, 1)).total_seconds() / 3600  # type: ignore[union-attr]
    changing, steady = _PLACES.get(int(hours), ("America/Boise", ""))
    advice = f'write a place in your zone, like "{changing}" (daylight time in summer)'
    advice += f' or "{steady}" (none)' if steady else ""
    raise ValueError(f'"{zone}" names an offset and no place, so summer would be a guess: {advice}')


def _frame(kind: Literal["geographic", "projected", "any"]) -> Any:
    """Make the annotated type of a reference system given as text (`EPSG:6448`, WKT, PROJ string)."""

    def parse(value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError(f'write the reference system as text, like "EPSG:6318", not {shown(value)}')
        crs = read_crs(value)
        is_kind = {"geographic": crs.is_geographic, "projected": crs.is_projected}
        if not is_kind.get(kind, crs.is_geographic or crs.is_projected):
            wanted = "horizontal" if kind == "any" else kind
            raise ValueError(
                f"{shown(value)} ({crs.name}) is a {crs.type_name}: a {wanted} one is expected here"
            )
        return value

    return Annotated[
        str, BeforeValidator(parse), WithJsonSchema({"type": "string", "examples": ["EPSG:6318"]})
    ]


def _parse_free_keys(value: Any) -> Any:
    """Take free keys with plain values."""
    if not isinstance(value, dict):
        raise ValueError(f"a table of free keys is expected, not {shown(value)}")
    for key, item in value.items():
        if not 1 <= len(key) <= 64 or not _is_plain(key):
            raise ValueError(f"{shown(key)} is not a key: 1 .. 64 printable characters")
        is_number = isinstance(item, int | float) and math.isfinite(item) and abs(item) < 2**62
        if not (is_number or (isinstance(item, str) and len(item) <= 1000 and _is_plain(item, "\n\t"))):
            raise ValueError(f"{key}: a text, a number or true/false is expected, not {shown(item)}")
    return value


def _described(type_: Any, parse: Callable[..., Any], **schema: Any) -> Any:
    return Annotated[type_, BeforeValidator(parse), WithJsonSchema(schema)]


Share = _number(0, 1)
Line = _text(200)
Note = _text(4000, lines=True)
Name = _described(str, _parse_name, type="string", pattern="^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")
LotPath = _described(Path, _parse_path, type="string", examples=["scan.csv"])
_PATHS_SCHEMA = {
    "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}],
    "examples": ["scan.csv"],
}
LotPaths = _described(tuple[Path, ...], _parse_paths, **_PATHS_SCHEMA)
LotPathsOrNone = _described(tuple[Path, ...], _parse_paths_or_none, **_PATHS_SCHEMA)
Time = _described(datetime, _parse_time, type="string", examples=["2026-05-14T13:20:00-06:00"])
IsoDate = _described(date, _parse_date, type="string", examples=["2026-05-14"])
StationM = _described(float, _parse_station, type="string", examples=["112+40.5"])
Limit = _described(
    datetime | float, _parse_limit, type="string", examples=["112+40.5", "2026-05-14T13:20:00-06:00"]
)
At = _described(
    Literal["first line"] | int | datetime,
    _parse_at,
    anyOf=[{"type": "string"}, {"type": "integer", "minimum": 1}],
    examples=["first line", 1200, "2026-05-14T13:20:00-06:00"],
)
ClockOffset = _described(
    Literal["auto"] | float, _parse_clock_offset, type="string", examples=["auto", "0.4 s"]
)
StatedOffset = _described(float, _parse_stated_offset, type="string", examples=["0.4 s"])
Zone = _described(str, _parse_zone, type="string", examples=["America/Boise"])
SiteZone = _described(str, _parse_site_zone, type="string", examples=["America/Boise"])
Length = _quantity("length", 0, 1e5)
Along = _quantity("length", -30, 30, "ahead", "behind")
Across = _quantity("length", -30, 30, "right", "left")
Height = _quantity("length", 0, 20)
Width = _quantity("length", 0.1, 60)
Size = _quantity("length", 0.001, 1000)
MarkDistance = _quantity("length", -1e4, 1e4, "before", "past", side_needed=True)
Duration = _quantity("time", 0, 86400)
Angle = _quantity("angle", -360, 360)
ScanAngle = _quantity("angle", -80, 80, "right", "left")
Speed = _quantity("speed", 0, 10)
CrossSlope = _quantity("slope", -0.2, 0.2, "down to the right", "down to the left", side_needed=True)
Area = _quantity("area", 0, 1e6)
AreaMass = _quantity("area_mass", 1, 2000)
Temperature = _quantity("temperature", -50, 400)
Difference = _quantity("temperature difference", 0, 300)
Thickness = _quantity("length", 0.005, 1)
Accuracy = _quantity("length", 0.001, 50)
CountLength = _quantity("length", 1e-7, 10)
MapCell = _quantity("length", 0.01, 5)
MatCell = _quantity("length", 0.02, 5)
Revision = _number(1, 999, whole=True)
LiftNumber = _number(1, 20, whole=True)
LineCount = _number(1, 1000, whole=True)
Epoch = _number(1980, 2100)
HighPercentile = _number(50, 100)
LowPercentile = _number(0, 50)
Word = _text(40)
GeographicFrame = _frame("geographic")
ProjectedFrame = _frame("projected")
AnyFrame = _frame("any")
FreeKeys = Annotated[dict[str, Any], BeforeValidator(_parse_free_keys)]
Direction = Literal["upstation", "downstation"]
Edge = Literal["free", "cold joint", "hot joint", "kerb"]
