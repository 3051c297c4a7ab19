"""Percentiles by a named method.

The two methods differ by 1.95 units on 1 .. 100 for the pair 98.5 / 1, so a method always has a name.
R-6 and R-7 are those of R. J. Hyndman and Y. Fan, "Sample Quantiles in Statistical Packages", The
American Statistician 50 (1996) 361-365; R-6 is the method of the NIST/SEMATECH handbook, 7.2.6.2.
"""

from __future__ import annotations

import numpy as np

METHODS = ("R-6", "R-7")


def percentiles(values: np.ndarray, percents: tuple[float, ...], method: str) -> np.ndarray:
    """Take percentiles of a sample.

    Parameters
    ----------
    values : array of n numbers without NaN, any order
    percents : tuple of float
        Each from 0 to 100.
    method : "R-6" or "R-7"
        With the values in order and numbered from 1, the percentile lies at p (n + 1) or at
        1 + p (n - 1), kept within 1 .. n; between two values it is interpolated.

    Returns
    -------
    float64 array (percent); NaN for an empty sample.

    Examples
    --------
    >>> ages = np.array([15, 20, 35, 40, 50])
    >>> percentiles(ages, (40,), "R-6").tolist(), percentiles(ages, (40,), "R-7").tolist()
    ([26.0], [29.0])
    """
    if method not in METHODS:
        raise ValueError(f'percentile method "{method}" is not one of {", ".join(METHODS)}')
    number = len(values)
    if number == 0:
        return np.full(len(percents), np.nan)
    last = number - 1
    places = [p * (number + 1) / 100 - 1 if method == "R-6" else p * last / 100 for p in percents]
    places = [min(max(place, 0.0), last) for place in places]
    below = [int(place) for place in places]
    wanted = sorted({*below, *(min(place + 1, last) for place in below)})
    ordered = np.partition(values.astype(np.float64, copy=False), wanted)
    return np.array(
        [
            ordered[k] + (place - k) * (ordered[min(k + 1, last)] - ordered[k])
            for k, place in zip(below, places, strict=True)
        ]
    )


def percentile_of_rows(values: np.ndarray, percent: float) -> np.ndarray:
    """Take one percentile, R-7, of each row by itself, passing over NaN.

    All rows at once: `numpy.nanpercentile` goes row by row, many seconds for the lines of a day.

    Parameters
    ----------
    values : float array (row, column)
    percent : float
        From 0 to 100.

    Returns
    -------
    float64 array (row); NaN where a row has no number.

    Examples
    --------
    >>> percentile_of_rows(np.array([[4.0, 1.0, 2.0], [np.nan, 8.0, 4.0]]), 75).tolist()
    [3.0, 7.0]
    """
    if values.shape[1] == 0:
        return np.full(len(values), np.nan)
    ordered = np.sort(values.astype(np.float64), axis=1)  # NaN comes last
    last = np.maximum(np.count_nonzero(~np.isnan(ordered), axis=1) - 1, 0)
    place = percent / 100 * last
    below = place.astype(np.intp)
    row = np.arange(len(values))
    low, high = ordered[row, below], ordered[row, np.minimum(below + 1, last)]
    return low + (place - below) * (high - low)
