"""Distance wheels: a column of the scan log or a log of their own; wraps removed, resets named.

A counter falls in a back-up, so a fall alone is no fault. A step that no machine can make between two
rows is one: at a stated counter width it is a wrap and removed; otherwise the distance goes on from
where it was, and a doubt says so. Scale, slip and a stuck wheel show against the fixes, not here.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np

from ... import model
from ...config import ClockSets, LogFormat
from ...delivery import tell
from ...errors import ConfigError, InputError
from ...units import UNITS
from .numbers import BAD, MISSING, to_numbers
from .rows import Block, read_blocks
from .tallies import Ledger
from .times import on_one_clock, rows_in_order, time_texts, to_utc

FASTEST_MPS = 60.0  # no vehicle that carries a scanner is faster
SLACK_M = 1.0
WIDTHS = (16, 24, 32)


@dataclass(frozen=True)
class WheelRows:
    """Rows of a wheel as logged."""

    time_utc: np.ndarray  # datetime64[ns]
    value: np.ndarray  # metres, or counts where `counted`
    state: np.ndarray  # int8, of numbers.py
    line: np.ndarray  # int64, in its file
    counted: bool

    def take(self, rows: np.ndarray) -> WheelRows:
        """Return some of the rows, by mask or index."""
        arrays = (getattr(self, item.name)[rows] for item in fields(self)[:-1])
        return WheelRows(*arrays, self.counted)

    @classmethod
    def join(cls, parts: list[WheelRows | None]) -> WheelRows | None:
        """Join blocks of one log; None where it has no wheel."""
        if not parts or any(part is None for part in parts):
            return None
        arrays = (np.concatenate([getattr(part, item.name) for part in parts]) for item in fields(cls)[:-1])
        return cls(*arrays, parts[0].counted)


def wheel_part(block: Block, time_utc: np.ndarray, log_format: LogFormat) -> WheelRows | None:
    """Take the wheel column of a block, `wheel_m` before `wheel_count`; None where there is none."""
    name = next((name for name in ("wheel_m", "wheel_count") if name in block.columns), None)
    if name is None:
        return None
    value, state = to_numbers(block.columns[name], log_format)
    if name == "wheel_m":
        value = value * UNITS["length"][log_format.length_unit]
    return WheelRows(time_utc, value, state, block.line, name == "wheel_count")


def read_wheel_rows(
    paths: tuple[Path, ...], log_format: LogFormat, sets: ClockSets
) -> tuple[WheelRows, Ledger]:
    """Read a wheel's own log; the ledger (role `wheel`) counts rows that are no row in time.

    `sets` tells when its clock was set, as `times.on_one_clock` takes it.
    """
    ledger, parts = Ledger("wheel"), []
    for path in paths:
        for block in read_blocks(path, log_format):
            ledger.enter(block.read, block.rejected)
            time, cause = to_utc(time_texts(block.columns), log_format)
            ledger.reject_each(cause, block.line)
            parts.append(wheel_part(block, time, log_format).take(cause == ""))
    rows = WheelRows.join(parts)
    if rows is None:
        raise InputError(f"{paths[0].name}: holds no wheel row")
    rows = replace(rows, time_utc=on_one_clock(rows.time_utc, sets))
    repeated, stepped = rows_in_order(rows.time_utc) if len(rows.line) else (np.zeros(0, bool),) * 2
    ledger.reject("repeated_time", rows.line[repeated])
    ledger.reject("stepped_back", rows.line[stepped])
    return rows.take(~repeated & ~stepped), ledger


def finish_wheel(
    rows: WheelRows, ledger: Ledger, name: str, per_count_m: float | None, counter_bits: int | None
) -> tuple[model.Wheel, list[model.Doubt]]:
    """Turn rows in order of time into a cumulative distance; resets and guessable wraps become doubts."""
    if rows.counted and per_count_m is None:
        raise ConfigError(
            f"{name} holds wheel_count: lot.toml must state [rig] wheel_per_count, the length of one count"
        )
    for code, cause in ((MISSING, "missing"), (BAD, "bad_number")):
        ledger.reject(cause, rows.line[rows.state == code])
    rows = rows.take((rows.state != MISSING) & (rows.state != BAD))
    if len(rows.line) < 2:
        raise InputError(f"{name}: the wheel has {len(rows.line)} usable rows: at least two are needed")
    step = np.diff(rows.value)
    if rows.counted and counter_bits:
        wrapped = unwrap(step, counter_bits)
        ledger.note("wheel", "wraps_removed", np.count_nonzero(wrapped != step))
        step = wrapped
    scale = per_count_m if rows.counted else 1.0
    limit_m = FASTEST_MPS * np.diff(rows.time_utc) / np.timedelta64(1, "s") + SLACK_M
    jumps = np.flatnonzero(np.abs(step * scale) > limit_m)
    doubts = [_jump_doubt(rows, step, jumps, limit_m, scale, name)] if len(jumps) else []
    step[jumps] = 0.0
    ledger.note("wheel", "resets", len(jumps), int(rows.line[jumps[0] + 1]) if len(jumps) else None)
    wheel_m = (rows.value[0] + np.concatenate([[0.0], np.cumsum(step)])) * scale
    return model.Wheel(rows.time_utc, wheel_m, rows.counted), doubts


def unwrap(step: np.ndarray, bits: int) -> np.ndarray:
    """Bring steps of a counter of so many bits into half its range either way.

    >>> unwrap(np.array([10.0, -65530.0, 65530.0]), 16).tolist()
    [10.0, 6.0, -6.0]
    """
    full = float(2**bits)
    return (step + full / 2) % full - full / 2


def _jump_doubt(
    rows: WheelRows, step: np.ndarray, jumps: np.ndarray, limit_m: np.ndarray, scale: float, name: str
) -> model.Doubt:
    """Word the first impossible step: a reset, or a wrap whose width can be told."""
    at = jumps[0]
    widths = [bits for bits in WIDTHS if abs(unwrap(step[at : at + 1], bits)[0] * scale) <= limit_m[at]]
    kind = "wheel_wraps" if rows.counted and widths else "wheel_resets"
    hint = "the counter was reset or damaged there: the distance goes on from where it was"
    if kind == "wheel_wraps":
        hint = (
            f"this looks like a counter of {widths[0]} bits that wrapped: state counter_bits = {widths[0]} "
            "in the format file"
        )
    many = f" ({len(jumps)} such steps)" if len(jumps) > 1 else ""
    step_m = float(step[at] * scale)
    text = tell(
        "{name}: the wheel steps by {step_m:.1f} from one row to the next at line {line}{many}; {hint}",
        name=name, step_m=step_m, line=rows.line[at + 1], many=many, hint=hint,
    )  # fmt: skip
    return model.Doubt("s1", kind, text, step_m, "m", rows.time_utc[at], rows.time_utc[at + 1])
