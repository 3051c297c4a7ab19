"""A plane fitted to points known in two frames: the way from one frame to the other around a place."""

from __future__ import annotations

import numpy as np


def follow_plane(from_m: np.ndarray, to_m: np.ndarray, at_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Carry a place from one frame to another by the affine map that fits points known in both, least squares.

    Parameters
    ----------
    from_m, to_m : float64 (point, 2)
        The same points in both frames, metres.
    at_m : float64 (2,)
        The place in the first frame; beyond the points it is carried along the plane.

    Returns
    -------
    place_m : float64 (2,)
        The place in the second frame.
    slope : float64 (2, 2)
        Change of the second frame by the first: `slope[i, j] = d to[i] / d from[j]`.

    Raises
    ------
    numpy.linalg.LinAlgError
        Where the points lie on one line.

    >>> square = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    >>> turned = square @ np.array([[0.0, -1.0], [1.0, 0.0]]) + 10
    >>> place, slope = follow_plane(square, turned, np.array([0.5, 0.25]))
    >>> place.round(9).tolist()
    [10.25, 9.5]
    """
    middle, other = from_m.mean(axis=0), to_m.mean(axis=0)
    away = from_m - middle
    slope = np.linalg.solve(away.T @ away, away.T @ (to_m - other)).T
    return other + slope @ (at_m - middle), slope
