"""Between two knots of a path: a circular arc through both that turns by their difference of heading."""

from __future__ import annotations

import numpy as np


def on_arc(
    here: tuple[np.ndarray, np.ndarray, np.ndarray],
    there: tuple[np.ndarray, np.ndarray, np.ndarray],
    share: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Place and heading at a share of the way between two knots.

    Parameters
    ----------
    here, there : tuple of numpy.ndarray
        Easting, northing (metres) and heading (radians, clockwise from north) of the two knots.
    share : numpy.ndarray
        0 at the first knot, 1 at the second.

    Returns
    -------
    easting_m, northing_m, heading_rad : numpy.ndarray
        The arc bulges to the outside of the turn by chord x turn / 8 in the middle (sagitta of a flat arc).
    """
    east, north = there[0] - here[0], there[1] - here[1]
    turn = (there[2] - here[2] + np.pi) % (2 * np.pi) - np.pi
    bulge = 0.5 * turn * share * (1.0 - share)
    return (
        here[0] + share * east - bulge * north,
        here[1] + share * north + bulge * east,
        here[2] + share * turn,
    )
