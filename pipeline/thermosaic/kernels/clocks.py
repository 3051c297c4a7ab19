"""Two clocks compared by one motion: how far the scan clock runs ahead of UTC.

The wheel is on the scan clock, the fixes are in UTC; both saw the paver start, slow down and stop.
Whole offsets are found by correlating the two speeds; the fine part comes with the path itself
(`motion.clock_shift`).
"""

from __future__ import annotations

import numpy as np

STILL_M = 0.1  # and three usual steps: a place that changed by less while nothing was logged is taken as kept
FEW_LAGS = 64  # are summed one by one
LEAST_VARIANCE = 0.1  # of a log's own: a stretch without starts and stops says nothing
LEAST_MEMORY = 1.0 + 2.0 * (0.75**2 + 0.5**2 + 0.25**2)  # values; windows overlap by so much


def speed_on_grid(time_s: np.ndarray, path: np.ndarray, grid_s: np.ndarray, window_s: float) -> np.ndarray:
    """Speed over a centred window from places at times.

    Parameters
    ----------
    time_s : numpy.ndarray
        (row) increasing.
    path : numpy.ndarray
        (row, axis) place, metres: one column for a wheel, two for fixes.
    grid_s : numpy.ndarray
        Times wanted; NaN where the window reaches out of the log, or ends in a hole of it longer than the window
        in which the place changed: nobody knows when.
    """
    ahead, back = grid_s + window_s / 2, grid_s - window_s / 2
    moved = [np.interp(ahead, time_s, axis) - np.interp(back, time_s, axis) for axis in path.T]
    speed = np.sqrt(sum(step**2 for step in moved)) / window_s
    length = np.linalg.norm(np.diff(path, axis=0), axis=1)
    hole = (np.diff(time_s) > window_s) & (length > STILL_M + 3.0 * np.median(length))
    unknown = _within(hole, time_s, ahead) | _within(hole, time_s, back)
    return np.where((back >= time_s[0]) & (ahead <= time_s[-1]) & ~unknown, speed, np.nan)


def _within(hole: np.ndarray, time_s: np.ndarray, at_s: np.ndarray) -> np.ndarray:
    """Whether moments lie in holes of a log; `hole` (row - 1) tells which steps between rows are some."""
    if not hole.any():
        return np.zeros(len(at_s), bool)
    return hole[np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, len(hole) - 1)]


def coarse_offset(
    scan_s: np.ndarray,
    wheel_m: np.ndarray,
    fix_s: np.ndarray,
    fix_m: np.ndarray,
    around_s: float = 0.0,
    reach_s: float = 7200.0,
    window_s: float = 8.0,
    fine_window_s: float = 8.0,
) -> tuple[float, float]:
    """Find the offset scan clock less UTC, to a second, by correlating speeds.

    A wide window makes the speeds of noisy fixes comparable; what happened within half of it from an end of a
    log is lost to it. So the best offset is sought again nearby with the narrowest window the fixes bear.

    Parameters
    ----------
    scan_s, wheel_m : numpy.ndarray
        (row) seconds on the scan clock, wheel distance.
    fix_s, fix_m : numpy.ndarray
        (fix) seconds UTC; (fix, 2) place on a local plane.
    around_s, reach_s : float
        Offsets searched: around - reach .. around + reach.
    window_s, fine_window_s : float
        Over which speeds are taken, at first and to look again.

    Returns
    -------
    offset_s, chance : float
        `chance` bounds how probable it is that the best offset looks so although it is not the true one
        (`_chance`), 0..1: a short or steady log finds some offset at which any two motions look alike.
    """
    logs = scan_s, wheel_m, fix_s + around_s, fix_m
    step_s = window_s / 4.0
    speeds = _speeds(*logs, window_s, step_s)
    lag, alike, held = _likeness_by_lag(speeds, step_s, (-reach_s, reach_s))
    best = int(np.argmax(alike))
    near = lag[best] - 1.5 * window_s, lag[best] + 1.5 * window_s
    chance = _chance(
        alike, held, best, (lag < near[0]) | (lag > near[1]), _memory(*speeds, round(lag[best] / step_s))
    )
    lag, alike, _ = _likeness_by_lag(_speeds(*logs, min(fine_window_s, window_s), 1.0), 1.0, near)
    return float(around_s + lag[np.argmax(alike)]), chance


def _chance(alike: np.ndarray, held: np.ndarray, best: int, away: np.ndarray, memory: float) -> float:
    """Bound the probability that the best offset is not the true one.

    Values of noise that follow each other are not independent: `held` values count as n = held / memory. At an
    offset with correlation r a straight line between the two speeds is (1 - r^2)^(-n / 2) times as likely as
    none; line and offset take three of the n. So an offset outside the peak rivals the best one. Without any
    rival, as many offsets were tried as are independent, and of motions that have nothing in common the
    inverse power bounds twice the probability of a correlation above r (from its density, Fisher 1915).

    Parameters
    ----------
    alike, held : numpy.ndarray
        (lag) likeness, and number of values that both logs hold.
    best : int
        The lag looked at.
    away : numpy.ndarray
        (lag) bool: too far to be found from the best one by a finer look.
    memory : float
        Values, at least 1.
    """
    correlation = np.clip(alike / np.sqrt(np.maximum(held, 1.0) / held.max()), 0.0, 1.0 - 1e-6)
    evidence = np.maximum(held / memory - 3.0, 0.0) / -2.0 * np.log1p(-(correlation**2))
    tried = max(1.0, np.count_nonzero(held > 1.0) / memory)
    rival = max(float(np.max(evidence, where=away, initial=0.0)), float(np.log(tried / 2.0)))
    return float(np.exp(min(0.0, rival - evidence[best])))


