"""How much mix lies on how much road: spread rate, load length, speed for a delivery rate.

All in SI; 110 lb/yd2 per inch of compacted thickness is 2349 kg/m3 of mat. Nothing here judges a yield.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def spread_rate_kg_m2(thickness_m: ArrayLike, density_kg_m3: ArrayLike) -> np.ndarray:
    """Return mass of mix per area of mat [kg/m2] for a compacted thickness [m] and density [kg/m3].

    >>> round(float(spread_rate_kg_m2(0.0508, 2349)), 1)
    119.3
    """
    return np.multiply(thickness_m, density_kg_m3)


def mass_kg(area_m2: ArrayLike, rate_kg_m2: ArrayLike) -> np.ndarray:
    """Return mass of mix [kg] on an area [m2] at a spread rate [kg/m2]."""
    return np.multiply(area_m2, rate_kg_m2)


def load_length_m(load_kg: ArrayLike, width_m: ArrayLike, rate_kg_m2: ArrayLike) -> np.ndarray:
    """Return the length of mat [m] that one load [kg] covers at a width [m] and spread rate [kg/m2]."""
    return np.divide(load_kg, np.multiply(width_m, rate_kg_m2))


def delivery_kg_s(speed_mps: ArrayLike, width_m: ArrayLike, rate_kg_m2: ArrayLike) -> np.ndarray:
    """Return the mass placed per time [kg/s] at a speed [m/s], width [m] and spread rate [kg/m2]."""
    return np.multiply(np.multiply(speed_mps, width_m), rate_kg_m2)


def speed_mps(delivery_kg_s: ArrayLike, width_m: ArrayLike, rate_kg_m2: ArrayLike) -> np.ndarray:
    """Return the paver speed [m/s] that places a delivery [kg/s] at a width [m] and spread rate [kg/m2]."""
    return np.divide(delivery_kg_s, np.multiply(width_m, rate_kg_m2))
