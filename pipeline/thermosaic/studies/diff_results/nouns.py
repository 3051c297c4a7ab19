"""What a difference is made of: two sides, and one part a subject, each with its sentences and numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ...delivery import Reader
from ...units import StationLabels

EQUAL = 1e-9  # of a number: the delivery's unit was undone once


@dataclass(frozen=True, eq=False, slots=True)
class Side:
    """One of the two results: what it states, and its layers in SI, geometries in metres of its own map."""

    manifest: dict[str, Any]
    quality: dict[str, Any]
    frames: dict[str, pd.DataFrame]
    labels: StationLabels

    @property
    def config(self) -> dict[str, Any]:
        """Configuration as used, SI."""
        return self.manifest["configuration"]

    @property
    def reader(self) -> Reader:
        """Units that the result was delivered in."""
        delivery = self.manifest["delivery"]
        return Reader(delivery["units"], float(delivery["foot_m"]))

    @property
    def clock_s(self) -> float:
        """What the scan clock was ahead of UTC."""
        return float(self.quality["clock"]["offset_s"])

    @property
    def whole(self) -> pd.Series:
        """The row of the layer `lot` for the whole lot."""
        lots = self.frames["lot"]
        return lots[lots["pass_id"].isna()].iloc[0] if lots["pass_id"].isna().any() else lots.iloc[0]


@dataclass(frozen=True, slots=True)
class Part:
    """One subject: whether anything of it differs, what to say about it, and the same as plain values, SI.

    The first of `sentences` says it all, the others name what it counts; `class_changed` marks another class.
    """

    name: str
    differs: bool
    sentences: tuple[str, ...]
    numbers: dict[str, Any]
    rows: tuple[dict[str, Any], ...] = ()
    class_changed: bool = False


@dataclass(frozen=True, slots=True)
class Differences:
    """What changed between two results of one lot."""

    lot_id: str
    revisions: tuple[int, int]
    files: tuple[str, ...]  # that differ or are in one only, run.json left out
    file_count: int
    parts: tuple[Part, ...]

    @property
    def is_same(self) -> bool:
        """Every file but run.json has the same bytes."""
        return not self.files

    @property
    def class_changed(self) -> bool:
        """A profile has another class, or is in one only."""
        return any(part.class_changed for part in self.parts)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, SI, times ISO 8601 UTC, unknown numbers None."""
        parts = {
            part.name: {
                "differs": part.differs, "sentences": [str(text) for text in part.sentences],
                **plain(part.numbers), "rows": plain(part.rows),
            }
            for part in self.parts
        }  # fmt: skip
        return {
            "lot_id": self.lot_id, "revisions": list(self.revisions), "same_bytes": self.is_same,
            "class_changed": self.class_changed, "files_differing": list(self.files), "parts": parts,
        }  # fmt: skip


def plain(value: Any) -> Any:
    """Turn a value into what JSON can hold.

    >>> plain({"a": float("nan"), "b": np.int64(3), "c": (True, None)})
    {'a': None, 'b': 3, 'c': [True, None]}
    """
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(item) for item in value]
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, pd.Timestamp):
        return value.tz_convert(None).isoformat(timespec="milliseconds") + "Z"
    value = value.item() if isinstance(value, np.generic) else value
    return None if isinstance(value, float) and not np.isfinite(value) else value


def same(old: Any, new: Any) -> bool:
    """Whether two values of a column are the same; unknown equals unknown.

    >>> same(1.0, 1.0 + 1e-12), same(float("nan"), None), same("a", None)
    (True, True, False)
    """
    gone = [bool(pd.isna(item)) for item in (old, new)]
    if any(gone):
        return all(gone)
    if isinstance(old, str | bool | np.bool_ | pd.Timestamp):
        return bool(old == new)
    return bool(abs(float(old) - float(new)) <= EQUAL * max(1.0, abs(float(old))))


def counted(number: int, one: str, many: str = "") -> str:
    """Write a count with its noun.

    >>> counted(1, "key"), counted(1200, "reading"), counted(2, "class", "classes")
    ('1 key', '1,200 readings', '2 classes')
    """
    return f"{number:,} {one if number == 1 else many or one + 's'}"
