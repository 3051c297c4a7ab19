"""Side files that people write: diary, weather, control points, truck tickets; each by its format file.

A row that cannot be understood is left out, counted by cause, and named with file, line, column and what was
expected; the rest is used. Nothing is guessed: a word that is not known is no kind of entry.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyproj

from .. import datum
from ..config import CrsSection, LogFormat
from ..errors import ConfigError, InputError
from ..model import ControlPoint, Core, DiaryEntry, Doubt, Tally, Ticket, WeatherReading
from ..tables import CORE_KINDS, DIARY_KINDS
from ..units import OTHER_SPELLINGS, TEMPERATURES, UNITS, StationLabels
from .logs.numbers import BAD, to_numbers
from .logs.rows import read_blocks
from .logs.tallies import WRONG, Ledger, rejected_frac
from .logs.times import time_texts, to_utc
from .sources import check_file, refuse
from .vectors import pin_frame

MOST_BYTES = 20_000_000
MOST_NAMED = 5  # rows left out that are named one by one
WRITTEN_TO = np.timedelta64(60, "s")  # a diary is written to the minute: an entry without end stands for one
AIR_C, WIND_MPS, MASS_T = (-50.0, 60.0), (0.0, 80.0), (0.05, 60.0)  # beyond: another unit (common practice)
HAND_C = (-50.0, 400.0)  # of a hand reading, as of a spot's
DENSITY, GMM = (
    (1000.0, 3500.0),
    (1.5, 3.5),
)  # kg/m3 and times water: beyond it is another unit (common practice)
OF_GMM = (0.5, 1.1)  # share of the theoretical maximum, likewise
WATER_KG_M3 = 997.1  # at 25 degC, by which specific gravities are taken (AASHTO T 209, from memory)


@dataclass
class _Sheet:
    """All rows of one side file as columns by our names, and what is wrong with which row."""

    path: Path
    format: LogFormat
    ledger: Ledger
    columns: dict[str, pa.Array]
    line: np.ndarray  # int (row) in the file
    sound: np.ndarray  # bool (row)
    said: list[tuple[int, str]] = field(default_factory=list)  # line, sentence

    def texts(self, name: str) -> list[str]:
        """Texts of a column, blank where there is none."""
        if name not in self.columns:
            return [""] * len(self.line)
        return ["" if value is None else str(value).strip() for value in self.columns[name].to_pylist()]

    def refuse(self, row: int, cause: str, name: str, found: Any, expected: str) -> None:
        """Leave out a row for what stands in one of its columns; the first cause of a row counts."""
        if not self.sound[row]:
            return
        self.sound[row] = False
        line, column = int(self.line[row]), self.format.columns.get(name, name)
        self.ledger.reject(cause, [line])
        shown = str(found)[:60]
        self.said.append((line, f'{self.path.name}:{line}: column "{column}": "{shown}" {expected}'))

    def times(self, name: str, needed: bool = True) -> np.ndarray:
        """Times of a column, NaT where it is blank; a wrong one costs its row."""
        stated = (
            time_texts({"time_utc": self.columns[name], **self._date()}) if name in self.columns else None
        )
        texts = self.texts(name)
        if stated is None:
            return np.full(len(texts), np.datetime64("NaT", "ns"))
        time, cause = to_utc(stated, self.format)
        for row, text in enumerate(texts):
            if cause[row] and (text or needed):
                written = self.format.time_format
                usual = "2026-05-14T13:20:00Z" if written == "iso8601" else written
                wrong = WRONG.get(
                    cause[row], f"is no time: one like {usual} is expected, or state time_format"
                )
                self.refuse(row, str(cause[row]), name, text, wrong)
        return time

    def _date(self) -> dict[str, pa.Array]:
        return {"date": self.columns["date"]} if "date" in self.columns else {}

    def numbers(
        self,
        name: str,
        unit: tuple[float, float],
        limits: tuple[float, float],
        key: str,
        needed: bool = False,
    ) -> np.ndarray:
        """Numbers of a column in SI (scale, shift), NaN where blank; one that is none or beyond costs its row.

        `key` is the key of the format file that a number beyond its limits asks to look at.
        """
        if name not in self.columns:
            return np.full(len(self.line), np.nan)
        number, state = to_numbers(self.columns[name], self.format)
        value, texts = number * unit[0] + unit[1], self.texts(name)
        for row in np.flatnonzero((state == BAD) | (needed & ~np.isfinite(number))):
            comma = "," in texts[row] and self.format.decimal == "."
            hint = '; with a decimal comma state decimal = "," in the format file' if comma else ""
            self.refuse(int(row), "bad_number", name, texts[row], f"is no number{hint}")
        with np.errstate(invalid="ignore"):
            beyond = (value < limits[0]) | (value > limits[1])
        for row in np.flatnonzero(beyond):
            span = f"lies outside {limits[0]:g} .. {limits[1]:g} {name.rsplit('_', 1)[-1]}"
            self.refuse(
                int(row), "out_of_range", name, texts[row], f"{span}: look at {key} of the format file"
            )
        return value

    def rows(self) -> list[int]:
        """Rows that are used."""
        return [int(row) for row in np.flatnonzero(self.sound)]

    def close(self, rejected_limit: float) -> tuple[Tally, tuple[Doubt, ...]]:
        """Give the balance, and name the rows left out; InputError where they are too many."""
        tally = self.ledger.close()
        said = [sentence for _, sentence in sorted(self.said)]
        if rejected_frac(tally) > rejected_limit:
            raise InputError(
                f"{said[0]}; {tally.read - tally.used} of {tally.read} rows of the {tally.role} cannot be used, at "
                f"most {100 * rejected_limit:.0f} % are accepted: mend the file, or raise [accept] rejected_frac"
            )
        more = len(said) - MOST_NAMED
        texts = [f"{sentence}; the row is left out" for sentence in said[:MOST_NAMED]]
        texts += [f"{self.path.name}: {more} more rows are left out"] if more > 0 else []
        return tally, tuple(Doubt("s1", f"{tally.role}_row_left_out", text) for text in texts)


def _sheet(path: Path, log_format: LogFormat) -> _Sheet:
    """Read a side file whole; rows with another number of fields are counted and named."""
    if check_file(path) > MOST_BYTES:
        raise refuse(path, f"is larger than {MOST_BYTES // 10**6} MB: a {log_format.kind} is a short table")
    ledger, said = Ledger(log_format.kind), []
    blocks = list(read_blocks(path, log_format))
    for block in blocks:
        ledger.enter(block.read, block.rejected)
        for cause, lines in block.rejected:
            said += [(int(line), f"{path.name}:{line}: {WRONG[cause]}") for line in lines]
    names = blocks[0].columns if blocks else ()
    columns = {name: pa.concat_arrays([block.columns[name] for block in blocks]) for name in names}
    line = np.concatenate([block.line for block in blocks]) if blocks else np.empty(0, np.int64)
    return _Sheet(path, log_format, ledger, columns, line, np.ones(len(line), bool), said)


# ---------------------------------------------------------------------------------------------- the files


def read_diary(
    path: Path, log_format: LogFormat, labels: StationLabels, rejected_limit: float = 1.0
) -> tuple[tuple[DiaryEntry, ...], Tally, tuple[Doubt, ...]]:
    """Read a diary: entries in the order of the file.

    An entry without an end stands for its minute, or for its one station. Stations may be written in travel.

    Raises
    ------
    InputError
        A file that is no such table, or more rows than stated that cannot be used.
    """
    sheet = _sheet(path, log_format)
    if sheet.ledger.read and not {"from_utc", "from_station"} & sheet.columns.keys():
        raise refuse(path, "has neither from_utc nor from_station: a diary tells when or where", 1)
    start, end = sheet.times("from_utc", needed=False), sheet.times("to_utc", needed=False)
    first, last = (_stations(sheet, name, labels) for name in ("from_station", "to_station"))
    kinds, texts = sheet.texts("kind"), sheet.texts("text")
    from_texts = sheet.texts("from_utc")
    for row, word in enumerate(kinds):
        if word.lower() not in DIARY_KINDS:
            near = difflib.get_close_matches(word.lower(), DIARY_KINDS, 1)
            hint = f'did you mean "{near[0]}"?' if near else f"known are {', '.join(DIARY_KINDS)}"
            sheet.refuse(row, "unknown_kind", "kind", word, f"is no kind of entry: {hint}")
        if end[row] < start[row]:
            sheet.refuse(
                row, "reversed", "to_utc", sheet.texts("to_utc")[row], f"is before {from_texts[row]}"
            )
        if np.isnat(start[row]) and first[row] is None:
            sheet.refuse(
                row, "no_place", "from_utc", "", "is blank, as is from_station: when or where was it?"
            )
    entries = []
    for row in sheet.rows():
        times, places = (start[row], end[row]), (first[row], last[row])
        entries.append(_entry(int(sheet.line[row]), kinds[row].lower(), texts[row], times, places))
    return (tuple(entries), *sheet.close(rejected_limit))


def _entry(
    line: int, kind: str, text: str, times: tuple[np.datetime64, np.datetime64], places: tuple[Any, Any]
) -> DiaryEntry:
    start, end = times
    stated: dict[str, Any] = {}
    if not np.isnat(start):
        stated |= {"from_utc": start, "to_utc": start + WRITTEN_TO if np.isnat(end) else end}
    if places[0] is not None:
        low, high = sorted((places[0], places[0] if places[1] is None else places[1]))
        stated |= {"from_m": low, "to_m": high}
    return DiaryEntry(line, kind, text, **stated)


def _stations(sheet: _Sheet, name: str, labels: StationLabels) -> list[float | None]:
    found: list[float | None] = []
    for row, text in enumerate(sheet.texts(name)):
        try:
            found.append(labels.parse(text) if text else None)
        except ValueError as error:
            found.append(None)
            sheet.refuse(row, "bad_station", name, text, f"is no station: {error}")
    return found


def read_weather(
    path: Path, log_format: LogFormat, rejected_limit: float = 1.0
) -> tuple[tuple[WeatherReading, ...], Tally, tuple[Doubt, ...]]:
    """Read the weather in order of time; errors as `read_diary`."""
    sheet = _sheet(path, log_format)
    time = sheet.times("time_utc")
    air_c = sheet.numbers("air_c", TEMPERATURES[log_format.temperature_unit], AIR_C, "temperature_unit")
    per_second = UNITS["speed"][log_format.speed_unit]
    wind_mps = sheet.numbers("wind_mps", (per_second, 0.0), WIND_MPS, "speed_unit")
    sky = sheet.texts("sky")
    rows = sorted(sheet.rows(), key=lambda row: time[row])
    found = tuple(
        WeatherReading(time[row], float(air_c[row]), float(wind_mps[row]), sky[row]) for row in rows
    )
    return (found, *sheet.close(rejected_limit))


def read_tickets(
    path: Path, log_format: LogFormat, rejected_limit: float = 1.0
) -> tuple[tuple[Ticket, ...], Tally, tuple[Doubt, ...]]:
    """Read truck tickets in order of time; a ticket that stands twice is left out once. Errors as `read_diary`."""
    sheet = _sheet(path, log_format)
    time = sheet.times("time_utc")
    tonnes = UNITS["mass"][log_format.mass_unit] / 1000
    mass_t = sheet.numbers("mass_t", (tonnes, 0.0), MASS_T, "mass_unit", needed=True)
    names = sheet.texts("ticket_id")
    for row, name in enumerate(names):
        if name and name in names[:row]:
            sheet.refuse(row, "repeated_ticket", "ticket_id", name, "stands twice")
    rows = sorted(sheet.rows(), key=lambda row: time[row])
    found = tuple(Ticket(time[row], float(mass_t[row]), names[row]) for row in rows)
    return (found, *sheet.close(rejected_limit))


# ------------------------------------------------------------------------------------------ control points


def read_control(
    path: Path, log_format: LogFormat, frames: CrsSection, rejected_limit: float
) -> tuple[tuple[ControlPoint, ...], Tally, tuple[Doubt, ...], dict[str, Any] | None]:
    """Read control points into metres of the map CRS.

    Eastings and northings are in the frame of [crs] alignment where that is projected, else in the map's;
    longitudes and latitudes in that of [crs] alignment where it is geographic, else in that of the fixes.

    Returns
    -------
    points, balance, doubts, and the coordinate operation used (None where the numbers are the map's own)

    Raises
    ------
    InputError, ConfigError, MismatchError
        As `read_diary`; a frame that must be stated better; a point outside the map.
    """
    sheet = _sheet(path, log_format)
    plane, globe = _positions(sheet)
    time = sheet.times("time_utc", needed=False)
    temp_c = sheet.numbers("temp_c", TEMPERATURES[log_format.temperature_unit], HAND_C, "temperature_unit")
    is_plane, is_globe = (np.isfinite(pair[0]) & np.isfinite(pair[1]) for pair in (plane, globe))
    for row in np.flatnonzero(~is_plane & ~is_globe):
        sheet.refuse(
            int(row), "position_missing", "point_id", sheet.texts("point_id")[row], "has no position"
        )
    rows = np.array(sheet.rows(), int)
    on_globe = _one_kind(path, is_plane[rows], is_globe[rows])
    pair = np.array(globe if on_globe else plane)[:, rows]
    easting, northing, operation = _on_map(path, pair, on_globe, frames)
    names, texts = sheet.texts("point_id"), sheet.texts("text")
    points = tuple(
        ControlPoint(
            names[row], float(easting[k]), float(northing[k]), None if np.isnat(time[row]) else time[row],
            float(temp_c[row]) if np.isfinite(temp_c[row]) else None, texts[row],
        )
        for k, row in enumerate(rows)
    )  # fmt: skip
    return points, *sheet.close(rejected_limit), operation


def _positions(sheet: _Sheet) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Eastings and northings in metres, longitudes and latitudes in degrees; NaN where blank."""
    length_m = UNITS["length"][sheet.format.length_unit]
    plane = [
        sheet.numbers(n, (length_m, 0.0), (-1e8, 1e8), "length_unit") for n in ("easting_m", "northing_m")
    ]
    globe = [
        sheet.numbers(name, (1.0, 0.0), (-limit, limit), "columns")
        for name, limit in (("lon_deg", 180.0), ("lat_deg", 90.0))
    ]
    return plane, globe


def _one_kind(path: Path, is_plane: np.ndarray, is_globe: np.ndarray) -> bool:
    """Whether points are given in degrees; InputError where some are and some are not."""
    on_globe = bool(len(is_plane)) and not is_plane.all()
    if on_globe and not is_globe.all():
        raise refuse(path, "holds points in easting and northing and points in degrees: make two files of it")
    return on_globe


def _on_map(
    path: Path,
    pair: np.ndarray,
    on_globe: bool,
    frames: CrsSection,
    key: str = "key alignment in [crs]",
) -> tuple[np.ndarray, np.ndarray, dict[str, Any] | None]:
    """Bring (2, point) degrees, or metres of a plane, into metres of the map CRS."""
    stated = pyproj.CRS(frames.alignment) if frames.alignment is not None else None
    fitting = stated is not None and (stated.is_geographic if on_globe else stated.is_projected)
    source = frames.alignment if fitting else frames.fixes if on_globe else frames.map
    if source == frames.map or pair.shape[1] == 0:
        return pair[0], pair[1], None
    frame = datum.source_frame(source)
    unit_m = 1.0 if on_globe else datum.unit_factor(frame)
    pair = pair / unit_m
    pinned = pin_frame(path, frame, (pair[0, 0], pair[1, 0]), frames, key)
    easting, northing = pinned.forward(*pair)
    return easting, northing, pinned.as_dict()


# --------------------------------------------------------------------------------------------------- cores


def read_cores(
    path: Path, log_format: LogFormat, frames: CrsSection, labels: StationLabels, sigma_m: float | None
) -> tuple[tuple[Core, ...], Tally, tuple[Doubt, ...], dict[str, Any] | None]:
    """Read cores and gauge readings; what has a map position is brought into metres of the map CRS.

    Parameters
    ----------
    frames : CrsSection
        `alignment` is the true frame of the file's positions, where one is stated; eastings and northings
        without it are the map's own, longitudes and latitudes without it are refused.
    sigma_m : float, optional
        Sigma of a core's own position, one axis, where its row has none.

    Returns
    -------
    cores, balance, doubts, and the coordinate operation used (None where the numbers are the map's own); a
    row with both is placed by station and offset

    Raises
    ------
    InputError, ConfigError, MismatchError
        As `read_control`; a core whose sigma is stated nowhere; no row that can be used.
    """
    sheet = _sheet(path, log_format)
    plane, globe = _positions(sheet)
    length_m = UNITS["length"][log_format.length_unit]
    station = _stations(sheet, "station", labels)
    offset = sheet.numbers("offset_m", (length_m, 0.0), (-100.0, 100.0), "length_unit")
    own = sheet.numbers("sigma_m", (length_m, 0.0), (0.0, 100.0), "length_unit")
    is_plane, is_globe = (np.isfinite(pair[0]) & np.isfinite(pair[1]) for pair in (plane, globe))
    by_station = np.array([value is not None for value in station], bool) & np.isfinite(offset)
    names = sheet.texts("core_id")
    for row in np.flatnonzero(~is_plane & ~is_globe & ~by_station):
        sheet.refuse(int(row), "position_missing", "core_id", names[row], "has no position: " + POSITIONS)
    kinds, densities = _kinds(sheet), _densities(sheet)
    rows = _usable(sheet)
    sigma = _sigmas(sheet, rows, own, sigma_m)
    mapped = rows[~by_station[rows]]
    on_globe = _one_kind(path, is_plane[mapped], is_globe[mapped])
    place = np.full((4, len(names)), np.nan)
    pair = np.array(globe if on_globe else plane)[:, mapped]
    *place[:2, mapped], operation = _on_map(
        path, pair, on_globe, _of_degrees(path, frames) if on_globe else frames, CORE_FRAME
    )
    held = rows[by_station[rows]]
    place[2:, held] = [station[row] for row in held], offset[held]
    accuracy = np.where(by_station, 0.0, 0.0 if operation is None else operation["accuracy_m"])
    numbers = np.vstack((place, accuracy, *densities))
    cores = tuple(
        Core(names[row], kinds[row], path.name, float(sigma[row]), *map(float, numbers[:, row]))
        for row in rows
    )
    return cores, *sheet.close(1.0), operation


def _usable(sheet: _Sheet) -> np.ndarray:
    """Rows that are used; InputError where there is none."""
    rows, said = np.array(sheet.rows(), int), sorted(sheet.said)
    if len(rows) == 0:
        raise InputError(f"{said[0][1]}; no row can be used" if said else f"{sheet.path.name}: holds no core")
    return rows


def _sigmas(sheet: _Sheet, rows: np.ndarray, own: np.ndarray, sigma_m: float | None) -> np.ndarray:
    """Sigma of each row's place: its own, else the one stated for all; ConfigError where there is neither."""
    unknown = rows[~np.isfinite(own[rows])]
    if len(unknown) and sigma_m is None:
        name = sheet.texts("core_id")[unknown[0]]
        raise ConfigError(
            f"{sheet.path.name}:{sheet.line[unknown[0]]}: core {name} does not say how well its place is known: "
            "give a column sigma_m, or --sigma for all, like --sigma '0.5 ft' (one axis)"
        )
    return np.where(np.isfinite(own), own, np.nan if sigma_m is None else sigma_m)


def _of_degrees(path: Path, frames: CrsSection) -> CrsSection:
    """Frames with the geographic one of what the user stated, for longitudes and latitudes."""
    if frames.alignment is None:
        raise ConfigError(f"{path.name} does not say the frame of its longitudes and latitudes: {CORE_FRAME}")
    frame = datum.source_frame(frames.alignment).geodetic_crs.to_2d()
    return frames.model_copy(update={"alignment": frame.to_wkt()})


POSITIONS = "give station and offset_m, easting_m and northing_m, or lon_deg and lat_deg"
CORE_FRAME = "state it with --crs, like --crs EPSG:6318"


def _kinds(sheet: _Sheet) -> list[str]:
    """Kinds of the rows; a blank one is a core."""
    known = CORE_KINDS[:2]
    kinds = [text.lower() or known[0] for text in sheet.texts("kind")]
    for row, word in enumerate(kinds):
        if word not in known:
            sheet.refuse(row, "unknown_kind", "kind", word, f"is no kind: known are {', '.join(known)}")
    return kinds


def _densities(sheet: _Sheet) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Density in kg/m3, Gmm, and density as a share of the theoretical maximum; NaN where not given."""
    stated = sheet.numbers("density", (1.0, 0.0), (0.0, 1e5), "unit")
    gmm = sheet.numbers("gmm", (1.0, 0.0), GMM, "columns")
    known = {"%": 0.01, **UNITS["density"]}
    units = [OTHER_SPELLINGS.get(unit.lower(), unit) for unit in sheet.texts("unit")]
    for row in np.flatnonzero(np.isfinite(stated)):
        if units[row] not in known:
            expected = f"is no unit of a density: known are {', '.join(known)}"
            sheet.refuse(int(row), "unknown_unit", "unit", units[row], expected)
    value = stated * np.array([known.get(unit, np.nan) for unit in units])
    in_share = np.array([unit == "%" for unit in units], bool)
    share = np.where(in_share, value, value / (gmm * WATER_KG_M3))
    density = np.where(in_share, value * gmm * WATER_KG_M3, value)
    texts = sheet.texts("density")
    for limits, found in ((DENSITY, density), (OF_GMM, share)):
        with np.errstate(invalid="ignore"):
            beyond = (found < limits[0]) | (found > limits[1])
        for row in np.flatnonzero(beyond):
            span = f"in {units[row]} is no density of asphalt: look at unit and gmm"
            sheet.refuse(int(row), "out_of_range", "density", texts[row], span)
    return density, gmm, share
