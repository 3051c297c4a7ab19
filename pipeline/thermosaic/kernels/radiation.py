"""Temperature of a surface from a total-radiation reading: emissivity and reflected temperature."""

from __future__ import annotations

import numpy as np

KELVIN = 273.15
STEFAN_W_M2K4 = 5.670374419e-8  # Stefan-Boltzmann constant (exact in the SI since 2019, CODATA 2018)


def corrected_temperature(
    reading_c: np.ndarray | float, set_emissivity: float, true_emissivity: float, reflected_c: float
) -> np.ndarray:
    """Correct readings for an emissivity other than the one set on the instrument.

    An opaque surface near by sends W = e s T^4 + (1 - e) s T_refl^4 (grey body; the form of ISO 18434-1 from
    memory, not read). The instrument turned W into a reading with its own e; solved for the true one:
    T = {[e_set T_r^4 + (1 - e_set) T_refl^4 - (1 - e) T_refl^4] / e}^(1/4), in kelvin. A band-limited
    instrument (8 to 14 um) follows Planck's law in its band; the fourth power is an approximation then.

    Parameters
    ----------
    reading_c : array_like
        Reading, degC.
    set_emissivity, true_emissivity : float
        In (0, 1].
    reflected_c : float
        Temperature of what is reflected, degC.

    Returns
    -------
    numpy.ndarray
        Temperature of the surface, degC; NaN where the reflection explains more than the reading.

    Examples
    --------
    >>> float(corrected_temperature(140.0, 0.95, 0.90, 20.0).round(3))
    144.219
    """
    for name, value in (("set_emissivity", set_emissivity), ("true_emissivity", true_emissivity)):
        if not 0 < value <= 1:
            raise ValueError(f"{name} must be above 0 and at most 1, not {value}")
    reading = np.asarray(reading_c, float) + KELVIN
    reflected = (reflected_c + KELVIN) ** 4
    power = set_emissivity * reading**4 + (true_emissivity - set_emissivity) * reflected
    with np.errstate(invalid="ignore"):
        return np.where(power > 0, np.abs(power / true_emissivity) ** 0.25, np.nan) - KELVIN
