"""Rank correlation (Spearman 1904) with a bootstrap percentile interval (Efron 1979)."""

from __future__ import annotations

import numpy as np
from scipy.stats import rankdata

RESAMPLES = 4000
SEED = 20260514  # fixed: the same numbers give the same interval


def rank_correlation(first: np.ndarray, second: np.ndarray) -> float:
    """Correlate the ranks of two columns, equals sharing their mean rank; NaN where one column is constant.

    >>> rank_correlation(np.array([1.0, 2.0, 3.0]), np.array([5.0, 9.0, 7.0]))
    0.5
    """
    return float(_correlate(rankdata(first)[None], rankdata(second)[None])[0])


def bootstrap_interval(
    first: np.ndarray, second: np.ndarray, level: float = 0.95, resamples: int = RESAMPLES
) -> tuple[float, float]:
    """Give the percentile interval of the rank correlation over resampled pairs.

    Parameters
    ----------
    first, second : float64 (pair)
    level : float
        Share of the resampled correlations between the two ends.

    Returns
    -------
    low, high : float; resamples in which a column is constant are left out.
    """
    chosen = np.random.default_rng(SEED).integers(0, len(first), (resamples, len(first)))
    found = _correlate(rankdata(first[chosen], axis=1), rankdata(second[chosen], axis=1))
    low, high = np.nanquantile(found, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


def _correlate(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Correlation of each row of two blocks (row, pair); NaN where a row is constant."""
    first, second = (block - block.mean(axis=1, keepdims=True) for block in (first, second))
    spread = np.sqrt((first**2).sum(axis=1) * (second**2).sum(axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(spread > 0, (first * second).sum(axis=1) / spread, np.nan)
