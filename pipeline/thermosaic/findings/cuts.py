"""Where a pass is cut into profiles."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..config import ProfileRule
from ..errors import ConfigError
from ..model import Exclusion
from ..units import StationLabels
from .mat import PassMat

BEYOND_M = 1e-3  # the outermost cuts lie this far outside the outermost readings
LEAST_M = 1e-3


@dataclass(frozen=True, slots=True)
class Cut:
    """One profile: its stretch of C's path, and the half-open range of frame its readings lie in."""

    from_m: float
    to_m: float
    frame_from_m: float
    frame_to_m: float

    @property
    def length_m(self) -> float:
        return self.to_m - self.from_m


def cut_profiles(
    mat: PassMat,
    rule: ProfileRule,
    exclusions: tuple[Exclusion, ...],
    reach_m: tuple[float, float],
    labels: StationLabels | None,
) -> tuple[Cut, ...]:
    """Cut one pass, in order of travel.

    Parameters
    ----------
    reach_m : tuple of float
        Smallest and largest frame coordinate of the pass's readings: beside C's own they may lie a little
        further out, and the outermost profiles take them in.
    labels : StationLabels, optional
        Of the lot's alignment with its station equations, as `whole_station` needs; None without one.
    """
    if rule.anchor == "whole_station" and labels is None:
        raise ConfigError(
            "[rules] the profile grid begins at whole stations, which needs an alignment: give [files] "
            'alignment, or a rule with anchor = "pass_start"'
        )
    cuts: list[Cut] = []
    for from_m, to_m in _stretches(mat, rule, exclusions):
        edges_m = _edges(mat, rule, from_m, to_m, labels)
        cuts += [cut_between(mat, *pair) for pair in pairwise(edges_m)]
    return _widened(mat, cuts, reach_m)


def _stretches(
    mat: PassMat, rule: ProfileRule, exclusions: tuple[Exclusion, ...]
) -> list[tuple[float, float]]:
    """Distances that the grid runs through: the pass, or what full-width exclusions leave of it."""
    if mat.span_m[1] - mat.span_m[0] < LEAST_M:
        return []
    if rule.across_exclusion == "continue":
        return [mat.span_m]
    stretches, at_m = [], mat.span_m[0]
    out = [
        np.sort(mat.distance_at(np.array([item.from_m, item.to_m]) - mat.zero_m))
        for item in exclusions
        if item.polygon is None and item.side == "full"
    ]
    for start, end in sorted((float(a), float(b)) for a, b in out):
        if start > at_m and at_m < mat.span_m[1]:
            stretches.append((at_m, min(start, mat.span_m[1])))
        at_m = max(at_m, end)
    if at_m < mat.span_m[1]:
        stretches.append((at_m, mat.span_m[1]))
    return stretches


def _edges(
    mat: PassMat, rule: ProfileRule, from_m: float, to_m: float, labels: StationLabels | None
) -> np.ndarray:
    """Distances of the cuts in one stretch, its ends included; short ends join their neighbour.

    Whole stations are those of the labels: at a station equation the grid begins anew with the labels ahead,
    and a whole station nearer than the shortest profile to the one before it is passed over.
    """
    if rule.anchor == "pass_start":
        number = int(np.floor((to_m - from_m) / rule.length_m + 1e-9))
        inner = from_m + rule.length_m * np.arange(1, number + 1)
    else:
        ends = np.sort(mat.zero_m + mat.frame_at(np.array([from_m, to_m])))
        marks = (labels or StationLabels()).whole_stations(float(ends[0]), float(ends[1]), rule.length_m)
        inner = mat.distance_at(np.array(_apart(marks, rule.remainder_from_m)) - mat.zero_m)
        inner = np.sort(inner)
    inner = inner[(inner > from_m + LEAST_M) & (inner < to_m - LEAST_M)]
    if len(inner) and to_m - inner[-1] < rule.remainder_from_m:
        inner = inner[:-1]
    if len(inner) and rule.anchor == "whole_station" and inner[0] - from_m < rule.remainder_from_m:
        inner = inner[1:]
    return np.r_[from_m, inner, to_m]


def _apart(stations_m: list[float], least_m: float) -> list[float]:
    """Stations, ascending, without those nearer than a length to the one kept before."""
    kept: list[float] = []
    for station_m in stations_m:
        if not kept or station_m - kept[-1] >= least_m - LEAST_M:
            kept.append(station_m)
    return kept


def cut_between(mat: PassMat, from_m: float, to_m: float) -> Cut:
    """Give the stretch between two distances with its range of frame."""
    low, high = np.sort(mat.frame_at(np.array([from_m, to_m])))
    return Cut(float(from_m), float(to_m), float(low), float(high))


def _widened(mat: PassMat, cuts: list[Cut], reach_m: tuple[float, float]) -> tuple[Cut, ...]:
    """Let the outermost profiles take in readings beside C's own first and last place."""
    if not cuts:
        return ()
    first, last = (0, -1) if mat.upstation else (-1, 0)
    low, high = cuts[first], cuts[last]
    if low.from_m == mat.span_m[0] or low.to_m == mat.span_m[1]:
        frame = min(low.frame_from_m, reach_m[0] - BEYOND_M)
        cuts[first] = Cut(low.from_m, low.to_m, frame, low.frame_to_m)
    high = cuts[last]
    if high.from_m == mat.span_m[0] or high.to_m == mat.span_m[1]:
        frame = max(high.frame_to_m, reach_m[1] + BEYOND_M)
        cuts[last] = Cut(high.from_m, high.to_m, high.frame_from_m, frame)
    return tuple(cuts)
