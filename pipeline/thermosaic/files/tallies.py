"""Counting of what a log gave and what was left out: by cause, with the first line of each."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..errors import InputError
from ..model import Tally

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


def require_share(tally: Tally, name: str, limit_frac: float) -> None:
    """Raise InputError where more of an input than stated was rejected, or nothing is left of it."""
    share = rejected_frac(tally)
    if tally.used and share <= limit_frac:
        return
    causes = sorted(tally.rejected.items(), key=lambda item: (-item[1], item[0]))
    listed = ", ".join(f"{n} {cause} (first in line {tally.first_line[cause]})" for cause, n in causes)
    if not tally.read:
        raise InputError(f"{name}: holds no usable {tally.role} row: nothing was logged, or the copy failed")
    if not tally.used:
        raise InputError(f"{name}: none of {tally.read} {tally.role} rows is usable: {listed}")
    raise InputError(
        f"{name}: {100 * share:.0f} % of {tally.read} {tally.role} rows were rejected: {listed}; "
        f"at most {100 * limit_frac:.0f} % are accepted: mend the log, or raise [accept] rejected_frac"
    )
