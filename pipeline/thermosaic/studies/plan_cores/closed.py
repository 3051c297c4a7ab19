"""Where no random site may lie: mat without positions, excluded, start-up, laid again.

Temperatures decide nothing here. Start-up and mat laid again are whole lines; an exclusion is told by the nearest
reading whose verdict an earlier reason does not hide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...published import Published, Readings

NEAR_M = 1.0  # mat farther from every reading along its line was not measured
HIDING = ("no_reading", "bad_spot", "aged_look")  # verdicts that come before `excluded`
LINES = {"start_up": "in the start-up", "replaced": "on mat that was laid again"}
EXCLUDED, UNKNOWN = "in an exclusion", "where no line has a position"


@dataclass(frozen=True, eq=False, slots=True)
class Closed:
    """What of one pass is closed to random sites."""

    readings: Readings
    reason: np.ndarray  # object (reading)
    stretches: tuple[tuple[float, float, str], ...]  # stations from, to, and why

    def why(self, station_m: float, offset_m: float) -> str | None:
        """Why no site may lie at a place; None where it may."""
        at = np.array([station_m, offset_m])
        near = self.readings.near(at, NEAR_M, by_station=True)
        if len(near) == 0:
            return UNKNOWN
        for low, high, why in self.stretches:
            if low <= station_m <= high:
                return why
        near = near[np.argsort(np.hypot(*(self.readings.line_m[near] - at).T), kind="stable")]
        verdicts = [word for word in self.reason[near] if word not in HIDING]
        return EXCLUDED if verdicts and verdicts[0] == "excluded" else None


def closed_of(published: Published, readings: Readings) -> Closed:
    """Find what of a pass is closed."""
    reason = readings.frame["dropped_reason"].astype(object).to_numpy()
    stretches = [
        (*ends, why)
        for word, why in LINES.items()
        for ends in _stretches(readings.line_m[reason == word, 0], readings.step_m)
    ]
    diary = published.frames["diary"]
    diary = diary[(diary["pass_id"] == readings.pass_id) & (diary["kind"] == "relaid")]
    stretches += [
        (low, high, LINES["replaced"])
        for low, high in zip(diary["station_from_m"], diary["station_to_m"], strict=True)
    ]
    return Closed(readings, reason, tuple(stretches))


def _stretches(station_m: np.ndarray, step_m: float) -> list[tuple[float, float]]:
    """Ends of the stretches that stations of readings fill, half a step beyond them."""
    if len(station_m) == 0:
        return []
    at = np.sort(station_m)
    cuts = np.flatnonzero(np.diff(at) > NEAR_M)
    firsts, lasts = np.r_[0, cuts + 1], np.r_[cuts, len(at) - 1]
    return [(at[i] - step_m / 2, at[j] + step_m / 2) for i, j in zip(firsts, lasts, strict=True)]
