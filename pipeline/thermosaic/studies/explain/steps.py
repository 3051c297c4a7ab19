"""What an explanation is made of: steps with named facts, tables, and what each must equal in the product."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

EQUAL = 1e-6  # metres, degrees or shares: the delivery's unit was undone once


@dataclass(frozen=True, slots=True)
class Fact:
    """One number or word: its key (suffix = unit, SI) and what it is; `stated` is what the product says.

    `is_taken` marks what is repeated from the product without being computed anew.
    """

    key: str
    value: Any
    meaning: str
    stated: Any = None
    is_checked: bool = False
    is_taken: bool = False

    @property
    def differs(self) -> bool:
        """The number computed anew is not the product's."""
        if not self.is_checked:
            return False
        gone = [item is None or item != item for item in (self.value, self.stated)]
        if any(gone):
            return not all(gone)
        if isinstance(self.value, str | bool | np.bool_):
            return bool(self.value != self.stated)
        return not abs(float(self.value) - float(self.stated)) <= EQUAL * max(1.0, abs(float(self.stated)))


def equal(key: str, value: Any, stated: Any, meaning: str) -> Fact:
    """Make a fact that must equal the product's."""
    return Fact(key, value, meaning, stated, is_checked=True)


def taken(key: str, value: Any, meaning: str) -> Fact:
    """Make a fact that repeats what the product says."""
    return Fact(key, value, meaning, is_taken=True)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the way: its name, a sentence, facts, and rows of a table where values stand beside each other."""

    name: str
    sentence: str
    facts: tuple[Fact, ...] = ()
    rows: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class Logged:
    """A published reading, to be found again in the logs."""

    line: int  # counted over all scan files
    spot: int
    seen_utc: pd.Timestamp
    temp_c: float


@dataclass(frozen=True, slots=True)
class Explanation:
    """The whole way of one profile, zone or place."""

    subject: str
    lot_id: str
    revision: int
    steps: tuple[Step, ...]
    looked_at: tuple[Logged, ...] = ()  # readings that the logs themselves can be asked for

    @property
    def differences(self) -> tuple[str, ...]:
        """Numbers that are not the product's: the result was changed, or is not of this program's rule."""
        return tuple(
            f"{step.name}: {fact.meaning} is {fact.value} computed anew, the product says {fact.stated}"
            for step in self.steps
            for fact in step.facts
            if fact.differs
        )

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, SI, times ISO 8601 UTC, unknown numbers None."""
        return {
            "subject": self.subject,
            "lot_id": self.lot_id,
            "revision": self.revision,
            "steps": [_plain_step(step) for step in self.steps],
            "differences": list(self.differences),
        }


def _plain_step(step: Step) -> dict[str, Any]:
    facts = {fact.key: _plain(fact.value) for fact in step.facts}
    stated = {fact.key: _plain(fact.stated) for fact in step.facts if fact.is_checked}
    repeated = [fact.key for fact in step.facts if fact.is_taken]
    rows = [{key: _plain(value) for key, value in row.items()} for row in step.rows]
    plain = {"step": step.name, "sentence": step.sentence, "facts": facts, "stated_by_product": stated}
    return plain | {"taken_from_product": repeated} | ({"rows": rows} if rows else {})


def _plain(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if (
        value is None
        or value is pd.NaT
        or (isinstance(value, float | np.floating) and not np.isfinite(value))
    ):
        return None
    if isinstance(value, pd.Timestamp | np.datetime64):
        time = pd.Timestamp(value)
        return (time if time.tz is None else time.tz_convert(None)).isoformat(timespec="milliseconds") + "Z"
    return value.item() if isinstance(value, np.generic) else value
