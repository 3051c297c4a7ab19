"""Counting of what a log gave and what was left out: by cause, with the first line of each."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ...errors import InputError
from ...model import Tally

# what is wrong with a row, and what to do, after the row or its value; causes are words of quality.json
WRONG = {
    "no_zone": 'has no zone: add Z or an offset like -06:00, or state time_scale = "local" and time_zone in the '
    "format file",
    "local_time_twice_or_never": "occurs twice or never in that zone: write it in UTC",
    "impossible_date": "lies outside the years 1980 .. 2099",
    "ragged_row": "has another number of fields than the header: put texts that hold the delimiter in quotes; "
    'numbers with a decimal comma need decimal = "," and another delimiter in the format file',
    "open_quote": "has a quote that is not closed",
    "bad_checksum": "was changed after the receiver wrote it: take the receiver's own file",
    "no_checksum": 'has no checksum: take the receiver\'s own file, or state checksums = "absent" in the format file',
}
ROWS = {"sentences": "sentences", "fixes": "fixes"}  # of other inputs: rows
# left out, but no fault
BENIGN = ("no_position", "repeated_epoch", "repeated_time", "stray_line", "outside_limits")


@dataclass
class Ledger:
    """Rejected rows of one input while it is being read; `line` counts from 1 in the file."""

    role: str
    read: int = 0
    rejected: dict[str, int] = field(default_factory=dict)
    first_line: dict[str, int] = field(default_factory=dict)
    notes: dict[str, Any] = field(default_factory=dict)

    def reject(self, cause: str, lines: np.ndarray | list[int]) -> None:
        """Count rows as rejected for a cause; the first of all lines given first is kept."""
        if len(lines) == 0:
            return
        self.rejected[cause] = self.rejected.get(cause, 0) + len(lines)
        self.first_line.setdefault(cause, int(lines[0]))

    def enter(self, read: int, rejected: tuple[tuple[str, np.ndarray], ...]) -> None:
        """Count the rows of one block as read, and those whose fields alone leave them out, by cause."""
        self.read += read
        for cause, lines in rejected:
            self.reject(cause, lines)

    def reject_each(self, cause: np.ndarray, lines: np.ndarray) -> None:
        """Reject the rows that have a cause, "" = none."""
        for name in sorted(set(cause) - {""}):
            self.reject(name, lines[cause == name])

    def note(self, group: str, cause: str, count: int, line: int | None = None) -> None:
        """Count something beside the balance: `notes[group][cause]`, and its first line."""
        if count:
            held = self.notes.setdefault(group, {})
            held[cause] = held.get(cause, 0) + int(count)
            if line is not None:
                self.notes.setdefault(f"{group}_first_line", {}).setdefault(cause, int(line))

    def close(self) -> Tally:
        """Return the balance: read = used + rejected by cause."""
        used = self.read - sum(self.rejected.values())
        return Tally(self.role, self.read, used, dict(self.rejected), dict(self.first_line), dict(self.notes))


def rejected_frac(tally: Tally) -> float:
    """Share of an input that was rejected for a fault; benign causes do not count on either side."""
    benign = sum(count for cause, count in tally.rejected.items() if cause in BENIGN)
    faults = sum(tally.rejected.values()) - benign
    return faults / max(tally.read - benign, 1)


def causes_told(rejected: dict[str, int], first_line: dict[str, int]) -> str:
    """Write counts by cause, most first, each with its first line where known; of the first, what to do."""
    causes = sorted(rejected.items(), key=lambda item: (-item[1], item[0]))
    parts = []
    for cause, count in causes:
        where = f" (first in line {first_line[cause]})" if cause in first_line else ""
        parts.append(f"{count} {cause}{where}")
    advice = WRONG.get(causes[0][0], "") if causes else ""
    return ", ".join(parts) + (f"; such a row {advice}" if advice else "")


def require_share(tally: Tally, name: str, limit_frac: float) -> None:
    """Raise InputError where more of an input than stated was rejected, or nothing is left of it."""
    share = rejected_frac(tally)
    if tally.used and share <= limit_frac:
        return
    listed, rows = causes_told(tally.rejected, tally.first_line), ROWS.get(tally.role, f"{tally.role} rows")
    if not tally.read:
        raise InputError(f"{name}: holds no usable {tally.role} row: nothing was logged, or the copy failed")
    if not tally.used:
        raise InputError(f"{name}: none of {tally.read} {rows} is usable: {listed}")
    raise InputError(
        f"{name}: {100 * share:.0f} % of {tally.read} {rows} were rejected: {listed}; "
        f"at most {100 * limit_frac:.0f} % are accepted: mend the log, or raise [accept] rejected_frac"
    )
