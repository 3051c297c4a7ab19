"""Clock offsets found by motion; the time shift of a log is recovered, a steady one says it cannot tell."""

import numpy as np
import pytest

from thermosaic.kernels import clocks


def logs(offset_s: float, stops: bool, noise_m: float = 0.0) -> tuple[np.ndarray, ...]:
    """A wheel on a clock `offset_s` ahead, and fixes of the same drive at 1 Hz along a straight."""
    time = np.arange(0.0, 1800.0, 0.5)
    speed = np.where(stops & (((time > 300) & (time < 420)) | ((time > 1000) & (time < 1060))), 0.0, 0.12)
    place = np.concatenate([[0.0], np.cumsum(speed[1:] * 0.5)])
    fix_s = np.arange(0.0, 1800.0, 1.0)
    fixes = np.column_stack([np.interp(fix_s, time, place), np.zeros(len(fix_s))])
    fixes += noise_m * np.random.default_rng(3).normal(size=fixes.shape)
    return time + offset_s, place, fix_s, fixes


@pytest.mark.parametrize("offset_s", [0.0, 18.0, -18.0, 3600.0, -7.0])
def test_a_shifted_log_shows_its_shift(offset_s: float) -> None:
    """Shifting the scan clock by a known time is found to a second, and left to no chance, with 2 cm noise."""
    found, chance = clocks.coarse_offset(*logs(offset_s, stops=True, noise_m=0.02))
    assert found == pytest.approx(offset_s, abs=1.0)
    assert chance < 1e-6


@pytest.mark.parametrize("first_s", [305.0, 320.0, 330.0])
def test_fixes_that_begin_within_a_stop_agree_with_the_whole_wheel(first_s: float) -> None:
    """Of a 40 s stop at 300 s the fixes hold the end only: that end is theirs and the wheel's at offset 0."""
    time = np.arange(0.0, 700.0, 0.5)
    moved = 0.15 * np.where(time < 300.0, time, np.maximum(time - 40.0, 300.0))
    fixes = np.column_stack([moved, 0.0 * moved]) + 0.01 * np.random.default_rng(3).normal(
        size=(len(time), 2)
    )
    late = time >= first_s
    offset, chance = clocks.coarse_offset(time, moved, time[late], fixes[late])
    assert abs(offset) <= 1.0
    assert chance < 1e-6


def test_steady_motion_is_left_to_chance() -> None:
    """Without a stop or a change of speed nothing tells one offset from another."""
    assert clocks.coarse_offset(*logs(5.0, stops=False, noise_m=0.02))[1] > 0.01


def walk(minutes: float, sigma_m: float, seed: int) -> tuple[np.ndarray, ...]:
    """Wheel and 1 Hz fixes of a walk at 1.1 m/s that varies by 0.3 m/s over 4 s; fixes drift over 30 s."""
    rng = np.random.default_rng(seed)

    def wander(count: int, memory: float) -> np.ndarray:
        kept, values = np.exp(-1.0 / memory), rng.normal(size=count)
        for k in range(1, count):
            values[k] = kept * values[k - 1] + np.sqrt(1 - kept**2) * values[k]
        return values

    time = np.arange(0.0, 60.0 * minutes, 0.2)
    place = np.cumsum(np.maximum(1.1 + 0.3 * wander(len(time), 20.0), 0.0)) * 0.2
    fix_s = np.arange(0.0, time[-1], 1.0)
    noise = np.column_stack([wander(len(fix_s), 30.0) for _ in range(2)])
    noise = sigma_m * (noise + 0.3 * rng.normal(size=noise.shape))
    return time, place, fix_s, noise + np.column_stack([np.interp(fix_s, time, place), 0 * fix_s])


def test_a_walk_too_short_for_its_noise_is_left_to_chance() -> None:
    """A minute with 3 m of noise looks alike by chance, even 3 s off; no false offset has a chance of 1 %."""
    found = np.array([clocks.coarse_offset(*walk(1.0, 3.0, seed)) for seed in range(60)])
    off = np.abs(found[:, 0]) > 3.0
    assert off.any()
    assert (found[off, 1] > 0.01).all()


@pytest.mark.parametrize("minutes", [2.0, 5.0, 10.0])
def test_a_distinctive_walk_tells_its_clock_in_two_minutes(minutes: float) -> None:
    """With half a metre of noise the same walk, its wheel 25 s ahead, tells that to 2 s, and leaves it to no chance."""
    for seed in range(5):
        time, *others = walk(minutes, 0.5, seed)
        offset, chance = clocks.coarse_offset(time + 25.0, *others)
        assert offset == pytest.approx(25.0, abs=2.0)
        assert chance < 0.01


@pytest.mark.parametrize(
    ("offset_s", "words"),
    [
        (17.9, "GPS time"),  # GPS is 18 s ahead of UTC since 2017-01-01 (IERS Bulletin C 52)
        (-18.2, "fixes are on GPS time"),
        (3600.0, "whole hour"),
        (-7200.9, "2 whole hours"),
        (86400.0, "whole day"),
        (0.4, ""),
        (1700.0, ""),
    ],
)
def test_usual_offsets_are_named(offset_s: float, words: str) -> None:
    """GPS time, whole hours and whole days are called so; others get no name."""
    name = clocks.name_offset(offset_s)
    assert words in name
    assert bool(words) == bool(name)


def test_speed_in_a_hole_of_a_log_is_unknown_unless_the_place_kept() -> None:
    """Rows that pause for 50 s at one place stand still, or within a step or two of it; else nobody knows the speed."""
    time_s = np.r_[np.arange(0.0, 50.0), np.arange(100.0, 150.0)]
    grid_s = np.array([20.0, 75.0, 120.0])
    for moved_m, speeds in (
        (0.0, [0.2, 0.0, 0.2]),
        (0.4, [0.2, 0.4 / 51.0, 0.2]),
        (9.0, [0.2, np.nan, 0.2]),
    ):
        place_m = 0.2 * np.r_[np.arange(50.0), 49.0 + np.arange(50.0)] + moved_m * (time_s >= 100)
        found = clocks.speed_on_grid(time_s, place_m[:, None], grid_s, 8.0)
        np.testing.assert_allclose(found, speeds, atol=1e-9)


def test_speed_is_that_of_the_window() -> None:
    """A steady 0.2 m/s is 0.2 m/s inside the log, and unknown outside it."""
    speed = clocks.speed_on_grid(
        np.arange(0.0, 100.0), np.arange(100.0)[:, None] * 0.2, np.array([-5.0, 50.0]), 8.0
    )
    assert np.isnan(speed[0])
    assert speed[1] == pytest.approx(0.2)
