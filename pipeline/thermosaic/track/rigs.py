"""The rig as it stands at each moment: values of [rig] by time, where a change says so."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..config import RigSection, SetUp


def seconds(time_utc: np.ndarray, origin: np.datetime64) -> np.ndarray:
    """Seconds after an origin."""
    return (time_utc - origin).astype(np.int64) * 1e-9


@dataclass(frozen=True, eq=False)
class Rigs:
    """Rigs in order of time; each but the first holds from its second after the logs' origin, UTC."""

    sections: tuple[RigSection, ...]
    origin: np.datetime64
    from_s: np.ndarray  # (rig - 1)

    @classmethod
    def of(cls, rig: RigSection, later: tuple[SetUp, ...], origin: np.datetime64) -> Rigs:
        """Take the first rig and those of later set-ups."""
        from_s = np.array([seconds(item.at_utc, origin) for item in later], float)
        return cls((rig, *(item.rig for item in later)), origin, from_s)

    def code(self, utc_s: np.ndarray) -> np.ndarray:
        """Which rig holds at each time, int."""
        return np.searchsorted(self.from_s, utc_s, side="right")

    def code_of(self, time_utc: np.ndarray) -> np.ndarray:
        """Which rig holds at each UTC time (datetime64), int."""
        if not len(self.from_s):
            return np.zeros(len(time_utc), np.intp)
        return self.code(seconds(time_utc, self.origin))

    def value(self, name: str, utc_s: np.ndarray) -> np.ndarray:
        """Value of a key at each time, float64."""
        values = np.array([getattr(item, name) for item in self.sections], float)
        return values[self.code(utc_s)] if len(values) > 1 else np.full(len(utc_s), values[0])

    def turns_s(self, *names: str) -> np.ndarray:
        """Times at which one of these keys changes."""
        values = np.array([[getattr(item, name) or 0.0 for name in names] for item in self.sections])
        return self.from_s[(np.diff(values, axis=0) != 0).any(axis=1)]
