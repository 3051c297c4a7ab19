"""Fixes gathered into sightings: means of neighbouring fixes, and how noisy they are in themselves.

A path needs one position every metre or so, however many fixes a receiver gives; and thousands of fixes
of one standing paver are few independent ones. So neighbouring fixes become one sighting, with the part
of their noise that averages out (white) kept apart from the part that drifts over tens to hundreds of
seconds. Both parts are measured in the log; their sum is what the log states.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.linalg import solveh_banded

JUMP = 8.0  # times the usual (median) size of a step between neighbouring means
BESIDE = 5  # fixes in each of two means that a jump lies between
LONGEST_EXCURSION_S = 180.0
EVERY = 4  # of the values, at which a running median is found
SHORTEST_S, LONGEST_S = 5.0, 1800.0  # memory of a drift
GUESS_CELL_M = 1.0  # step of the smooth curve that is a first guess
GUESS_STIFFNESS = 1e4  # of that curve: weight of its third differences against sightings of 1 m
GUESS_CLOSE_M = 1e-3


def gather(
    distance_m: np.ndarray, time_s: np.ndarray, kind: np.ndarray, span_m: float, span_s: np.ndarray | float
) -> np.ndarray:
    """Cut fixes into sightings by distance, time and kind.

    Parameters
    ----------
    distance_m, time_s : numpy.ndarray
        (fix) wheel distance, not falling, and time, increasing.
    kind : numpy.ndarray
        (fix) integer that must not change within a sighting, like the quality.
    span_m, span_s : float
        Largest extent of one sighting; the time may differ from fix to fix.

    Returns
    -------
    numpy.ndarray
        Index of the first fix of each sighting, for `numpy.add.reduceat`.
    """
    if len(distance_m) == 0:
        return np.zeros(0, np.int64)
    span = np.broadcast_to(span_s, time_s.shape)
    other = np.flatnonzero((kind[1:] != kind[:-1]) | (span[1:] != span[:-1])) + 1
    cells = int((distance_m[-1] - distance_m[0]) / span_m)
    edges = np.searchsorted(distance_m, distance_m[0] + span_m * np.arange(1, cells + 1))
    first = np.unique(np.concatenate([[0], other, edges[edges < len(time_s)]]))
    lasting = time_s[np.append(first[1:], len(time_s)) - 1] - time_s[first]
    more = (lasting / span[first]).astype(np.int64)
    turn = np.arange(1, more.sum() + 1) - np.repeat(np.cumsum(more) - more, more)
    late = np.searchsorted(time_s, np.repeat(time_s[first], more) + turn * np.repeat(span[first], more))
    return np.unique(np.concatenate([first, late[late < len(time_s)]]))


def means(start: np.ndarray, *columns: np.ndarray) -> list[np.ndarray]:
    """Mean of each column over the sightings that begin at `start`."""
    if len(start) == 0:
        return [np.zeros(0) for _ in columns]
    count = np.diff(np.append(start, len(columns[0])))
    return [np.add.reduceat(column, start) / count for column in columns]


def white_sigma(east_m: np.ndarray, north_m: np.ndarray, time_s: np.ndarray) -> float:
    """Standard deviation, one axis, of the noise that changes from fix to fix.

    Second differences of evenly timed fixes remove steady motion; white noise of standard deviation s
    leaves s x sqrt(6). The median makes jumps harmless. NaN with fewer than 8 such triples.
    """
    step = np.diff(time_s)
    if len(step) < 9:
        return float("nan")
    even = (step[1:] < 1.5 * np.median(step)) & (step[:-1] < 1.5 * np.median(step))
    if even.sum() < 8:
        return float("nan")
    bend = [np.diff(axis, 2)[even] for axis in (east_m, north_m)]
    return spread(np.concatenate(bend)) / np.sqrt(6.0)


def spread(values: np.ndarray) -> float:
    """Standard deviation of a Gaussian core about zero: median magnitude / 0.6745."""
    return float(np.median(np.abs(values)) / 0.674489750196082) if len(values) else float("nan")


def memory_s(
    residual_m: np.ndarray,
    time_s: np.ndarray,
    lasting_s: np.ndarray,
    white_m: np.ndarray,
    drift_m: np.ndarray,
) -> float:
    """Correlation time of the drift, from how fast residuals wander over short times.

    A first-order Gauss-Markov drift of standard deviation d changes over a short time h by
    2 d^2 (1 - exp(-h / memory)) (Gelb, 1974, section 3.8); means over times a and b of such a walk differ
    by what single values a sixth of a + b closer would; white noise adds its variance twice.

    Parameters
    ----------
    residual_m : numpy.ndarray
        (sighting, 2) fix less path.
    time_s, lasting_s, white_m, drift_m : numpy.ndarray
        (sighting) mean time, duration, white and drift standard deviation, one axis.

    Returns
    -------
    float
        Seconds within [SHORTEST_S, LONGEST_S]; NaN with fewer than 8 neighbours.
    """
    step = np.diff(time_s)
    drift = 0.5 * (drift_m[1:] + drift_m[:-1])
    near = (step > 0) & (step < 30.0) & (np.abs(np.diff(drift_m)) < 0.2 * drift)
    if near.sum() < 8:
        return float("nan")
    lag = float(np.median((step - (lasting_s[1:] + lasting_s[:-1]) / 6.0)[near]))
    change = (np.diff(residual_m, axis=0) / drift[:, None])[near]
    white = float(np.median(((white_m[1:] ** 2 + white_m[:-1] ** 2) / drift**2)[near]))
    share = 0.5 * (spread(change.ravel()) ** 2 - white)
    if share <= 0:
        return LONGEST_S
    if share >= 1:
        return SHORTEST_S
    return float(np.clip(-lag / np.log1p(-share), SHORTEST_S, LONGEST_S))


def excursions(
    east_m: np.ndarray,
    north_m: np.ndarray,
    time_s: np.ndarray,
) -> np.ndarray:
    """Find fixes of a receiver that jumped away and, within a few minutes, back.

    A step is the mean of the next `BESIDE` fixes less the mean of the last, less what it usually is nearby
    (the motion). One `JUMP` times its usual size, made between two fixes, is a jump; a jump and its opposite enclose
    an excursion.

    Parameters
    ----------
    east_m, north_m, time_s : numpy.ndarray
        (fix) places on a plane and times, increasing.

    Returns
    -------
    numpy.ndarray
        bool (fix): inside an excursion.
    """
    usual_s = float(np.median(np.diff(time_s[:2000]))) if len(time_s) > 1 else 1.0
    each = max(1, int(0.2 / max(usual_s, 1e-3)))
    if each > 1:
        thin = excursions(east_m[::each], north_m[::each], time_s[::each])
        return np.repeat(thin, each)[: len(time_s)]
    away = np.zeros(len(time_s), bool)
    if len(time_s) < 8 * BESIDE:
        return away
    step = np.stack([_step_beside(axis) for axis in (east_m, north_m)])
    gap = time_s[2 * BESIDE - 1 :] - time_s[: -2 * BESIDE + 1]
    step[:, gap > 3.0 * np.median(gap)] = 0.0
    size = np.hypot(*step)
    usual = max(float(np.median(size)), 0.01)
    ranked = np.flatnonzero(size > JUMP * usual)
    around = sliding_window_view(np.pad(size, BESIDE), 2 * BESIDE + 1)
    edges = ranked[size[ranked] >= around[ranked].max(axis=1)]
    edges = edges[_at_once(east_m, north_m, edges + BESIDE - 1) > 0.5 * size[edges]]
    for first, last in pairwise(edges):
        back = np.hypot(*(step[:, first] + step[:, last]))
        inside = slice(first + BESIDE, last + BESIDE)
        if time_s[inside.stop] - time_s[inside.start] <= LONGEST_EXCURSION_S and back < 0.3 * size[first]:
            away[inside] = True
    return away


def _at_once(east_m: np.ndarray, north_m: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Largest move between two neighbouring fixes around `place` that the moves before and after it do not share.

    A receiver jumps from one fix to the next; a machine that turns or brakes shares its move out.
    """
    at = np.clip(place[:, None] + np.arange(-2, 3), 1, len(east_m) - 3)
    alone = [
        1.5 * (axis[at + 1] - axis[at]) - 0.5 * (axis[at + 2] - axis[at - 1]) for axis in (east_m, north_m)
    ]
    return np.hypot(*alone).max(axis=1)


