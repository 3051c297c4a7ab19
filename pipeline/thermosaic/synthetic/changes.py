"""Changes of the set-up within a lot: which values hold where C is, in closed form."""

from __future__ import annotations

import numpy as np

from .motion import Motion
from .plan import Change, LotPlan


def since(motion: Motion, change: Change, time_s: np.ndarray) -> np.ndarray:
    """Whether a change holds in a pass at times: from the moment C first comes to its place."""
    if motion.code != change.pass_:
        return np.full(np.shape(time_s), motion.code > change.pass_)
    return time_s >= moment(motion, change)


def moment(motion: Motion, change: Change) -> float:
    """Whole millisecond, seconds since the lot's start, at which a change is made in its pass."""
    return float(np.round(motion.first_time(np.array([change.at_m]))[0], 3))


def value_at(plan: LotPlan, motion: Motion, name: str, first: float, time_s: np.ndarray) -> np.ndarray:
    """Value of a field of Change at times, `first` before any."""
    values = np.full(np.shape(time_s), first)
    for change in plan.changes:
        stated = getattr(change, name)
        if stated is not None:
            values = np.where(since(motion, change, time_s), stated, values)
    return values


def edges_at(plan: LotPlan, motion: Motion, time_s: np.ndarray) -> np.ndarray:
    """Left and right edge of the mat laid under the scan line at times: (time, 2), right of C."""
    now = np.array([plan.scanner.mat_left_m, plan.scanner.mat_right_m])
    edges_m = np.broadcast_to(now, (len(time_s), 2)).copy()
    place_m = motion.distance(time_s)
    for change in plan.changes:
        new = np.array([
            old if stated is None else stated
            for old, stated in zip(now, (change.mat_left_m, change.mat_right_m), strict=True)
        ])  # fmt: skip
        share = since(motion, change, time_s).astype(float)
        if change.taper_m and motion.code == change.pass_:
            share *= np.clip((place_m - change.at_m) / change.taper_m, 0.0, 1.0)
        edges_m += share[:, None] * (new - now)
        now = new
    return edges_m
