"""Agreement of scanner and reference: a published example, matching in time, verdicts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from thermosaic.studies.check_thermometer import (
    Emissivity,
    agreement_by_emissivity,
    agreement_of,
    check_thermometer,
    match_readings,
)

# Bland and Altman, Lancet 1986, i, 307-310, table: peak expiratory flow rate, first measurements, l/min
WRIGHT = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0])
MINI = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0])


def test_published_example_of_bland_and_altman():
    """The example of the 1986 paper: mean -2.1, s 38.8 l/min; intervals as printed there (with t = 2.12).

    The paper takes 2 s for its limits (-79.7 and 75.5); here 1.96 s is taken, as its text gives for the
    normal distribution, so limits are compared as mean +- 1.96 s.
    """
    found = agreement_of(WRIGHT - MINI)
    assert found.bias == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    assert found.bias - 2 * found.sd == pytest.approx(-79.7, abs=0.1)
    assert found.bias + 2 * found.sd == pytest.approx(75.5, abs=0.1)
    assert found.bias_interval == pytest.approx((-22.0, 17.8), abs=0.1)
    half = (found.low_interval[1] - found.low_interval[0]) / 2
    assert half == pytest.approx(2.12 * 16.3, abs=0.2)


def test_interval_of_the_bias_is_that_of_scipy():
    """The confidence interval of the bias is the one of a paired t test (scipy.stats)."""
    found = agreement_of(WRIGHT - MINI)
    interval = stats.ttest_rel(WRIGHT, MINI).confidence_interval(0.95)
    assert found.bias_interval == pytest.approx((interval.low, interval.high), rel=1e-9)


def test_readings_are_matched_in_time():
    """Each reference reading meets the median of its own spot within the window, and nothing outside it."""
    scan_utc = np.datetime64("2026-05-14T13:00:00", "ns") + np.arange(100) * np.timedelta64(250, "ms")
    temp = np.arange(100, dtype=np.float32)[:, None] + np.array([0.0, 1000.0], np.float32)
    moments = np.datetime64("2026-05-14T13:00:00", "ns") + np.array([10, 15, 3000]) * np.timedelta64(1, "s")
    pairs = match_readings(scan_utc, temp, moments, np.array([1, 2, 1]), np.array([40.0, 1060.0, 1.0]), 1.0)
    assert pairs["spot"].tolist() == [1, 2]
    assert pairs["scanner_c"].tolist() == pytest.approx([39.5, 1059.5])


def test_a_spot_that_is_not_there_is_refused():
    """A reading of spot 9 of a scan with two is refused by number."""
    now = np.array(["2026-05-14T13:00:00"], "M8[ns]")
    with pytest.raises(ValueError, match="no spot 9"):
        match_readings(now, np.zeros((1, 2), np.float32), now, np.array([9]), np.array([1.0]))


def test_bias_of_each_spot_and_uniformity():
    """Spots off by -1, 0 and +2 degC are told apart; uniformity is the 3 degC between them."""
    spot = np.repeat([1, 2, 3], 6)
    reference = np.linspace(120, 150, 18)
    found = check_thermometer(spot, reference + np.repeat([-1.0, 0.0, 2.0], 6), reference)
    assert found.spots["bias_delta_c"].tolist() == pytest.approx([-1.0, 0.0, 2.0])
    assert found.uniformity_delta_c == pytest.approx(3.0)
    assert found.check.verdict == "pass"


def test_tolerance_is_the_larger_of_4_degf_and_2_percent():
    """At 150 degC 2 % is 3 degC, above 4 degF (2.22 degC): +2.9 passes, +3.1 fails; at 60 degC +2.3 fails."""
    spot, reference = np.ones(12, int), np.full(12, 150.0)
    jitter = np.tile([-0.05, 0.05], 6)
    assert check_thermometer(spot, reference + 2.9 + jitter, reference).check.verdict == "pass"
    assert check_thermometer(spot, reference + 3.1 + jitter, reference).check.verdict == "fail"
    assert check_thermometer(spot, 62.3 + jitter, np.full(12, 60.0)).check.verdict == "fail"
    assert check_thermometer(spot, 62.3 + jitter, np.full(12, 60.0), 3.0).check.verdict == "pass"


def test_single_pairs_outside_or_few_pairs_ask_for_a_look():
    """One wild pair, or fewer than ten pairs, is neither pass nor fail."""
    spot, reference = np.ones(12, int), np.full(12, 150.0)
    scanner = reference.copy()
    scanner[3] += 6.0
    assert check_thermometer(spot, scanner, reference).check.verdict == "look"
    assert check_thermometer(spot[:5], reference[:5] + 0.1, reference[:5]).check.verdict == "look"


@pytest.mark.parametrize(
    ("true", "surface_c"), [(0.90, 144.219), (0.93, 141.648), (0.95, 140.0), (0.97, 138.401), (1.0, 136.089)]
)
def test_the_mats_emissivity_explains_a_bias(true: float, surface_c: float):
    """A reading of 140 degC set to 0.95 over a mat of `true`, 20 degC reflected: its temperature by the grey body.

    W = e s T^4 + (1 - e) s T_refl^4 solved by hand (kelvin); a reference that reads it leaves no bias.
    """
    spot = np.repeat([1, 2], 6)
    found = check_thermometer(spot, np.full(12, 140.0), np.full(12, surface_c))
    assert found.agreement.bias == pytest.approx(140.0 - surface_c, abs=1e-9)
    assert agreement_by_emissivity(found, Emissivity(0.95, true, 20.0)).bias == pytest.approx(0.0, abs=5e-4)
    assert found.pairs["scanner_c"].tolist() == [140.0] * 12


def test_a_reflection_hotter_than_the_readings_is_refused():
    """1,500 degC reflected by 10 % of the mat would send more than was read: no temperature explains it."""
    found = check_thermometer(np.ones(12, int), np.full(12, 140.0), np.full(12, 140.0))
    with pytest.raises(ValueError, match="explain more than a reading of 140 degC"):
        agreement_by_emissivity(found, Emissivity(0.95, 0.9, 1500.0))
