"""What both ways of stationing ask of the lines: C, the mat's ends, and what lies inside the limits."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from ..model import Swath
from ..values import instant

if TYPE_CHECKING:
    from ..config import StationPlan


def centre_of(swath: Swath) -> tuple[np.ndarray, np.ndarray]:
    """Easting and northing of C at each line, between the two ends of the mat."""
    left, right = swath.edges_m.T
    part = -left / (right - left)
    ends = swath.edge_easting_m, swath.edge_northing_m
    easting, northing = (end[:, 0] + part * (end[:, 1] - end[:, 0]) for end in ends)
    return easting, northing


def median_edges(offset_m: np.ndarray, swath: Swath, count: int) -> np.ndarray:
    """Smallest and largest offset of the mat's ends, median over each pass; NaN where unknown."""
    edges = np.full((count, 2), np.nan)
    low, high = offset_m.min(axis=1), offset_m.max(axis=1)
    for code in range(count):
        rows = (swath.pass_code == code) & np.isfinite(low + high)
        if rows.any():
            edges[code] = np.median(low[rows]), np.median(high[rows])
    return edges


def inside_limits(
    frame_m: np.ndarray, line_frame_m: np.ndarray, zero_m: np.ndarray, swath: Swath, plan: StationPlan
) -> np.ndarray:
    """Whether each spot lies inside the lot's limits, half open; without limits all do."""
    low, high = plan.limits.from_, plan.limits.to
    if low is None and high is None:
        return np.broadcast_to(np.True_, frame_m.shape)
    if isinstance(low if low is not None else high, datetime):
        return np.broadcast_to(
            _between(swath.seen_utc, low and instant(low), high and instant(high))[:, None], frame_m.shape
        )
    zero = np.where(swath.pass_code >= 0, zero_m[swath.pass_code], np.nan)
    station = zero[:, None] + np.where(np.isfinite(frame_m), frame_m, line_frame_m[:, None])
    return _between(station, low, high)


def _between(values: np.ndarray, low: object, high: object) -> np.ndarray:
    inside = np.ones(values.shape, bool)
    if low is not None:
        inside &= values >= low
    if high is not None:
        inside &= values < high
    return inside
