"""The line of spots across the mat: where spots sit, how wide each reaches, which lie on the mat."""

from __future__ import annotations

import numpy as np

TOLERANCE_M = 1e-3  # a pitch that overhangs the mat's edge by less is on the mat


def spots_by_angle(height_m: float, angle_deg: np.ndarray) -> np.ndarray:
    """Spot centres of a scanner at a height above the mat: right = height x tan(angle).

    >>> spots_by_angle(4.0, np.array([0.0, 45.0])).round(9).tolist()
    [0.0, 4.0]
    """
    return height_m * np.tan(np.radians(angle_deg))


def footprint_growth(angle_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Growth of a spot against the one straight below: across 1/cos^2, along 1/cos of the angle."""
    cosine = np.cos(np.radians(angle_deg))
    return 1.0 / cosine**2, 1.0 / cosine


def spot_pitches(spot_right_m: np.ndarray) -> np.ndarray:
    """Ends of each spot's pitch: half way to its neighbours, the outer ones as far outward.

    Parameters
    ----------
    spot_right_m : numpy.ndarray
        (spot) centres from C, right positive, in one direction across the mat. At least two.

    Returns
    -------
    numpy.ndarray
        (spot, 2) left and right end.
    """
    if len(spot_right_m) < 2:
        raise ValueError("a pitch needs two spots")
    centres = np.asarray(spot_right_m, float)
    middle = 0.5 * (centres[1:] + centres[:-1])
    cuts = np.concatenate([[2 * centres[0] - middle[0]], middle, [2 * centres[-1] - middle[-1]]])
    return np.column_stack([np.minimum(cuts[:-1], cuts[1:]), np.maximum(cuts[:-1], cuts[1:])])


def on_mat(pitch_m: np.ndarray, left_m: float, right_m: float) -> np.ndarray:
    """Whether the whole pitch of each spot lies between the mat's edges, to a millimetre."""
    return (pitch_m[:, 0] >= left_m - TOLERANCE_M) & (pitch_m[:, 1] <= right_m + TOLERANCE_M)
