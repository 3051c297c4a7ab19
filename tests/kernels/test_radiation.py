"""Emissivity: a reading corrected for another emissivity than the one that was set."""

from __future__ import annotations

import numpy as np
import pytest

from thermosaic.kernels.radiation import corrected_temperature

SIGMA = 5.670374419e-8  # W/(m2 K4), CODATA 2018


@pytest.mark.parametrize(
    ("true", "expected"),
    [(0.90, 144.219), (0.93, 141.648), (0.95, 140.000), (0.97, 138.401), (1.00, 136.089)],
)
def test_worked_numbers(true, expected):
    """A reading of 140 degC at 0.95 with 20 degC reflected, by the grey body's equation (calculated by hand)."""
    assert corrected_temperature(140.0, 0.95, true, 20.0) == pytest.approx(expected, abs=0.001)


def test_both_readings_send_the_same_power():
    """Power sent plus reflected is the same before and after: e s T4 + (1 - e) s Tr4 (Stefan and Boltzmann)."""
    reading = np.linspace(60.0, 180.0, 13)
    surface = corrected_temperature(reading, 0.95, 0.88, 25.0)

    def power(temp_c, emissivity):
        return SIGMA * (emissivity * (temp_c + 273.15) ** 4 + (1 - emissivity) * (25.0 + 273.15) ** 4)

    assert power(surface, 0.88) == pytest.approx(power(reading, 0.95), rel=1e-12)


def test_differences_hardly_change():
    """An emissivity off by 0.02 shifts 120 and 140 degC together: their difference changes by under 1.5 %."""
    two = corrected_temperature(np.array([120.0, 140.0]), 0.95, 0.93, 20.0)
    assert abs(np.diff(two)[0] / 20.0 - 1.0) < 0.015


def test_impossible_emissivities_are_refused():
    """An emissivity of 0 or above 1 is refused."""
    with pytest.raises(ValueError, match="true_emissivity"):
        corrected_temperature(140.0, 0.95, 0.0, 20.0)
    with pytest.raises(ValueError, match="set_emissivity"):
        corrected_temperature(140.0, 1.05, 0.95, 20.0)
