"""Percentiles against the NIST/SEMATECH handbook and numpy's own Hyndman-Fan methods."""

from __future__ import annotations

import numpy as np
import pytest

from thermosaic.kernels.percentiles import percentile_of_rows, percentiles

# NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.2: 12 resistivities
NIST = np.array([
    95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610,
    95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682,
])  # fmt: skip


def test_the_handbook_value_is_met():
    """NIST 7.2.6.2 gives 95.19807 (its method is R-6); R-7 of the same data is 95.19568."""
    assert percentiles(NIST, (90,), "R-6")[0] == pytest.approx(95.19807, abs=1e-9)
    assert percentiles(NIST, (90,), "R-7")[0] == pytest.approx(95.19568, abs=1e-9)


def test_five_numbers_of_a_textbook():
    """15, 20, 35, 40, 50 at 40 %: 26 by R-6, 29 by R-7 (the widely quoted example of both methods)."""
    values = np.array([15, 20, 35, 40, 50])
    assert percentiles(values, (40,), "R-6")[0] == pytest.approx(26.0)
    assert percentiles(values, (40,), "R-7")[0] == pytest.approx(29.0)


def test_a_dozen_cold_cells_move_the_first_percentile_and_eleven_do_not():
    """8 ft x 150 ft in cells of 1 ft are 1200: R-7's first percentile stands at place 1 + 0.01 x 1199 = 12.99.

    With 13 cold cells it is theirs, with 12 a hundredth of the way above them, with 11 the mat's (by hand).
    """
    mat = np.full(1200, 285.0)
    for cold, expected in ((11, 285.0), (12, 212.0 + 0.99 * 73.0), (13, 212.0)):
        values = mat.copy()
        values[:cold] = 212.0
        assert percentiles(values, (1.0,), "R-7")[0] == pytest.approx(expected)


def test_the_two_methods_differ_by_two_units_on_a_hundred_numbers():
    """On 1 .. 100 the pair 98.5 / 1 is 98.475 apart by R-6 and 96.525 by R-7.

    Closed form: the percentile of 1 .. n is (n + 1) p, or 1 + (n - 1) p.
    """
    numbers = np.arange(1, 101)
    high, low = percentiles(numbers, (98.5, 1.0), "R-6")
    assert (high, low, high - low) == pytest.approx((99.485, 1.01, 98.475))
    high, low = percentiles(numbers, (98.5, 1.0), "R-7")
    assert (high, low, high - low) == pytest.approx((98.515, 1.99, 96.525))


@pytest.mark.parametrize(("method", "theirs"), [("R-6", "weibull"), ("R-7", "linear")])
@pytest.mark.parametrize("number", [1, 2, 3, 7, 100, 1201])
def test_any_sample_equals_numpy(method, theirs, number):
    """Percentiles of random samples equal numpy.quantile's method of the same number in Hyndman and Fan."""
    values = np.random.default_rng(number).normal(140, 9, number)
    asked = (0.0, 0.3, 1.0, 33.3, 50.0, 98.5, 100.0)
    np.testing.assert_allclose(
        percentiles(values, asked, method), np.percentile(values, asked, method=theirs), rtol=1e-13
    )


def test_an_empty_sample_has_no_percentile():
    """No values: NaN for each percentile asked, without a warning."""
    assert np.isnan(percentiles(np.empty(0), (1.0, 98.5), "R-7")).all()


def test_an_unknown_method_is_refused():
    """The message names the methods there are."""
    with pytest.raises(ValueError, match="R-6, R-7"):
        percentiles(np.arange(5), (50,), "R-8")


@pytest.mark.parametrize("columns", [1, 2, 3, 26])
@pytest.mark.parametrize("percent", [0, 5, 75, 100])
def test_percentiles_of_rows_are_numpys(columns, percent):
    """Row by row as numpy.nanpercentile (R-7), with a third of the values NaN."""
    rng = np.random.default_rng(columns)
    values = rng.normal(120, 20, (300, columns)).astype(np.float32)
    values[rng.random(values.shape) < 1 / 3] = np.nan
    known = ~np.isnan(values).all(axis=1)
    expected = np.nanpercentile(values[known].astype(float), percent, axis=1)
    assert percentile_of_rows(values, percent)[known] == pytest.approx(expected, rel=1e-12)
    assert np.isnan(percentile_of_rows(values, percent)[~known]).all()


def test_rows_without_columns_have_no_percentile():
    """Of nothing there is none: NaN for each row, without a warning."""
    assert np.isnan(percentile_of_rows(np.empty((3, 0)), 75)).tolist() == [True] * 3
