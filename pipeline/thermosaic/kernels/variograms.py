"""Semivariograms of an image of cells along one axis, and a spherical model fitted to one.

Nugget, sill and range of a mat say how uneven it is and over which length. A fit depends on its weights, so
they are stated: pairs / lag^2, as in gstat (fit method 7). Not done here: trends, other models.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

RANGES_TRIED = 60
CLOSE = 1e-9  # of the logarithm of the range


@dataclass(frozen=True, slots=True)
class Spherical:
    """Model nugget + partial sill x (1.5 h / range - 0.5 (h / range)^3), level beyond the range."""

    nugget: float
    partial_sill: float
    range_: float  # in the unit of the lags

    @property
    def sill(self) -> float:
        return self.nugget + self.partial_sill

    def at(self, lag: np.ndarray) -> np.ndarray:
        """Semivariance at lags above 0.

        >>> model = Spherical(0.05066243, 0.5906078, 897.0209)
        >>> model.at(np.array([100.0, 500.0, 2000.0])).round(5).tolist()
        [0.14901, 0.49333, 0.64127]
        """
        return self.nugget + self.partial_sill * _shape(np.asarray(lag, float) / self.range_)


def _shape(part: np.ndarray) -> np.ndarray:
    near = np.minimum(part, 1.0)
    return 1.5 * near - 0.5 * near**3


def lags(most: int, number: int) -> np.ndarray:
    """Choose at most `number` whole lags from 1 to `most`, closer together at short ones.

    >>> lags(40, 8).tolist()
    [1, 2, 3, 5, 8, 14, 24, 40]
    """
    return np.unique(np.round(np.geomspace(1, most, number)).astype(int)) if most >= 1 else np.empty(0, int)


def pair_sums(
    image: np.ndarray, lag_cells: np.ndarray, axis: int, every: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    """Sum squared differences of cells a lag apart along an axis.

    Parameters
    ----------
    image : float (row, col), NaN = empty
    lag_cells : int (lag), each from 1
    every : int
        Take only the pairs that begin in every so-manieth column.

    Returns
    -------
    pairs : int64 (lag)
    squares : float64 (lag)
        Semivariance is squares / (2 pairs); sums of several images add up.

    Examples
    --------
    >>> pairs, squares = pair_sums(np.array([[10.0, 12, 11, 14, 13]]), np.array([1, 2, 3, 4]), axis=1)
    >>> (squares / 2 / pairs).tolist()
    [1.875, 1.5, 4.25, 4.5]
    """
    values = np.ascontiguousarray(np.asarray(image, np.float64).T)  # columns lie together
    pairs, squares = np.zeros(len(lag_cells), np.int64), np.zeros(len(lag_cells))
    across = np.ascontiguousarray(values[::every]) if axis == 0 else values
    for place, lag in enumerate(lag_cells):
        if lag >= values.shape[1 - axis]:
            continue
        ends = (values[lag::every], values[:-lag:every]) if axis == 1 else (across[:, lag:], across[:, :-lag])
        apart = ends[0] - ends[1]
        known = apart == apart
        pairs[place] = np.count_nonzero(known)
        apart[~known] = 0.0
        squares[place] = np.square(apart).sum()  # plain sums: a matrix library would start threads for each
    return pairs, squares


def fit_spherical(lag: np.ndarray, pairs: np.ndarray, semivariance: np.ndarray) -> Spherical | None:
    """Fit a spherical model by least squares with weights pairs / lag^2.

    For each range the best nugget and partial sill, neither below 0, follow in closed form; the range is
    sought from the shortest lag to twice the longest, on a grid and then between its neighbours.

    Parameters
    ----------
    lag : float (bin), above 0
    pairs : int (bin); bins without pairs are left out
    semivariance : float (bin)

    Returns
    -------
    Spherical, or None with fewer than three bins.
    """
    used = np.asarray(pairs) > 0
    h, gamma = np.asarray(lag, float)[used], np.asarray(semivariance, float)[used]
    if len(h) < 3:
        return None
    root = np.sqrt(np.asarray(pairs, float)[used]) / h

    def misfit(log_range: float) -> float:
        shape = _shape(h / np.exp(log_range))
        nugget, partial = _linear(root, shape * root, gamma * root)
        return float(np.sum((root * (nugget + partial * shape - gamma)) ** 2))

    tried = np.log(np.geomspace(h.min(), 2 * h.max(), RANGES_TRIED))
    best = int(np.argmin([misfit(value) for value in tried]))
    around = tried[max(best - 1, 0)], tried[min(best + 1, len(tried) - 1)]
    range_ = float(np.exp(_lowest(misfit, *around)))
    nugget, partial = _linear(root, _shape(h / range_) * root, gamma * root)
    return Spherical(nugget, partial, range_)


def _lowest(misfit: Callable[[float], float], low: float, high: float) -> float:
    """Place of the minimum between two places, by golden section: J. Kiefer (1953)."""
    golden = (math.sqrt(5) - 1) / 2
    left, right = high - golden * (high - low), low + golden * (high - low)
    of_left, of_right = misfit(left), misfit(right)
    while high - low > CLOSE:
        if of_left <= of_right:
            high, right, of_right = right, left, of_left
            left = high - golden * (high - low)
            of_left = misfit(left)
        else:
            low, left, of_left = left, right, of_right
            right = low + golden * (high - low)
            of_right = misfit(right)
    return (low + high) / 2


def _linear(ones: np.ndarray, shape: np.ndarray, gamma: np.ndarray) -> tuple[float, float]:
    """Least squares of gamma = a ones + b shape with a, b not below 0."""
    aa, ab, bb, ag, bg = ones @ ones, ones @ shape, shape @ shape, ones @ gamma, shape @ gamma
    det = aa * bb - ab * ab
    if det > 1e-12 * aa * bb:
        a, b = (bb * ag - ab * bg) / det, (aa * bg - ab * ag) / det
        if a >= 0 and b >= 0:
            return float(a), float(b)
    only_a, only_b = max(ag / aa, 0.0), max(bg / bb, 0.0)
    a_first = ag * only_a >= bg * only_b
    return (float(only_a), 0.0) if a_first else (0.0, float(only_b))
