"""Runs along one dimension: of a mask, of standing still, of an even level."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

STEP_S = 0.2  # time step on which standing is looked for; ends are then refined between the rows


def runs(mask: np.ndarray) -> np.ndarray:
    """Find the runs of True: int (run, 2), first index and one past the last.

    >>> runs(np.array([True, True, False, True])).tolist()
    [[0, 2], [3, 4]]
    """
    change = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return change.reshape(-1, 2)


def join(spans: np.ndarray, gap: float) -> np.ndarray:
    """Join spans (span, 2), in order and apart, across holes of at most `gap`.

    >>> join(np.array([[0, 2], [3, 5], [9, 11]]), 1).tolist()
    [[0, 5], [9, 11]]
    """
    if len(spans) < 2:
        return spans
    apart = np.flatnonzero(spans[1:, 0] - spans[:-1, 1] > gap)
    return np.column_stack((spans[np.r_[0, apart + 1], 0], spans[np.r_[apart, len(spans) - 1], 1]))


def standing(
    time_s: np.ndarray, distance_m: np.ndarray, below_mps: float, longer_than_s: float
) -> np.ndarray:
    """Find when a machine stood still.

    Parameters
    ----------
    time_s, distance_m : float64 (row)
        Ascending time, and distance along the path, joined by straight lines: where rows pause while the
        distance hardly changes, the pause is standing.
    below_mps, longer_than_s : float
        It stands while, in every window of `longer_than_s`, it keeps within `below_mps x longer_than_s`
        of path: displacement, so neither steps of a counter nor noise chop a stop.

    Returns
    -------
    float64 (stop, 2)
        Start and end in the time given. Each end is where the distance leaves the resting place by a
        quarter of that path, so creeping on at the edges of a window does not lengthen a stop.
    """
    if len(time_s) < 2 or time_s[-1] - time_s[0] < longer_than_s:
        return np.empty((0, 2))
    grid_s = np.arange(time_s[0], time_s[-1] + STEP_S, STEP_S)
    place_m = np.interp(grid_s, time_s, distance_m)
    width = 2 * max(1, round(longer_than_s / STEP_S / 2)) + 1
    path_m = below_mps * longer_than_s
    spread_m = ndimage.maximum_filter1d(place_m, width) - ndimage.minimum_filter1d(place_m, width)
    still = ndimage.maximum_filter1d(spread_m < path_m, width, mode="constant")
    found = [_refine(grid_s, place_m, first, last, width // 2, path_m / 4) for first, last in runs(still)]
    spans = np.array(found).reshape(-1, 2)
    return spans[spans[:, 1] - spans[:, 0] > longer_than_s]


def _refine(
    grid_s: np.ndarray, place_m: np.ndarray, first: int, last: int, half: int, slack_m: float
) -> tuple[float, float]:
    """Trim a stretch of windows to the moments at which the machine came to rest and moved off."""
    here, times = place_m[first:last], grid_s[first:last]
    if len(here) < 2:
        return times[0], times[0]
    half = min(half, len(here) - 1)
    came = np.flatnonzero(np.abs(here[: half + 1] - here[half]) > slack_m)
    left = np.flatnonzero(np.abs(here[len(here) - 1 - half :] - here[len(here) - 1 - half]) > slack_m)
    start = times[came[-1] + 1] if len(came) else times[0]
    end = times[len(here) - 1 - half + left[0] - 1] if len(left) else times[-1]
    return start, end


def even_segments(values: np.ndarray, penalty: float, shortest: int) -> np.ndarray:
    """Cut a series where its level changes, by penalised least squares.

    The exact minimum of sum (value - mean of its segment)^2 + penalty x segments over all cuts with
    segments of at least `shortest` values, by dynamic programming with pruning: R. Killick, P. Fearnhead
    and I. Eckley, "Optimal detection of changepoints with a linear computational cost", Journal of the
    American Statistical Association 107 (2012) 1590-1598, section 3.1.

    Returns
    -------
    int (segment, 2)
        First index and one past the last; one segment where the series is too short to cut.
    """
    number = len(values)
    if number < 2 * shortest:
        return np.array([[0, number]])
    total = np.concatenate(([0.0], np.cumsum(values)))
    square = np.concatenate(([0.0], np.cumsum(values**2)))
    before = np.full(number + 1, np.inf)  # least cost of the values before, less their squares
    before[0] = -penalty
    origin = np.zeros(number + 1, int)
    starts, beaten, doomed = np.empty(0, int), np.empty(0, bool), np.empty(0, bool)
    for first in range(shortest, number + 1, shortest):
        end = np.arange(first, min(first + shortest, number + 1))  # no segment begins and ends among them
        starts = np.concatenate((starts[~doomed], end - shortest))
        doomed = np.concatenate((beaten[~doomed], np.zeros(len(end), bool)))
        length = end[:, None] - starts
        cost = before[starts] + square[end][:, None] - (total[end][:, None] - total[starts]) ** 2 / length
        cost[length < shortest] = np.inf
        winner = cost.argmin(axis=1)
        best = cost[np.arange(len(end)), winner] + penalty
        origin[end], before[end] = starts[winner], best - square[end]
        beaten = cost[-1] >= best[-1]  # by a cut at the last end, which the next block cannot use yet
    cuts = [number]
    while cuts[-1] > 0:
        cuts.append(int(origin[cuts[-1]]))
    return np.column_stack((cuts[:0:-1], cuts[-2::-1]))
