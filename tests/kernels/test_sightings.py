"""Fixes gathered and their noise measured, against noise of known make."""

import numpy as np
import pytest
from scipy import ndimage
from scipy.signal import lfilter

from thermosaic.kernels import sightings


def test_groups_are_short_in_distance_time_and_kind() -> None:
    """No group is longer than asked, none mixes kinds, none is lost."""
    time = np.arange(0.0, 300.0, 0.2)
    distance = np.where(time < 100, 0.15 * time, 15.0)
    kind = (time > 60).astype(int)
    first = sightings.gather(distance, time, kind, 1.0, 12.0)
    for begin, end in zip(first, [*first[1:], len(time)], strict=True):
        assert np.ptp(distance[begin:end]) <= 1.0
        assert np.ptp(time[begin:end]) <= 12.0
        assert np.ptp(kind[begin:end]) == 0
    assert first[0] == 0
    assert sightings.means(first, time)[0][0] == pytest.approx(time[: first[1]].mean())


def drift(count: int, step_s: float, memory_s: float, seed: int) -> np.ndarray:
    """First-order Gauss-Markov noise of unit variance on two axes (Gelb 1974)."""
    keep = np.exp(-step_s / memory_s)
    push = np.random.default_rng(seed).normal(size=(count, 2))
    push[1:] *= np.sqrt(1 - keep**2)
    return lfilter([1.0], [1.0, -keep], push, axis=0)


def test_white_noise_is_told_from_motion_and_jumps() -> None:
    """3 cm of white noise at 5 Hz on a moving antenna that jumps 5 m twice: 3 cm within 5 %."""
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 600.0, 0.2)
    east, north = 0.15 * time + 0.03 * rng.normal(size=(2, len(time)))
    east[1000:1100] += 5.0
    assert sightings.white_sigma(east, north, time) == pytest.approx(0.03, rel=0.05)


@pytest.mark.parametrize("memory_s", [30.0, 60.0, 150.0])
def test_the_memory_of_drift_is_found(memory_s: float) -> None:
    """Means over 10 s of 0.3 m Gauss-Markov noise show its memory within 20 % (median of 9 seeds)."""
    found = []
    for seed in range(9):
        fine = 0.3 * drift(40_000, 0.2, memory_s, seed)
        means = fine.reshape(-1, 50, 2).mean(axis=1)
        time = np.arange(len(means)) * 10.0 + 4.9
        columns = (np.full(len(means), value) for value in (9.8, 1e-3, 0.3))
        found.append(sightings.memory_s(means, time, *columns))
    assert np.median(found) == pytest.approx(memory_s, rel=0.2)


def test_an_excursion_is_found_and_drift_is_not() -> None:
    """2 m away for 30 s and back is one excursion, to the fix; 0.3 m of drift alone has none."""
    time = np.arange(0.0, 1200.0, 0.2)
    fixes = 0.3 * drift(len(time), 0.2, 60.0, 5) + 0.02 * np.random.default_rng(2).normal(size=(len(time), 2))
    assert not sightings.excursions(*fixes.T, time).any()
    fixes[2000:2150, 0] += 2.0
    away = sightings.excursions(*fixes.T, time)
    assert np.flatnonzero(away).tolist() == list(range(2000, 2150))


@pytest.mark.parametrize("stop_s", [5.0, 15.0, 40.0, 120.0])
@pytest.mark.parametrize("speed_mps", [0.05, 0.15, 0.5])
def test_a_stop_is_no_excursion(speed_mps: float, stop_s: float) -> None:
    """A paver that stands and goes on has gone nowhere, whenever that begins: its stop tells the clocks."""
    time = np.arange(0.0, 500.0, 0.2)
    noise = 0.005 * np.random.default_rng(2).normal(size=(len(time), 2))
    for start_s in np.arange(200.0, 212.0, 0.7):
        moved = speed_mps * np.where(time < start_s, time, np.maximum(time - stop_s, start_s))
        assert not sightings.excursions(noise[:, 0], noise[:, 1] + moved, time).any()


def test_a_step_that_stays_is_no_excursion() -> None:
    """Nobody can tell which side of a lasting step is right."""
    time = np.arange(0.0, 1200.0, 0.2)
    fixes = 0.02 * np.random.default_rng(2).normal(size=(len(time), 2))
    fixes[3000:] += 3.0
    assert not sightings.excursions(*fixes.T, time).any()


def test_the_first_guess_is_close_in_a_turn_with_outliers() -> None:
    """On a 25 m circle with a tenth of the sightings 5 m off: place within 1 m, course within 10 deg."""
    rng = np.random.default_rng(6)
    distance = np.arange(0.0, 60.0)
    turn = distance / 25.0
    east, north = 25 * (1 - np.cos(turn)), 25 * np.sin(turn)
    bad = rng.random(60) < 0.1
    guess = sightings.first_guess(distance, distance, east + 5.0 * bad, north + 0.02 * rng.normal(size=60))
    assert np.hypot(guess[0] - east, guess[1] - north).max() < 1.0
    assert np.degrees(np.abs(guess[2] - turn)).max() < 10.0


def test_the_running_median_is_that_of_scipy() -> None:
    """At every fourth of several thousand values, from the first on, as scipy.ndimage.median_filter gives it."""
    values = np.random.default_rng(4).normal(size=5000).cumsum()
    expected = ndimage.median_filter(values, 31, mode="nearest")
    assert np.array_equal(sightings._running_median(values, 31)[::4], expected[::4])