def _step_beside(values: np.ndarray) -> np.ndarray:
    """Mean of the next `BESIDE` values less the mean of the last, less its running median.

    The median follows a change of speed, which is a rise or fall from end to end of its window, so a paver that
    starts or stops makes no step; a jump is a peak narrower than half the window, so it is left.
    """
    total = np.concatenate([[0.0], np.cumsum(values - values[0])])
    mean = (total[BESIDE:] - total[:-BESIDE]) / BESIDE
    step = mean[BESIDE:] - mean[:-BESIDE]
    return step - _running_median(step, 6 * BESIDE + 1)


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    """Median of the `width` (odd) values around every fourth one, and straight lines between.

    The first and the last value go on beyond the ends. By sorting, some thousand windows at a time: scipy.ndimage
    takes longer to load than a day's fixes to sort.
    """
    windows = sliding_window_view(np.pad(values, width // 2, mode="edge"), width)[::EVERY]
    found = np.empty(len(windows))
    for first in range(0, len(windows), 2048):
        held = np.sort(windows[first : first + 2048], axis=1)
        found[first : first + 2048] = held[:, width // 2]
    return np.interp(np.arange(len(values)), np.arange(0, len(values), EVERY), found)


def first_guess(
    knot_m: np.ndarray, distance_m: np.ndarray, east_m: np.ndarray, north_m: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Robust smooth curve through sightings, as the place where an exact solution can start.

    A discrete spline with third differences penalised (Whittaker, 1923; Eilers, 2003), reweighted by the
    Cauchy function of the distance from the curve until it moves by less than `GUESS_CLOSE_M`, ten times at most.

    Parameters
    ----------
    knot_m : numpy.ndarray
        (knot) distances wanted, ascending.
    distance_m, east_m, north_m : numpy.ndarray
        (sighting) distance along the path and place.

    Returns
    -------
    east_m, north_m, course_rad : numpy.ndarray
        (knot), course clockwise from north, unwrapped.
    """
    count = max(int(np.ceil((knot_m[-1] - knot_m[0]) / GUESS_CELL_M)) + 1, 6)
    grid = np.linspace(knot_m[0], max(knot_m[-1], knot_m[0] + 1e-3), count)
    place = (distance_m - grid[0]) / (grid[1] - grid[0])
    left = np.clip(place.astype(int), 0, count - 2)
    share = place - left
    stiffness = _stiffness(count)
    weight, before = np.ones(len(place)), np.inf
    for _ in range(10):
        system = stiffness.copy()
        own, next_ = weight * (1 - share) ** 2, weight * share**2
        system[0] += np.bincount(left, own, count) + np.bincount(left + 1, next_, count)
        system[1] += np.bincount(left, weight * share * (1 - share), count)
        right = np.zeros((count, 2))
        for axis, values in enumerate((east_m, north_m)):
            right[:, axis] = np.bincount(left, weight * (1 - share) * values, count)
            right[:, axis] += np.bincount(left + 1, weight * share * values, count)
        curve = solveh_banded(system, right, lower=True, check_finite=False)
        if np.abs(curve - before).max() < GUESS_CLOSE_M:
            break
        before = curve
        there = curve[left] * (1 - share)[:, None] + curve[left + 1] * share[:, None]
        off = np.hypot(east_m - there[:, 0], north_m - there[:, 1])
        weight = 1.0 / (1.0 + (off / (1.4826 * np.median(off) + 1e-3)) ** 2)
    course = np.unwrap(np.arctan2(np.gradient(curve[:, 0]), np.gradient(curve[:, 1])))
    return tuple(np.interp(knot_m, grid, axis) for axis in (curve[:, 0], curve[:, 1], course))


def _stiffness(count: int) -> np.ndarray:
    """Squared third differences of so many values as a banded matrix, lower form (4, count)."""
    bands = np.zeros((4, count))
    difference = np.array([-1.0, 3.0, -3.0, 1.0])
    for first in range(4):
        for second in range(first, 4):
            product = GUESS_STIFFNESS * difference[first] * difference[second]
            bands[second - first, first : count - 3 + first] += product
    bands[0] += 1e-9
    return bands