def _memory(wheel: np.ndarray, gnss: np.ndarray, ahead: int) -> float:
    """Count the values that hold as much as one independent one: of what a wheel `ahead` by so many leaves.

    The squared autocorrelation of what is left, summed to both sides up to where it first is no longer positive
    (Bartlett, 1935); never less than that of white noise of places, seen by windows of four values.
    """
    place = np.arange(len(gnss)) + ahead
    inside = (place >= 0) & (place < len(wheel))
    moved = np.where(inside, wheel[np.clip(place, 0, len(wheel) - 1)], np.nan)
    both = np.isfinite(moved) & np.isfinite(gnss)
    if both.sum() < 3:
        return LEAST_MEMORY
    mine, theirs = moved - moved[both].mean(), gnss - gnss[both].mean()
    left = theirs - mine * (mine[both] @ theirs[both]) / max(mine[both] @ mine[both], 1e-12)
    kept = _likeness(left, left, 0, len(left) // 2)[0][1:]
    until = int(np.argmax(kept <= 0.0)) if (kept <= 0.0).any() else len(kept)
    return max(LEAST_MEMORY, 1.0 + 2.0 * float((kept[:until] ** 2).sum()))


def _speeds(
    scan_s: np.ndarray,
    wheel_m: np.ndarray,
    fix_s: np.ndarray,
    fix_m: np.ndarray,
    window_s: float,
    step_s: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Speeds of wheel and fixes on one grid of times over both logs; NaN outside each."""
    grid = np.arange(min(scan_s[0], fix_s[0]), max(scan_s[-1], fix_s[-1]) + step_s, step_s)
    wheel = speed_on_grid(scan_s, wheel_m[:, None], grid, window_s)
    gnss = speed_on_grid(fix_s, fix_m, grid, window_s)
    if np.isfinite(wheel).any():
        gnss = np.where(gnss > 3.0 * np.nanpercentile(wheel, 99) + 0.05, np.nan, gnss)
    return wheel, gnss


def _likeness_by_lag(
    speeds: tuple[np.ndarray, np.ndarray], step_s: float, within_s: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lags of the scan clock, whole steps from one bound to the other; at each: likeness, and values held by both."""
    size = len(speeds[0])
    first, last = (int(np.clip(round(end / step_s), 1 - size, size - 1)) for end in within_s)
    return step_s * np.arange(first, last + 1), *_likeness(*speeds, first, last)


def name_offset(offset_s: float, tolerance_s: float = 2.0) -> str:
    """Say in words what a large clock offset usually means; empty for a small or unknown one.

    >>> name_offset(18.1)
    'the scan clock runs on GPS time (18 s ahead of UTC)'
    >>> name_offset(-3600.4)
    'the clocks differ by a whole hour: check the time zone of the scan log'
    """
    if abs(offset_s - 18.0) <= tolerance_s:
        return "the scan clock runs on GPS time (18 s ahead of UTC)"
    if abs(offset_s + 18.0) <= tolerance_s:
        return "the fixes are on GPS time (18 s ahead of UTC)"
    days, hours = round(offset_s / 86400), round(offset_s / 3600)
    if days and abs(offset_s - 86400 * days) <= tolerance_s:
        count = "a whole day" if abs(days) == 1 else f"{abs(days)} whole days"
        return f"the clocks differ by {count}: check the dates of the logs"
    if hours and abs(offset_s - 3600 * hours) <= tolerance_s:
        count = "a whole hour" if abs(hours) == 1 else f"{abs(hours)} whole hours"
        return f"the clocks differ by {count}: check the time zone of the scan log"
    return ""


def _likeness(wheel: np.ndarray, gnss: np.ndarray, first: int, last: int) -> tuple[np.ndarray, np.ndarray]:
    """Correlate two logs (NaN outside) at lags `first` .. `last`, each over the values that both logs hold there.

    Masked correlation (Padfield, 2012), less where less is shared: a log that begins in a stop is not held
    against the whole stop of the other.
    """
    ours, theirs = _powers(wheel), _powers(gnss)
    far = max(abs(first), abs(last))
    size = 1 << (len(wheel) + far).bit_length()

    def total(one: int, other: int) -> np.ndarray:
        if last - first < FEW_LAGS:
            moved = np.pad(ours[one], far)[far + first : far + last + len(wheel)]
            return np.correlate(moved, theirs[other], "valid")
        product = np.fft.irfft(np.fft.rfft(ours[one], size) * np.conj(np.fft.rfft(theirs[other], size)), size)
        return product[np.arange(first, last + 1)]

    count = np.maximum(np.round(total(0, 0)), 1.0)
    mean = total(1, 0), total(0, 1)
    shared = total(1, 1) - mean[0] * mean[1] / count
    own, others = total(2, 0) - mean[0] ** 2 / count, total(0, 2) - mean[1] ** 2 / count
    least = LEAST_VARIANCE * count
    alike = shared / np.sqrt(np.maximum(own, least) * np.maximum(others, least))
    return alike * np.sqrt(count / count.max()), count


def _powers(values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Whether there is a value, the value in standard deviations from the mean, its square; 0 where none is."""
    inside = np.isfinite(values)
    if not inside.any():
        return (np.zeros(len(values)),) * 3
    scaled = np.where(inside, values - values[inside].mean(), 0.0) / max(float(values[inside].std()), 1e-9)
    return inside.astype(float), scaled, scaled**2
