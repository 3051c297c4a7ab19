"""Periods of levels made in closed form: cold ends at known places, with and without regularity."""

import numpy as np
import pytest

from thermosaic.kernels.periods import find_period

STEP_M = 1.0


def level(ends_m, length_m, random, depth=8.0):
    """A mat of 145 degC, uneven by 1 degC over 3 m, with cold ends of 1.5 m half width."""
    place = np.arange(0, length_m, STEP_M)
    texture = np.convolve(random.normal(0, 1.7, len(place) + 2), np.ones(3) / 3, "valid")
    cold = depth * np.exp(-(((place[:, None] - ends_m) / 1.5) ** 2)).sum(axis=1)
    return 145 + texture - cold


def found_in(values):
    return find_period(values, STEP_M, 10.0, 200.0)


@pytest.mark.parametrize("seed", range(40))
def test_load_period_within_three_percent(seed):
    """Ten loads or more whose lengths differ by 3 %: the mean length within 3 %, significant at 0.01."""
    random = np.random.default_rng(seed)
    length, number = random.uniform(20, 60), int(random.integers(10, 30))
    ends = np.cumsum(length * (1 + random.normal(0, 0.03, number)))
    found = found_in(level(ends, ends[-1] + 5, random))
    assert found.period_m == pytest.approx(np.diff(ends).mean(), rel=0.03)
    assert found.significance <= 0.01
    assert 0 < found.strength < 1


def test_random_places_are_rarely_significant():
    """As many cold ends at random places: at most one in ten of 100 levels below 0.05."""
    hits = 0
    for seed in range(100):
        random = np.random.default_rng(1000 + seed)
        length = random.uniform(300, 1500)
        ends = random.uniform(0, length, int(random.integers(4, 25)))
        hits += found_in(level(ends, length, random)).significance <= 0.05
    assert hits <= 10


def test_unknown_places():
    """A fifth of the level unknown, a stretch and scattered: the period stays."""
    random = np.random.default_rng(7)
    values = level(np.arange(20.0, 900.0, 44.0), 900.0, random)
    values[200:290] = np.nan
    values[random.random(len(values)) < 0.1] = np.nan
    assert found_in(values).period_m == pytest.approx(44.0, rel=0.03)


def test_same_level_same_answer():
    """The draws have a fixed seed."""
    values = level(np.arange(20.0, 500.0, 37.0), 500.0, np.random.default_rng(8))
    assert found_in(values) == found_in(values.copy())


@pytest.mark.parametrize("values", [np.zeros(0), np.ones(25), np.full(500, 140.0), np.full(500, np.nan)])
def test_nothing_to_find(values):
    """Too short, even or unknown: None."""
    assert found_in(values) is None
