"""The wheel's constant: worked courses, spread, verdicts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from thermosaic.studies.check_wheel import check_wheel

COURSE_M = 150 * 0.3048


def test_150_ft_in_91440_counts_is_half_a_millimetre():
    """150 ft = 45.72 m in 91,440 counts are 0.5 mm a count (closed form)."""
    found = check_wheel(np.full(3, COURSE_M), np.full(3, 91440.0))
    assert found.per_count_m == pytest.approx(0.0005, rel=1e-12)
    assert found.check.verdict == "pass"
    assert found.repeatability_frac == pytest.approx(0.0, abs=1e-12)


def test_constant_and_spread_are_those_of_the_runs():
    """Constant = taped length in all / counts in all; spread = standard deviation of the runs (numpy)."""
    counts = np.array([91400.0, 91500.0, 91380.0, 91520.0])
    found = check_wheel(np.full(4, COURSE_M), counts)
    assert found.per_count_m == pytest.approx(4 * COURSE_M / counts.sum(), rel=1e-12)
    off = found.per_count_m * counts / COURSE_M - 1
    assert found.repeatability_frac == pytest.approx(np.std(off, ddof=1), rel=1e-9)
    assert found.sigma_frac == pytest.approx(np.std(off, ddof=1) / 2, rel=1e-9)


def test_effective_radius():
    """A wheel of 2 pi 0.3 m circumference and 4096 counts a turn has a radius of 0.3 m (closed form)."""
    per_count = 2 * math.pi * 0.3 / 4096
    found = check_wheel(np.array([100.0]), np.array([100.0 / per_count]), counts_per_turn=4096)
    assert found.radius_m == pytest.approx(0.3, rel=1e-12)


def test_one_run_off_by_more_than_the_tolerance_fails():
    """A run 2 % off fails a tolerance of 1 %; the verdict names how far."""
    found = check_wheel(np.full(3, COURSE_M), 91440 * np.array([1.0, 1.0, 1.03]))
    assert found.check.verdict == "fail"
    assert "off" in found.check.finding


def test_too_few_runs_are_no_pass():
    """With fewer than three runs nothing is known about how well it repeats."""
    found = check_wheel(np.full(2, COURSE_M), np.full(2, 91440.0))
    assert found.check.verdict == "look"


def test_constant_in_use_and_gnss_are_compared():
    """A constant in use of 0.51 mm is 2 % off 0.5 mm; a GNSS distance of 150.3 ft is 0.2 % off 150 ft."""
    gnss = np.full(3, 150.3 * 0.3048)
    found = check_wheel(np.full(3, COURSE_M), np.full(3, 91440.0), gnss, in_use_m=0.00051)
    assert found.in_use_off_frac == pytest.approx(0.02, rel=1e-9)
    assert found.runs["gnss_off_frac"].to_numpy() == pytest.approx(0.002, rel=1e-9)
    assert "+0.20 % off the tape" in found.check.finding


@pytest.mark.parametrize(
    ("course", "counted"), [([], []), ([45.0], [-3.0]), ([0.0], [5.0]), ([1.0, 2.0], [1.0])]
)
def test_impossible_runs_are_refused(course, counted):
    """No run, a falling counter, no length, or lists of two lengths are refused."""
    with pytest.raises(ValueError, match=r"needed|above 0"):
        check_wheel(np.array(course), np.array(counted))
