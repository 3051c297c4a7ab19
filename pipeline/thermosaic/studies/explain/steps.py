"""What an explanation is made of: steps with named facts, tables, and what each must equal in the product."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

EQUAL = 1e-6  # metres, degrees or shares: the delivery's unit was undone once
SCANNER_CLOCK = "scanner_clock_utc"  # as logged, so no moment of which there is a local time


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
    zone: str = "UTC"  # IANA time zone of the site
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

    def local(self, time_utc: pd.Timestamp) -> pd.Timestamp:
        """Local time of a moment on site."""
        moment = time_utc if time_utc.tz is not None else time_utc.tz_localize("UTC")
        return moment.tz_convert(ZoneInfo(self.zone))

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, SI, times ISO 8601: UTC, and `X_local` beside each `X_utc`; unknown numbers None."""
        return {
            "subject": self.subject,
            "lot_id": self.lot_id,
            "revision": self.revision,
            "steps": [_plain_step(self, step) for step in self.steps],
            "differences": list(self.differences),
        }


def _plain_step(explained: Explanation, step: Step) -> dict[str, Any]:
    facts = _plain_row(explained, {fact.key: fact.value for fact in step.facts})
    stated = {fact.key: _plain(fact.stated) for fact in step.facts if fact.is_checked}
    repeated = [fact.key for fact in step.facts if fact.is_taken]
    rows = [_plain_row(explained, row) for row in step.rows]
    plain = {"step": step.name, "sentence": step.sentence, "facts": facts, "stated_by_product": stated}
    return plain | {"taken_from_product": repeated} | ({"rows": rows} if rows else {})


def _plain_row(explained: Explanation, row: dict[str, Any]) -> dict[str, Any]:
    """Plain values by their keys; each time of UTC is followed by the local one."""
    found: dict[str, Any] = {}
    for key, value in row.items():
        found[key] = _plain(value)
        if has_local(key):
            known = isinstance(value, pd.Timestamp) and not pd.isna(value)
            local = explained.local(value).isoformat(timespec="milliseconds") if known else None
            found[f"{key.removesuffix('_utc')}_local"] = local
    return found


def has_local(key: str) -> bool:
    """Whether a value is a moment, which people on site know by their own clocks."""
    return key.endswith("_utc") and key != SCANNER_CLOCK


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
