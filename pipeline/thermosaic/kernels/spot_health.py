"""Spots that cannot be trusted over a whole pass: dead, stuck, or off by a constant from their neighbours."""

from __future__ import annotations

import numpy as np

FEWEST_LINES = 30  # a spot is judged on no fewer
MOST_LINES = 1500  # evenly picked where there are more
STUCK_DELTA_C = 0.2  # a spot that varies less is stuck where the others vary five times as much
BIAS_DELTA_C = 4.0  # twice the accuracy of a thermometer of 2 degC
BIAS_SPREADS = 6.0  # and this many times the usual difference between neighbours
STEADY_FRAC = 0.3  # a bias keeps within this part of itself along the pass
BLOCKS = 20


def bad_spots(temp_c: np.ndarray, pass_code: np.ndarray, on_mat: np.ndarray, passes: int) -> np.ndarray:
    """Find bad spots in every pass.

    Parameters
    ----------
    temp_c : numpy.ndarray
        (line, spot) readings, NaN = none.
    pass_code : numpy.ndarray
        (line) pass of each line, -1 = none.
    on_mat : numpy.ndarray
        (spot) spots on the mat.
    passes : int
        Number of passes.

    Returns
    -------
    numpy.ndarray
        bool (pass, spot).
    """
    bad = np.zeros((passes, temp_c.shape[1]), bool)
    for code in range(passes):
        lines = np.flatnonzero(pass_code == code)
        if len(lines) < FEWEST_LINES:
            continue
        picked = lines[:: max(1, len(lines) // MOST_LINES)]
        sample = temp_c[picked].astype(float)
        bad[code] = dead(sample) | stuck(sample, on_mat) | biased(sample, on_mat)
    return bad


def dead(temp_c: np.ndarray) -> np.ndarray:
    """Spots without a reading where others have them: fewer than one line in a hundred."""
    given = np.isfinite(temp_c).mean(axis=0)
    return (given < 0.01) & (given.max(initial=0.0) > 0.5)


def stuck(temp_c: np.ndarray, on_mat: np.ndarray) -> np.ndarray:
    """Spots whose middle 90 % of readings spans next to nothing while the mat's readings vary."""
    enough = np.isfinite(temp_c).sum(axis=0) >= FEWEST_LINES
    span = np.full(temp_c.shape[1], np.nan)
    if enough.any():
        low, high = np.nanpercentile(temp_c[:, enough], (5, 95), axis=0)
        span[enough] = high - low
    judged = span[on_mat & enough]
    if len(judged) < 3:
        return np.zeros(temp_c.shape[1], bool)
    return enough & (span <= STUCK_DELTA_C) & (np.median(judged) >= 5 * STUCK_DELTA_C)


def biased(temp_c: np.ndarray, on_mat: np.ndarray) -> np.ndarray:
    """Single spots off by a constant from the two spots on either side, along the whole pass.

    A streak of two or more spots is mat, not a fault of the instrument, and the outermost spot of the mat
    is not judged: a free edge is cooler.
    """
    found = np.zeros(temp_c.shape[1], bool)
    columns = np.flatnonzero(on_mat & (np.isfinite(temp_c).mean(axis=0) > 0.5))
    if len(columns) < 5:
        return found
    readings = temp_c[:, columns]
    level = np.column_stack([_level(readings, place) for place in range(len(columns))])
    off = readings - level
    offset = np.nanmedian(off, axis=0)
    usual = np.median(np.abs(offset)) / 0.674489750196082
    far = np.abs(offset) > max(BIAS_DELTA_C, BIAS_SPREADS * usual)
    steady = _steady(off, offset)
    alone = far & ~np.concatenate([[False], far[:-1]]) & ~np.concatenate([far[1:], [False]])
    inner = (np.arange(len(columns)) > 0) & (np.arange(len(columns)) < len(columns) - 1)
    found[columns] = alone & steady & inner
    return found


def _level(readings: np.ndarray, place: int) -> np.ndarray:
    """Median of up to two spots on either side of one, a line at a time."""
    near = [k for k in range(place - 2, place + 3) if k != place and 0 <= k < readings.shape[1]]
    return _median(readings[:, near])


def _median(readings: np.ndarray) -> np.ndarray:
    """Row median without NaN; NaN where a row has none."""
    ordered = np.sort(readings, axis=1)  # NaN last
    count = np.isfinite(readings).sum(axis=1)
    rows = np.arange(len(readings))
    return 0.5 * (ordered[rows, np.maximum(count - 1, 0) // 2] + ordered[rows, count // 2 * (count > 0)])


def _steady(off: np.ndarray, offset: np.ndarray) -> np.ndarray:
    """Whether the offset of each column keeps along the pass: in nine of ten blocks of lines."""
    blocks = np.array_split(off, min(BLOCKS, max(len(off) // 10, 1)))
    inside = np.column_stack(
        [
            np.abs(_median(block.T) - offset) <= np.maximum(STEADY_FRAC * np.abs(offset), 1.5)
            for block in blocks
        ]
    )
    return inside.mean(axis=1) >= 0.9
