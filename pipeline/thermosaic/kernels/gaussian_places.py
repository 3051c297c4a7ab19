"""A place known to a normal distribution: weights of what lies around it, and a lattice of where it may be."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.special import ndtri

WITHIN_95 = 5.991464547107979  # chi-square of two degrees of freedom at 0.95: -2 ln 0.05
EACH_WAY = 64


def weights(
    along_m: np.ndarray,
    across_m: np.ndarray,
    sigma_m: tuple[float, float],
    footprint_m: tuple[float, float],
) -> np.ndarray:
    """Weight readings around a place by how likely the place lies at each; zero beyond its 95 % ellipse.

    Parameters
    ----------
    along_m, across_m : float64 (reading)
        From the place to the middle of each reading.
    sigma_m : two floats
        One standard deviation of the place against the readings, along and across.
    footprint_m : two floats
        Mat that one reading stands for, along and across; its even spread adds side**2 / 12 to the variances.

    Returns
    -------
    float64 (reading), summing to 1 where any reading lies within; else all zero.

    >>> weights(np.array([0.0, 1.0, 9.0]), np.zeros(3), (1.0, 1.0), (0.0, 0.0)).round(4).tolist()
    [0.6225, 0.3775, 0.0]
    """
    variance = [sigma**2 + side**2 / 12 for sigma, side in zip(sigma_m, footprint_m, strict=True)]
    distance2 = along_m**2 / variance[0] + across_m**2 / variance[1]
    weight = np.where(distance2 <= WITHIN_95, np.exp(-distance2 / 2), 0.0)
    total = weight.sum()
    return weight / total if total > 0 else weight


@cache
def lattice() -> np.ndarray:
    """Equally likely places of a standard normal distribution in two dimensions, (place, 2).

    The middles of equal shares of probability each way, so that a share of them inside an outline is the
    probability of lying in it, to about one in twice `EACH_WAY` for a straight edge.
    """
    middle = ndtri((np.arange(EACH_WAY) + 0.5) / EACH_WAY)
    return np.array(np.meshgrid(middle, middle)).reshape(2, -1).T
