"""Scan logs: one row a line of spots; readings masked, rows rejected, everything counted.

A reading that is missing, no number, or physically impossible is NaN and counted; a row is rejected
only for what it is as a row: fields, time, order. Units are never guessed: a log whose warm readings
no mix is laid at is refused with the unit that they look like.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ...config import ClockSets, LogFormat
from ...errors import InputError
from ...model import Doubt
from ...units import TEMPERATURES
from .numbers import BAD, MISSING, to_numbers
from .rows import Block, read_blocks
from .tallies import Ledger, causes_told
from .times import largest_step_back, name_step, on_one_clock, rows_in_order, time_texts, to_utc
from .wheels import WheelRows, wheel_part

COLDEST_C, HOTTEST_C = -50.0, 400.0  # outside is no reading of a road: common practice, no source
LAID_C = (60.0, 200.0)  # warm mix to polymer mix, at the screed, with room: common practice, no source
_WARM_PERCENTILE = 90
_SAMPLE = 400_000  # readings looked at for the unit


@dataclass(frozen=True)
class ScanRows:
    """Scan lines in order of time, on the scanner's clock as it was at the beginning."""

    time_utc: np.ndarray  # datetime64[ns] (line), strictly increasing
    line: np.ndarray  # int64 (line): data row over all files, rejected rows included, 1 = first
    temp_c: np.ndarray  # float32 (line, spot), NaN = no reading
    wheel: WheelRows | None  # of the same log, if it has a wheel column
    doubts: tuple[Doubt, ...]


def read_scan_rows(
    paths: tuple[Path, ...], log_format: LogFormat, of_mat: bool = True, sets: ClockSets = ()
) -> tuple[ScanRows, Ledger]:
    """Read a scan log; the ledger (role `scan`) counts rows, its notes count readings.

    Without `of_mat` the scan may be of cold ground, and its unit is not judged. `sets` tells when its clock was
    set, as `times.on_one_clock` takes it.

    Raises
    ------
    InputError
        Files whose columns are not those of the format, or differ; no usable row; a unit that cannot be.
    """
    ledger, parts, name = Ledger("scan"), [], paths[0].name
    for path in paths:
        before = ledger.read
        for block in read_blocks(path, log_format):
            if parts and len(block.spots) != parts[0][3].shape[1]:
                raise InputError(
                    f"{path.name}: has {len(block.spots)} spot columns, {name} has {parts[0][3].shape[1]}"
                )
            parts.append(_scan_part(block, before, log_format, ledger))
        if len(paths) > 1:
            ledger.notes.setdefault("rows_by_file", []).append(ledger.read - before)
    if not ledger.read:
        raise InputError(
            f"{name}: holds no usable row, only a header: nothing was logged, or the copy failed"
        )
    if not any(len(part[0]) for part in parts):
        told = causes_told(ledger.rejected, ledger.first_line) or "none holds a reading"
        raise InputError(f"{name}: none of {ledger.read} rows is usable: {told}")
    time, line, file_line, temp = (np.concatenate([part[k] for part in parts]) for k in range(4))
    wheel = WheelRows.join([part[4] for part in parts])
    parts.clear()
    time = on_one_clock(time, sets)
    wheel = replace(wheel, time_utc=time) if wheel else None
    repeated, stepped = rows_in_order(time)
    ledger.reject("repeated_time", file_line[repeated])
    ledger.reject("stepped_back", file_line[stepped])
    doubts = _step_doubts(time, file_line, stepped, name)
    kept = ~repeated & ~stepped
    if not kept.all():
        temp, wheel = temp[kept], wheel.take(kept) if wheel else None
    if of_mat:
        _require_unit(temp, log_format, name)
    _mask_impossible(temp, file_line[kept], ledger)
    return ScanRows(time[kept], line[kept], temp, wheel, tuple(doubts)), ledger


def _scan_part(block: Block, before: int, log_format: LogFormat, ledger: Ledger) -> tuple:
    """Read one block: time, line over all files, line in its file, readings, wheel; rows with a time only."""
    ledger.enter(block.read, block.rejected)
    time, cause = to_utc(time_texts(block.columns), log_format)
    ledger.reject_each(cause, block.line)
    timed = cause == ""
    temp = _readings(block, log_format, ledger)[timed]
    wheel = wheel_part(block, time, log_format)
    line = block.row + before + 1
    return time[timed], line[timed], block.line[timed], temp, wheel.take(timed) if wheel else None


