"""From one point of the paver to another: arms in the plane and on a slope.

Body frame: forward in the direction of travel, right of travel, up; heading clockwise from north.
"""

from __future__ import annotations

import numpy as np

from .banded import Chain, Factored

GRADE = 0.03  # standard deviation of a road's grade where nothing is known (common practice, no source)
CROSS_SLOPE = 0.02  # the same of its cross slope: a usual crown (from memory of road design practice)
GRADE_CHANGES = (3e-5, 1e-4, 3e-4, 1e-3, 3e-3)  # of grade per square root of a metre: long hill to short ramp


def offset_point(
    easting_m: np.ndarray,
    northing_m: np.ndarray,
    heading_rad: np.ndarray,
    forward_m: np.ndarray | float,
    right_m: np.ndarray | float,
) -> tuple[np.ndarray, np.ndarray]:
    """Move from points by (forward, right) in the body frame.

    Parameters
    ----------
    easting_m, northing_m, heading_rad : numpy.ndarray
        Places and headings, clockwise from north.
    forward_m, right_m : float or numpy.ndarray
        Arm, broadcast against the places.
    """
    sine, cosine = np.sin(heading_rad), np.cos(heading_rad)
    return easting_m + forward_m * sine + right_m * cosine, northing_m + forward_m * cosine - right_m * sine


def tilted_arm(
    forward_m: float,
    right_m: float,
    up_m: float,
    grade: np.ndarray | float,
    cross_slope: np.ndarray | float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Horizontal arm of a point fixed to a machine that stands on a slope.

    Parameters
    ----------
    forward_m, right_m, up_m : float
        Arm in the body frame, metres.
    grade, cross_slope : float or numpy.ndarray
        Rise over run: grade positive climbing forward, cross slope positive falling to the right.

    Returns
    -------
    forward_m, right_m : numpy.ndarray
        Horizontal arm: climbing tips a high point back, falling to the right tips it right.
    """
    pitch, roll = np.arctan(grade), np.arctan(cross_slope)
    return forward_m * np.cos(pitch) - up_m * np.sin(pitch), right_m * np.cos(roll) + up_m * np.sin(roll)


def smooth_grade(
    distance_m: np.ndarray,
    height_m: np.ndarray,
    white_m: np.ndarray,
    drift_m: np.ndarray,
    memory: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Grade along the path from noisy heights, with its standard deviation.

    Height is the integral of a grade that wanders; fixes see it with white noise and a slow drift. How
    much it wanders is the likeliest of a ladder. Where heights say nothing the grade is 0 +- 3 %.

    Parameters
    ----------
    distance_m : numpy.ndarray
        (sighting) ground distance, not falling.
    height_m : numpy.ndarray
        (sighting) height, NaN = unknown.
    white_m, drift_m : numpy.ndarray
        (sighting) standard deviations of the two parts of its noise.
    memory : numpy.ndarray
        (sighting - 1) correlation of the drift with the next sighting's.

    Returns
    -------
    grade, sigma : numpy.ndarray
        (sighting) rise over run.
    """
    if np.isfinite(height_m).sum() < 2:
        return np.zeros(len(distance_m)), np.full(len(distance_m), GRADE)
    likeliest = -np.inf
    for change in GRADE_CHANGES:
        tried = _grade_chain(distance_m, height_m, white_m, drift_m, memory, change)
        if tried[2] <= likeliest:
            break
        step, factored, likeliest = tried
    return step[1], np.sqrt(factored.covariances()[1, 1])


def _grade_chain(
    distance_m: np.ndarray,
    height_m: np.ndarray,
    white_m: np.ndarray,
    drift_m: np.ndarray,
    memory: np.ndarray,
    change: float,
) -> tuple[np.ndarray, Factored, float]:
    """Solve (height, grade, drift) at every sighting; also the log marginal likelihood."""
    length = np.diff(distance_m)
    floor = np.maximum(length, 1e-3)
    keep = np.exp(-0.5 * floor * (change / GRADE) ** 2)
    slack, wander = 1e-6 * floor + 1e-8, GRADE**2 * (1 - keep**2)
    chain = Chain(len(distance_m), 3)
    chain.add_at(slice(0, 1), {1: 1.0}, GRADE**-2, 0.0)
    chain.add_at(slice(0, 1), {2: 1.0}, 1.0, 0.0)
    chain.add_links({0: -1.0, 1: -0.5 * length}, {0: 1.0, 1: -0.5 * length}, 1.0 / slack, 0.0)
    chain.add_links({1: -keep}, {1: 1.0}, 1.0 / wander, 0.0)
    chain.add_links({2: -memory}, {2: 1.0}, 1.0 / np.maximum(1 - memory**2, 1e-7), 0.0)
    at = np.flatnonzero(np.isfinite(height_m))
    seen = height_m[at] - np.median(height_m[at])
    chain.add_at(at, {0: 1.0, 2: drift_m[at]}, white_m[at] ** -2, -seen)
    factored = chain.factor()
    step = factored.solve(chain.right)
    energy = float((seen**2 / white_m[at] ** 2).sum() - (chain.right * step).sum() + np.log(wander).sum())
    return step, factored, -0.5 * (energy + factored.log_determinant)
