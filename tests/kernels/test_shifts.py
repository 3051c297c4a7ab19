"""Sums and correlations at every circular shift are those of a plain loop."""

from __future__ import annotations

import numpy as np
import pytest

from thermosaic.kernels import shifts


@pytest.fixture
def fields() -> tuple[np.ndarray, np.ndarray]:
    """Give two fields with a level, noise and holes."""
    noise = np.random.default_rng(3)
    one, other = noise.normal(4.0, 3.0, (5, 41)), noise.normal(-20.0, 2.0, (5, 41))
    one[noise.random(one.shape) < 0.2], other[noise.random(one.shape) < 0.3] = np.nan, np.nan
    return one, other


def test_correlations_are_those_of_a_loop(fields):
    """At each shift the coefficient is numpy's own (corrcoef) over the cells that both hold after np.roll."""
    one, other = fields
    found = shifts.sums(one, other)
    for d in range(one.shape[1]):
        rolled = np.roll(other, d, axis=1)
        both = np.isfinite(one) & np.isfinite(rolled)
        assert found[0, d] == pytest.approx(both.sum(), abs=1e-6)
        expected = np.corrcoef(one[both], rolled[both])[0, 1]
        assert shifts.correlation(found)[d] == pytest.approx(expected, abs=1e-9)


def test_nothing_in_common_has_no_correlation():
    """Without three common cells, or without spread in either field, there is no coefficient."""
    one = np.array([[1.0, np.nan, np.nan, np.nan]])
    assert np.isnan(shifts.correlation(shifts.sums(one, one))).all()
    flat = np.full((2, 8), 7.0)
    assert np.isnan(shifts.correlation(shifts.sums(flat, flat + 1))).all()


def test_fields_of_one_lattice_only(fields):
    """Fields of two shapes are refused."""
    with pytest.raises(ValueError, match="shape"):
        shifts.sums(fields[0], fields[1][:, 1:])