def _readings(block: Block, log_format: LogFormat, ledger: Ledger) -> np.ndarray:
    """Readings of a block in degC, float32 (row, spot); missing and bad ones NaN and counted."""
    scale, shift = TEMPERATURES[log_format.temperature_unit]
    temp = np.empty((len(block.line), len(block.spots)), np.float32)
    for spot, column in enumerate(block.spots):
        number, state = to_numbers(column, log_format)
        value = number if (scale, shift) == (1.0, 0.0) else number * scale + shift
        if log_format.missing_above_c is not None:
            with np.errstate(invalid="ignore"):
                above = value > log_format.missing_above_c
            state, value = np.where(above, MISSING, state), np.where(above, np.nan, value)
        with np.errstate(over="ignore"):
            temp[:, spot] = value
        if not state.any():
            continue
        for code, name in ((MISSING, "missing"), (BAD, "bad_number")):
            rows = np.flatnonzero(state == code)
            ledger.note("readings", name, len(rows), int(block.line[rows[0]]) if len(rows) else None)
    return temp


def _require_unit(temp_c: np.ndarray, log_format: LogFormat, name: str) -> None:
    """Raise InputError where the warm readings are no temperatures that a mix is laid at, in the stated unit.

    Warm is the 90th percentile of all readings; limits: common practice, no source.
    """
    step = max(1, temp_c.size // _SAMPLE)
    sample = temp_c.reshape(-1)[::step]
    sample = sample[np.isfinite(sample)]
    if len(sample) == 0:
        raise InputError(f"{name}: holds no reading that is a number")
    warm = float(np.percentile(sample, _WARM_PERCENTILE))
    if LAID_C[0] <= warm <= LAID_C[1]:
        return
    scale, shift = TEMPERATURES[log_format.temperature_unit]
    raw = (warm - shift) / scale
    unit = log_format.temperature_unit
    stated = "" if unit == "degC" else f", {raw:.0f} {unit} in the log"
    guesses = [f"{unit}" for unit, (a, b) in TEMPERATURES.items() if LAID_C[0] <= raw * a + b <= LAID_C[1]]
    guesses += ["tenths of a degree"] if LAID_C[0] <= warm / 10 <= LAID_C[1] else []
    hint = f"; the numbers look like {' or '.join(guesses)}" if guesses else ""
    raise InputError(
        f"{name}: the warm readings lie at {warm:.0f} degC{stated}, but a "
        f"mix is laid at {LAID_C[0]:.0f} to {LAID_C[1]:.0f} degC{hint}: state temperature_unit in the format "
        "file; nothing is converted unasked"
    )


def _mask_impossible(temp_c: np.ndarray, line: np.ndarray, ledger: Ledger) -> None:
    with np.errstate(invalid="ignore"):
        outside = (temp_c < COLDEST_C) | (temp_c > HOTTEST_C)
    rows = np.flatnonzero(outside.any(axis=1))
    if len(rows):
        ledger.note("readings", "impossible", np.count_nonzero(outside), int(line[rows[0]]))
        temp_c[outside] = np.nan


def _step_doubts(time: np.ndarray, line: np.ndarray, stepped: np.ndarray, name: str) -> list[Doubt]:
    if not stepped.any():
        return []
    step_s, row = largest_step_back(time)
    text = (
        f"{name}: the times of the scan step back by {-step_s:.1f} s at line {line[row]}"
        f"{name_step(step_s)}; {int(stepped.sum())} rows that do not fit the order are left out: check the "
        "logger's clock there"
    )
    return [Doubt("s1", "scan_time_steps_back", text, -step_s, "s", time[row], time[row - 1])]


def bad_reading_frac(ledger: Ledger, readings: int) -> float:
    """Share of readings that are no numbers or impossible ones; missing marks do not count."""
    noted = ledger.notes.get("readings", {})
    return (noted.get("bad_number", 0) + noted.get("impossible", 0)) / max(readings, 1)
