"""Mat pulled up and laid again: its second look counts, its first look is `replaced`.

A stretch is relaid in its own pass where the paver backed up and came over it again. The second look is that of the
last sweep forward, from where the back-up ended, and of the mat that the screed passed again: the strip between the
scan line and the screed at the restart keeps its first look. The rasters keep the first look everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..model import NEW_GROUND_M, Doubt, LotInputs, Stations, Swath, Trajectory
from .diary import place_entries
from .mat import PassMat, pass_mats

SHORTEST_M = 1.0  # a shorter second look is the jitter of a stop


@dataclass(frozen=True, eq=False, slots=True)
class Relaid:
    """The swath as the findings take it, lines whose first look is replaced, and what to say of it."""

    swath: Swath
    replaced: np.ndarray  # bool (line)
    doubts: tuple[Doubt, ...]


def count_second_looks(swath: Swath, stations: Stations, trajectory: Trajectory, inputs: LotInputs) -> Relaid:
    """Exchange first and second looks where the diary notes mat as relaid; without such entries nothing changes."""
    entries = tuple(entry for entry in inputs.diary if entry.kind == "relaid")
    replaced = np.zeros(len(swath.line), bool)
    if not entries:
        return Relaid(swath, replaced, ())
    first, laid_utc = swath.first_look.copy(), swath.laid_utc.copy()
    doubts = []
    mats = pass_mats(swath, stations, trajectory, inputs)
    for item in place_entries(entries, mats, (), swath):
        again = _second_sweep(item.mat, swath, (item.from_m, item.to_m))
        if len(again) == 0:
            doubts.append(_not_seen(item.mat, item.from_m, item.to_m))
            continue
        ends = swath.distance_m[again[[0, -1]]]
        old = item.mat.line[(item.mat.distance_m >= ends[0]) & (item.mat.distance_m <= ends[1])]
        first[old], replaced[old], first[again] = False, True, True
        laid_utc[again] = _laid_again(again, swath, trajectory)
    return Relaid(replace(swath, first_look=first, laid_utc=laid_utc), replaced, tuple(doubts))


def _second_sweep(mat: PassMat, swath: Swath, stretch: tuple[float, float]) -> np.ndarray:
    """Lines of the last sweep forward over a stretch, in order; empty where the paver did not come again."""
    line = np.flatnonzero(swath.pass_code == mat.code)
    distance_m = swath.distance_m[line]
    again = ~swath.first_look[line] & (distance_m >= stretch[0]) & (distance_m <= stretch[1])
    within = np.flatnonzero(again)
    if len(within) == 0:
        return within
    lowest = within[len(within) - 1 - int(np.argmin(distance_m[within][::-1]))]
    sweep = np.arange(lowest, len(line))
    before = np.maximum.accumulate(np.r_[-np.inf, distance_m[sweep]])[:-1]
    fresh = sweep[distance_m[sweep] > before + NEW_GROUND_M]
    low, high = max(stretch[0], distance_m[lowest] + swath.screed_forward_m[line[lowest]]), stretch[1]
    fresh = fresh[(distance_m[fresh] >= low) & (distance_m[fresh] <= high) & again[fresh]]
    is_sweep = len(fresh) > 1 and distance_m[fresh[-1]] - distance_m[fresh[0]] >= SHORTEST_M
    return line[fresh] if is_sweep else fresh[:0]


def _laid_again(again: np.ndarray, swath: Swath, trajectory: Trajectory) -> np.ndarray:
    """When the screed passed the places of these lines the second time: datetime64[ns]."""
    row = np.flatnonzero(trajectory.time_utc <= swath.seen_utc[again[-1]])
    distance_m = trajectory.distance_m[row]
    target_m = swath.distance_m[again] - swath.screed_forward_m[again]
    last_below = [row[np.flatnonzero(distance_m <= target)[-1]] for target in target_m]
    return np.minimum(trajectory.time_utc[last_below], swath.seen_utc[again])


def _not_seen(mat: PassMat, from_m: float, to_m: float) -> Doubt:
    text = (
        f"the diary notes mat as relaid in pass {mat.id}, but the scan has no second look at it: its first look still "
        "counts; exclude the stretch, or state the time at which it was laid again"
    )
    return Doubt("s6", "relaid_not_seen", text, to_m - from_m, "m")
