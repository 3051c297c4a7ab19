"""Several scanners on one line: rows matched in time, columns put side by side, what both saw compared."""

from __future__ import annotations

import numpy as np


def nearest_rows(wanted_ns: np.ndarray, given_ns: np.ndarray) -> np.ndarray:
    """Row of another log nearest in time to each line, within half a step of the slower one; -1 = none.

    Parameters
    ----------
    wanted_ns, given_ns : int64, increasing
        Times of the lines and of the other log's rows on one clock, at least two each.
    """
    after = np.clip(np.searchsorted(given_ns, wanted_ns), 1, len(given_ns) - 1)
    row = np.where(wanted_ns - given_ns[after - 1] <= given_ns[after] - wanted_ns, after - 1, after)
    reach = max(float(np.median(np.diff(times))) for times in (wanted_ns, given_ns)) / 2
    return np.where(np.abs(given_ns[row] - wanted_ns) <= reach, row, -1)


def seen_by(right_m: np.ndarray, pitch_m: np.ndarray) -> np.ndarray:
    """Which places lie within the reach of a scanner with these pitches (spot, 2): bool."""
    return (right_m >= pitch_m.min()) & (right_m <= pitch_m.max())


def overlap_difference(
    temp_c: np.ndarray, right_m: np.ndarray, winner_c: np.ndarray, winner_right_m: np.ndarray
) -> tuple[float, int]:
    """Mean of one scanner's readings less the winner's at the same places, and how many were compared.

    Parameters
    ----------
    temp_c, winner_c : (line, spot)
        Readings of both on the same lines, NaN = none; the winner's are interpolated across.
    right_m, winner_right_m : (spot)
        Centres; the winner's in one direction.
    """
    order = np.argsort(winner_right_m)
    at = np.interp(right_m, winner_right_m[order], np.arange(len(order)))
    low = np.minimum(at.astype(int), len(order) - 2)
    share = at - low
    beside = winner_c[:, order[low]] * (1 - share) + winner_c[:, order[low + 1]] * share
    off = temp_c - beside
    count = int(np.isfinite(off).sum())
    return (float(np.nanmean(off, dtype=np.float64)) if count else float("nan")), count
