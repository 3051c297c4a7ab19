"""The mat across its width as the columns see it: which are warm, which stand in the wrong place, which shake."""

from __future__ import annotations

import numpy as np

WARMER_DELTA_C = 30.0  # a mat this much warmer than what lies beside it shows its edges
MOST_COLUMNS = 256
MOST_LINES = 2000
NOISY_TIMES, NOISY_DELTA_C = 4.0, 1.5  # of the usual spot, and in itself
GAIN = 0.6  # of correlation, that an exchange of two columns must bring


def warm_span(level_c: np.ndarray) -> tuple[int, int] | None:
    """First and last column of the warm part: the best fit of a warm level between two cold ends.

    All splits are compared by least squares, so that neither end is favoured and no threshold decides.

    Parameters
    ----------
    level_c : numpy.ndarray
        (spot) typical temperature of each column, in order across the mat, finite.

    Returns
    -------
    (first, last) or None
        None where no part is warmer than the rest by WARMER_DELTA_C: every column sees the same.

    Examples
    --------
    >>> warm_span(np.array([30.0, 31, 140, 142, 141, 29]))
    (2, 4)
    """
    count = len(level_c)
    sums = np.concatenate([[0.0], np.cumsum(level_c)])
    first, end = np.triu_indices(count, 1)
    end = np.append(end, np.full(count, count))
    first = np.append(first, np.arange(count))
    inner, size = sums[end] - sums[first], end - first
    some = size < count
    first, end, inner, size = first[some], end[some], inner[some], size[some]
    if not len(first):
        return None
    outer = sums[-1] - inner
    warmer = inner / size - outer / (count - size)
    explained = np.where(warmer > 0, inner**2 / size + outer**2 / (count - size), -np.inf)
    best = int(np.argmax(explained))
    return (int(first[best]), int(end[best]) - 1) if warmer[best] > WARMER_DELTA_C else None


def noisy_columns(temp_c: np.ndarray) -> np.ndarray:
    """Columns whose readings jump from line to line far more than their neighbours' do; bool (spot)."""
    step = np.abs(np.diff(temp_c[-MOST_LINES:].astype(float), axis=0))
    enough = np.isfinite(step).sum(axis=0) > 10
    jump = np.full(temp_c.shape[1], np.nan)
    if enough.any():
        jump[enough] = np.nanmedian(step[:, enough], axis=0) / (0.674489750196082 * np.sqrt(2.0))
    usual = np.nanmedian(jump) if enough.any() else np.nan
    with np.errstate(invalid="ignore"):
        return (jump > NOISY_TIMES * usual) & (jump > NOISY_DELTA_C)


def exchanged_columns(temp_c: np.ndarray) -> tuple[int, int] | None:
    """Find two columns that would fit their neighbours far better in each other's place.

    Unevenness of a mat is wider than a spot, so neighbouring columns rise and fall together. Columns closer
    than three places cannot be told apart this way, nor a line of spots that is mirrored as a whole.

    Parameters
    ----------
    temp_c : numpy.ndarray
        (line, spot) readings on the mat, working columns only, in order across the mat.

    Returns
    -------
    (column, column) or None
    """
    count = temp_c.shape[1]
    if not 6 <= count <= MOST_COLUMNS or len(temp_c) < 50:
        return None
    alike = _likeness(temp_c[:: max(1, len(temp_c) // MOST_LINES)].astype(float))
    fit = _fit(alike)
    now = np.diagonal(fit)
    gain = np.where(np.triu(np.ones_like(fit), 3) > 0, fit + fit.T - now - now[:, None], -np.inf)
    one, other = np.unravel_index(np.argmax(gain), gain.shape)
    return (int(one), int(other)) if gain[one, other] > GAIN else None


def _likeness(temp_c: np.ndarray) -> np.ndarray:
    """Correlation of columns, after the line's and the column's own level."""
    off = temp_c - np.nanmedian(temp_c, axis=0)
    off -= np.nanmedian(off, axis=1)[:, None]
    off = np.nan_to_num(off)
    size = np.sqrt((off**2).sum(axis=0))
    return (off.T @ off) / np.maximum(np.outer(size, size), 1e-12)


def _fit(alike: np.ndarray) -> np.ndarray:
    """Mean likeness of a column to the neighbours of a place that is not beside it, (column, place)."""
    fit = np.empty_like(alike)
    fit[:, 1:-1] = 0.5 * (alike[:, :-2] + alike[:, 2:])
    fit[:, 0], fit[:, -1] = alike[:, 1], alike[:, -2]
    return fit
