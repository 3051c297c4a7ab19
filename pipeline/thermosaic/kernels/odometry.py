"""The distance wheel: what it says about motion between its rows, and where it cannot be right.

A logger may pause its rows while the paver stands, and some counters keep rising in a back-up; only
the fixes can tell which way the paver went.
"""

from __future__ import annotations

import numpy as np

LONGEST_STEP_S = 5.0  # between rows of a log that did not pause
SPEED_WINDOW_S = 2.0
SLOWEST_MPS, SLOWEST_SHARE = 0.01, 0.2  # below this, or this share of the usual speed, the wheel rests
REST_WINDOW_S, SHORTEST_PAUSE_S = 1.0, 2.0  # over which that is judged; a shorter rest does not cut
SHORTEST_M = 0.4  # runs shorter than this are left as they are
LONGEST_M = (
    50.0  # a longer run is no back-up: a machine that stopped and turned into another road (common practice)
)
NEAR_SHARE, NEAR_M = 3.0, 10.0  # how much of a run beside tells its course: shares of this run, and at least


def longest_step_s(row_s: np.ndarray) -> float:
    """Longest time between two rows of a log that did not pause."""
    return max(LONGEST_STEP_S, 5.0 * float(np.median(np.diff(row_s))))


def distance_at(row_s: np.ndarray, wheel_m: np.ndarray, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Wheel distance at any time, and how uncertain it is where the log paused.

    Parameters
    ----------
    row_s, wheel_m : numpy.ndarray
        (row) time, increasing, and distance.
    time_s : numpy.ndarray
        (time) wanted, increasing.

    Returns
    -------
    distance_m, sigma_m : numpy.ndarray
        (time) between rows of a running log linear and certain; within a pause the middle of what the
        wheel turned, with that of an even spread over it. NaN outside the log.
    """
    longest = longest_step_s(row_s)
    distance = np.interp(time_s, row_s, wheel_m, left=np.nan, right=np.nan)
    sigma = np.zeros(len(time_s))
    for row in np.flatnonzero(np.diff(row_s) > longest):
        inside = slice(*np.searchsorted(time_s, (row_s[row], row_s[row + 1])))
        turned = wheel_m[row + 1] - wheel_m[row]
        distance[inside] = wheel_m[row] + 0.5 * turned
        sigma[inside] = abs(turned) / np.sqrt(12.0)
    return distance, sigma


def between_counts(row_s: np.ndarray, wheel_m: np.ndarray) -> np.ndarray:
    """Distance between the ticks of a coarse counter, so that lines between two ticks do not share a place.

    A counter shows the last tick passed. Where it ticks more rarely than rows are logged, and not more
    than four times as rarely as usual, the distance runs evenly from tick to tick; over a longer time
    the paver stood, half a tick on. A fine counter is given back as it is.

    Parameters
    ----------
    row_s, wheel_m : numpy.ndarray
        (row) time, increasing, and counter.

    Returns
    -------
    numpy.ndarray
        (row) distance.
    """
    ticks = np.flatnonzero(np.diff(wheel_m) != 0) + 1
    if len(ticks) < 3:
        return wheel_m
    apart = np.diff(ticks)
    if np.median(apart) < 2:
        return wheel_m
    gap_s, step = np.diff(row_s[ticks]), np.diff(wheel_m[ticks])
    usual_s = float(np.median(gap_s))
    knot_s, knot_m = [row_s[ticks[0]]], [wheel_m[ticks[0]]]
    for number, gap in enumerate(gap_s):
        if gap > 4.0 * usual_s:
            begin, end = row_s[ticks[number]], row_s[ticks[number + 1]]
            knot_s += [begin + usual_s / 2, end - usual_s / 2]
            knot_m += [wheel_m[ticks[number]] + step[number] / 2] * 2
        knot_s.append(row_s[ticks[number + 1]])
        knot_m.append(wheel_m[ticks[number + 1]])
    inside = (row_s >= knot_s[0]) & (row_s <= knot_s[-1])
    return np.where(inside, np.interp(row_s, knot_s, knot_m), wheel_m)


def speed_of_rows(row_s: np.ndarray, distance_m: np.ndarray) -> np.ndarray:
    """Signed speed at each row over a centred window, or over its neighbours where rows are further apart."""
    half = SPEED_WINDOW_S / 2
    before = np.concatenate([row_s[:1], row_s[:-1]])
    after = np.concatenate([row_s[1:], row_s[-1:]])
    start = np.maximum(np.minimum(row_s - half, before), row_s[0])
    stop = np.minimum(np.maximum(row_s + half, after), row_s[-1])
    moved = np.interp(stop, row_s, distance_m) - np.interp(start, row_s, distance_m)
    return moved / np.maximum(stop - start, 1e-9)


def direction_of_runs(
    row_s: np.ndarray,
    wheel_m: np.ndarray,
    fix_s: np.ndarray,
    fix_m: np.ndarray,
    sigma_m: np.ndarray,
) -> np.ndarray:
    """Which way the paver went between pauses: +1 as the counter says, -1 against it.

    The log is cut into runs where the wheel pauses; a run is turned round when the fixes at its ends moved
    against the course of the two runs beside it (of their parts next to it: a paver may turn round later), by
    more than four of their standard deviations, and when it starts and ends where its neighbours do: a lane
    laid on the way back starts beside the one before.

    Parameters
    ----------
    row_s, wheel_m : numpy.ndarray
        (row) time and counter.
    fix_s, fix_m, sigma_m : numpy.ndarray
        (fix) time, (fix, 2) place, one-axis standard deviation of short-term noise.

    Returns
    -------
    numpy.ndarray
        (row - 1) sign of each step.
    """
    sign = np.ones(len(row_s) - 1)
    start, stop = runs_between_pauses(row_s, wheel_m)
    if len(start) < 2 or len(fix_s) < 2:
        return sign
    ends = np.column_stack([row_s[start], row_s[stop]])
    place = np.stack([np.interp(ends, fix_s, axis) for axis in fix_m.T], axis=-1)
    noise = np.interp(ends, fix_s, sigma_m).max(axis=1)
    moved = place[:, 1] - place[:, 0]
    turned = wheel_m[stop] - wheel_m[start]
    joined = _joined(place, noise)
    for run in range(len(start)):
        beside = [k for k in (run - 1, run + 1) if 0 <= k < len(start) and abs(turned[k]) > abs(turned[run])]
        if not beside or not SHORTEST_M <= turned[run] <= LONGEST_M or not (joined[run] and joined[run + 1]):
            continue
        reach = max(NEAR_SHARE * turned[run], NEAR_M)
        near = [
            _move_beside(row_s, wheel_m, fix_s, fix_m, (start[k], stop[k]), k < run, reach) for k in beside
        ]
        course = sum(move / max(np.hypot(*move), 1e-9) for move in near)
        progress = float(moved[run] @ course / max(np.hypot(*course), 1e-9))
        if progress < -max(4.0 * noise[run], 0.5 * turned[run]):
            sign[start[run] : stop[run]] = -1.0
    return sign


def _move_beside(
    row_s: np.ndarray,
    wheel_m: np.ndarray,
    fix_s: np.ndarray,
    fix_m: np.ndarray,
    run: tuple[int, int],
    is_before: bool,
    reach_m: float,
) -> np.ndarray:
    """Move (2) of the fixes over the last (of a run before) or first `reach_m` of a run."""
    gone = np.abs(wheel_m[run[0] : run[1] + 1] - wheel_m[run[0]])
    ends = (gone[-1] - reach_m, gone[-1]) if is_before else (0.0, reach_m)
    rows = run[0] + np.clip(np.searchsorted(gone, ends), 0, len(gone) - 1)
    places = [np.interp(row_s[rows], fix_s, axis) for axis in fix_m.T]
    return np.array([place[1] - place[0] for place in places])


def runs_between_pauses(row_s: np.ndarray, wheel_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First and last row of each stretch in which the wheel turns; pauses under `SHORTEST_PAUSE_S` do not cut.

    Speeds are taken over a second or a step between rows, whichever is longer: a wheel that trembles rests.
    """
    half = np.maximum(np.diff(row_s), REST_WINDOW_S) / 2
    middle = row_s[:-1] + np.diff(row_s) / 2
    moved = np.interp(middle + half, row_s, wheel_m) - np.interp(middle - half, row_s, wheel_m)
    speed = np.abs(moved) / (2 * half)
    turns = speed > SLOWEST_MPS
    rests = speed < max(SLOWEST_MPS, SLOWEST_SHARE * float(np.median(speed[turns])) if turns.any() else 0.0)
    edge = np.flatnonzero(np.diff(np.concatenate([[True], rests, [True]]).astype(np.int8)))
    start, stop = edge[::2], edge[1::2]
    if len(start) == 0:
        return start, stop
    long = row_s[start[1:]] - row_s[stop[:-1]] >= SHORTEST_PAUSE_S
    return start[np.concatenate([[True], long])], stop[np.concatenate([long, [True]])]


def _joined(place: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Whether each run starts within 1 m and noise of where the last ended; (run + 1), both ends True."""
    jump = np.hypot(*(place[1:, 0] - place[:-1, 1]).T)
    near = jump < 1.0 + 4.0 * np.maximum(noise[1:], noise[:-1])
    return np.concatenate([[True], near, [True]])
