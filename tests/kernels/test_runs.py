"""Runs, standing still and even segments, against naive loops and closed forms."""

from __future__ import annotations

from functools import lru_cache
from itertools import groupby

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from thermosaic.kernels import runs

BELOW_MPS, LONGER_S = 0.5 / 60, 10.0


@given(some.lists(some.booleans(), max_size=40))
def test_runs_are_those_of_itertools(mask):
    """Every run of True that itertools.groupby finds, and no other."""
    expected, at = [], 0
    for value, group in groupby(mask):
        length = len(list(group))
        if value:
            expected.append([at, at + length])
        at += length
    assert runs.runs(np.array(mask, bool)).tolist() == expected


def test_spans_join_across_small_holes_only():
    """A hole of the given size joins, a larger one parts; none and one span stay as they are."""
    spans = np.array([[0, 2], [4, 5], [8, 9]])
    assert runs.join(spans, 2).tolist() == [[0, 5], [8, 9]]
    assert runs.join(spans[:1], 2).tolist() == [[0, 2]]
    assert len(runs.join(np.empty((0, 2), int), 2)) == 0


def _drive(stops: list[tuple[float, float]], speed_mps: float, end_s: float, rate_hz: float = 4.0):
    """Distance of a machine that stands during the given times and else keeps its speed."""
    time_s = np.arange(0, end_s, 1 / rate_hz)
    still = sum((np.clip(time_s - start, 0, end - start) for start, end in stops), np.zeros_like(time_s))
    return time_s, speed_mps * (time_s - still)


@pytest.mark.parametrize("speed_mps", [0.05, 0.1, 0.25])
@pytest.mark.parametrize("quantum_m", [0.0, 0.001, 0.02])
def test_a_stop_begins_and_ends_when_the_machine_does(speed_mps, quantum_m):
    """Ends are met within 1 s, from 3 to 15 m/min, whether the counter steps by 1 mm or by 2 cm."""
    stops = [(100.0, 112.0), (300.0, 390.0)]
    time_s, distance_m = _drive(stops, speed_mps, 600.0)
    if quantum_m:
        distance_m = np.floor(distance_m / quantum_m) * quantum_m
    found = runs.standing(time_s, distance_m, BELOW_MPS, LONGER_S)
    np.testing.assert_allclose(found, stops, atol=1.0)


def test_noise_neither_makes_nor_chops_a_stop():
    """Jitter of 5 mm on each row leaves one stop of 90 s and none elsewhere."""
    time_s, distance_m = _drive([(200.0, 290.0)], 0.08, 600.0)
    noisy = distance_m + np.random.default_rng(3).normal(0, 0.005, len(time_s))
    np.testing.assert_allclose(runs.standing(time_s, noisy, BELOW_MPS, LONGER_S), [[200, 290]], atol=1.5)


def test_rows_that_pause_count_as_standing():
    """Without a row between the moves the pause is the stop, to a second of its last and first row."""
    time_s, distance_m = _drive([(200.0, 290.0)], 0.1, 600.0)
    logged = (time_s <= 200) | (time_s >= 290)
    found = runs.standing(time_s[logged], distance_m[logged], BELOW_MPS, LONGER_S)
    np.testing.assert_allclose(found, [[200, 290]], atol=1.0)


def test_a_hole_in_the_log_while_moving_is_no_stop():
    """Two minutes without rows in which the machine went 12 m are not standing."""
    time_s, distance_m = _drive([], 0.1, 600.0)
    logged = (time_s < 200) | (time_s > 320)
    assert len(runs.standing(time_s[logged], distance_m[logged], BELOW_MPS, LONGER_S)) == 0


def test_short_stands_and_slow_paving_are_no_stops():
    """8 s of standing is below the rule's 10 s; a steady 1 m/min is above its 0.5 m/min."""
    assert len(runs.standing(*_drive([(100.0, 108.0)], 0.1, 300.0), BELOW_MPS, LONGER_S)) == 0
    assert len(runs.standing(*_drive([], 1 / 60, 300.0), BELOW_MPS, LONGER_S)) == 0
    assert len(runs.standing(np.array([0.0]), np.array([0.0]), BELOW_MPS, LONGER_S)) == 0


@settings(max_examples=60, deadline=None)
@given(
    some.lists(some.floats(0, 10, width=16), min_size=1, max_size=14),
    some.floats(0.1, 20),
    some.integers(1, 4),
)
def test_even_segments_are_the_cheapest_of_all_cuts(values, penalty, shortest):
    """No other cut into segments of that length is cheaper: compared with an exhaustive recursion."""
    series = np.array(values)

    def cost(first: int, last: int) -> float:
        return float(((series[first:last] - series[first:last].mean()) ** 2).sum())

    @lru_cache
    def cheapest(end: int) -> float:
        if end == 0:
            return 0.0
        starts = [s for s in range(0, end - shortest + 1) if s == 0 or s >= shortest]
        return min((cheapest(s) + cost(s, end) + penalty for s in starts), default=np.inf)

    found = runs.even_segments(series, penalty, shortest)
    assert found[0, 0] == 0
    assert found[-1, 1] == len(series)
    assert np.array_equal(found[1:, 0], found[:-1, 1])
    if len(series) >= 2 * shortest:
        total = sum(cost(first, last) + penalty for first, last in found)
        assert total == pytest.approx(cheapest(len(series)), abs=1e-6)
