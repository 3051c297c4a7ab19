"""Fixes from a table, and from rows of either kind to the noun: usable ones only, in order of time."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import pyarrow as pa

from ... import model
from ...config import LogFormat
from ...errors import InputError
from ...units import UNITS
from .numbers import BAD, GOOD, as_numpy, to_numbers
from .rows import Block, read_blocks
from .tallies import Ledger
from .times import largest_step_back, name_step, rows_in_order, time_texts, to_utc

_NUMBERS = ("lon_deg", "lat_deg", "height_m", "sigma_m", "sigma_north_m", "sigma_east_m", "heading_deg")
_LENGTHS = ("height_m", "sigma_m", "sigma_north_m", "sigma_east_m")


@dataclass(frozen=True)
class FixRows:
    """Rows of a fix log in the order of the file(s), usable or not; float64 unless noted."""

    time_utc: np.ndarray  # datetime64[ns], NaT where unknown
    lon_deg: np.ndarray
    lat_deg: np.ndarray
    height_m: np.ndarray  # ellipsoidal, NaN = not stated
    quality: np.ndarray  # int8, index into model.QUALITIES; 0 = no position
    sigma_m: np.ndarray  # one axis, NaN = not stated
    heading_deg: np.ndarray  # true, NaN = none
    line: np.ndarray  # int64, in its file

    def take(self, rows: np.ndarray) -> FixRows:
        """Return some of the rows, by mask or index."""
        return FixRows(*(getattr(self, item.name)[rows] for item in fields(self)))


def read_fix_table(paths: tuple[Path, ...], log_format: LogFormat) -> tuple[FixRows, Ledger]:
    """Read a table of fixes; the ledger (role `fixes`) counts rows that could not be read."""
    ledger = Ledger("fixes")
    parts = [
        _table_part(block, log_format, ledger) for path in paths for block in read_blocks(path, log_format)
    ]
    if not parts:
        raise InputError(f"{paths[0].name}: holds no row")
    columns = ([getattr(part, item.name) for part in parts] for item in fields(FixRows))
    return FixRows(*(np.concatenate(column) for column in columns)), ledger


def _table_part(block: Block, log_format: LogFormat, ledger: Ledger) -> FixRows:
    """Read one block of a fix table; unreadable rows are counted and left out."""
    ledger.enter(block.read, block.rejected)
    time, cause = to_utc(time_texts(block.columns), log_format)
    quality, known = _qualities(block.columns["quality"], log_format)
    cause = np.where((cause == "") & ~known, "unknown_quality", cause)
    value, bad = {}, np.zeros(len(time), bool)
    for name in _NUMBERS:
        value[name], state = np.full(len(time), np.nan), np.full(len(time), GOOD)
        if name in block.columns:
            value[name], state = to_numbers(block.columns[name], log_format)
        bad |= state == BAD
        if name in _LENGTHS:
            value[name] *= UNITS["length"][log_format.length_unit]
    with np.errstate(invalid="ignore"):
        far = (np.abs(value["lat_deg"]) > 90) | (np.abs(value["lon_deg"]) > 180) | (value["sigma_m"] < 0)
        far |= (value["heading_deg"] < 0) | (value["heading_deg"] > 360)
    without = (quality > 0) & (np.isnan(value["lat_deg"]) | np.isnan(value["lon_deg"]))
    for mask, name in ((bad, "bad_number"), (far, "out_of_range"), (without, "position_missing")):
        cause = np.where((cause == "") & mask, name, cause)
    ledger.reject_each(cause, block.line)
    axes = np.sqrt((value["sigma_north_m"] ** 2 + value["sigma_east_m"] ** 2) / 2)
    sigma = np.where(np.isnan(value["sigma_m"]), axes, value["sigma_m"])
    rows = FixRows(
        time,
        value["lon_deg"],
        value["lat_deg"],
        value["height_m"],
        quality,
        sigma,
        value["heading_deg"],
        block.line,
    )
    return rows.take(cause == "")


def _qualities(values: pa.Array, log_format: LogFormat) -> tuple[np.ndarray, np.ndarray]:
    """Map the file's quality values to classes, and tell which are known; `4`, `4.0` and 4 are one value."""
    meaning = log_format.quality or {word: word for word in model.QUALITIES}
    codes = {_plain(text): model.QUALITIES.index(word) for text, word in meaning.items()}
    encoded = values.dictionary_encode()
    distinct = np.array([codes.get(_plain(str(text)), -1) for text in encoded.dictionary.to_pylist()] or [-1])
    index, known = as_numpy(encoded.indices)
    found = np.where(known, distinct[np.where(known, index, -1)], -1)
    return np.clip(found, 0, None).astype(np.int8), found >= 0


def _plain(text: str) -> str:
    """Write a whole number without decimals; leave other texts as they are."""
    head, _, tail = text.strip().partition(".")
    return head if head.isdigit() and not tail.strip("0") else text.strip()


def finish_fixes(rows: FixRows, ledger: Ledger, crs: str, name: str) -> tuple[model.Fixes, list[model.Doubt]]:
    """Keep usable fixes in order of time; the ledger counts what is left out, doubts name steps back."""
    placed = (rows.quality > 0) & ~np.isnat(rows.time_utc)
    zero = placed & (rows.lat_deg == 0) & (rows.lon_deg == 0)
    ledger.reject("no_position", rows.line[~placed])
    ledger.reject("zero_position", rows.line[zero])
    rows = rows.take(placed & ~zero)
    if len(rows.line) == 0:
        raise InputError(f"{name}: none of {ledger.read} rows is a position: {_explained(ledger)}")
    repeated, stepped = rows_in_order(rows.time_utc)
    ledger.reject("repeated_epoch", rows.line[repeated])
    ledger.reject("stepped_back", rows.line[stepped])
    doubts = [_step_doubt(rows, stepped, name)] if stepped.any() else []
    rows = rows.take(~repeated & ~stepped)
    values = {item.name: getattr(rows, item.name) for item in fields(rows) if item.name != "line"}
    counts = np.bincount(rows.quality, minlength=len(model.QUALITIES))
    ledger.notes["quality"] = {model.QUALITIES[code]: int(counts[code]) for code in range(1, len(counts))}
    return model.Fixes(crs=crs, **values), doubts


def _explained(ledger: Ledger) -> str:
    causes = ", ".join(f"{count} {cause}" for cause, count in sorted(ledger.rejected.items()))
    return f"{causes or 'it is empty'}; quality 0, 6, 7 and 8 of NMEA are never positions"


def _step_doubt(rows: FixRows, stepped: np.ndarray, name: str) -> model.Doubt:
    step_s, row = largest_step_back(rows.time_utc)
    return model.Doubt(
        stage="s1",
        kind="fix_time_steps_back",
        text=f"{name}: the times of the fixes step back by {-step_s:.1f} s at line "
        f"{rows.line[row]}{name_step(step_s)}; {int(stepped.sum())} fixes that do not fit the order are "
        "left out: check the clock of the receiver there.",
        amount=-step_s,
        unit="s",
        from_utc=rows.time_utc[row],
        to_utc=rows.time_utc[row - 1],
    )
