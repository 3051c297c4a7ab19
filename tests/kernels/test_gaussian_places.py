"""Where a place may be: the lattice and the weights against the normal distribution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from thermosaic.kernels.gaussian_places import WITHIN_95, lattice, weights


@pytest.mark.parametrize("edge", [-2.0, -0.7, 0.0, 0.3, 1.5])
def test_shares_of_the_lattice_are_probabilities(edge):
    """The share beyond a straight edge is the normal's, to one in 128."""
    for way in (0, 1):
        assert np.mean(lattice()[:, way] > edge) == pytest.approx(norm.sf(edge), abs=1 / 128 + 1e-9)


def test_ellipse_holds_95_percent():
    """Its limit is the chi-square's of two degrees of freedom, -2 ln 0.05 (closed form), and holds that share."""
    assert pytest.approx(-2 * np.log(0.05), abs=1e-12) == WITHIN_95
    assert np.mean((lattice() ** 2).sum(axis=1) <= WITHIN_95) == pytest.approx(0.95, abs=0.005)


def test_weighted_mean_of_a_slope_is_its_middle():
    """Over a dense lattice a linear temperature has its value at the place, and the sd that the cut normal has."""
    along, across = (
        part.ravel() for part in np.meshgrid(np.arange(-3, 3.01, 0.05), np.arange(-3, 3.01, 0.05))
    )
    weight = weights(along, across, (0.8, 0.4), (0.05, 0.05))
    assert weight.sum() == pytest.approx(1.0)
    assert weight @ (150 + 2 * along) == pytest.approx(150.0, abs=1e-9)
    spread = 1 - WITHIN_95 / 2 * 0.05 / 0.95  # variance along one axis inside the ellipse (closed form)
    assert weight @ along**2 == pytest.approx(0.8**2 * spread, rel=0.02)


def test_a_place_known_to_nothing_still_has_its_reading():
    """Wherever in a cell a place without sigma lies, the reading that stands for it counts."""
    step, pitch = 0.2, 0.3
    for along in np.linspace(-0.49, 0.49, 5) * step:
        weight = weights(np.array([along]), np.array([0.49 * pitch]), (0.0, 0.0), (step, pitch))
        assert weight.tolist() == [1.0]
