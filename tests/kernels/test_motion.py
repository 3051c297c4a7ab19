"""The path model against closed forms: lines, circles, levers, clocks, and its own stated sigmas."""

from dataclasses import replace

import numpy as np
import pytest

from thermosaic.kernels import motion
from thermosaic.kernels.motion import COURSE, CRAB, CURVE, EAST, NORTH, SLIP, STATES

STEP_M = 1.0


def circle_sightings(
    radius_m: float, forward_m: float, right_m: float, back_m: float, count: int = 60, white_m: float = 0.01
) -> tuple[motion.Line, motion.Sightings, motion.Arms, np.ndarray]:
    """A non-slip point on a circle to the right about (radius, 0), from the origin heading north.

    The wheel measures the path of C, `back_m` behind: longer by sqrt(1 + (back / radius)^2) (closed form).
    """
    turn = np.arange(count) * STEP_M / radius_m
    east, north = radius_m * (1 - np.cos(turn)), radius_m * np.sin(turn)
    sine, cosine = np.sin(turn), np.cos(turn)
    wheel = np.arange(count) * STEP_M * np.sqrt(1 + (back_m / radius_m) ** 2)
    line = motion.Line(wheel, np.full(count, 1e-3), np.full(count - 1, 0.9))
    seen = motion.Sightings(
        knot=np.arange(count),
        east_m=east + forward_m * sine + right_m * cosine,
        north_m=north + forward_m * cosine - right_m * sine,
        white_m=np.full(count, white_m),
        along_m=np.zeros(count),
        speed_mps=np.full(count, 0.1),
        heading_rad=np.full(count, np.nan),
        heading_sigma_rad=np.ones(count),
    )
    arms = motion.Arms(np.full(count, forward_m), np.full(count, right_m), back_m)
    return line, seen, arms, np.stack([east, north, turn])


def first_state(seen: motion.Sightings) -> np.ndarray:
    state = np.zeros((STATES, len(seen.east_m)))
    state[EAST], state[NORTH] = seen.east_m, seen.north_m
    state[COURSE] = np.unwrap(np.arctan2(np.gradient(seen.east_m), np.gradient(seen.north_m)))
    return state


@pytest.mark.parametrize("radius_m", [25.0, 40.0, 300.0, -30.0])
@pytest.mark.parametrize(("forward_m", "right_m"), [(0.0, 0.0), (-0.7, -0.1), (3.0, 1.0), (-5.0, 0.5)])
def test_a_turning_body_is_found_from_an_antenna_anywhere_on_it(
    radius_m: float, forward_m: float, right_m: float
) -> None:
    """On a circle, closed form: 2 mm and 0.05 deg past the first 10 m, 2 cm and 0.5 deg at the very ends."""
    line, seen, arms, truth = circle_sightings(radius_m, forward_m, right_m, back_m=2.7)
    solved = motion.solve_motion(line, seen, arms, motion.Habits(steering=3e-3), first_state(seen))
    off = np.abs(solved.state[:2] - truth[:2]).max(axis=0)
    assert off.max() < 0.02
    assert off[10:-10].max() < 0.002
    turn = np.degrees(np.abs(solved.state[COURSE] - truth[2]))
    assert turn.max() < 0.5
    assert turn[10:-10].max() < 0.05
    per_wheel = 1 / radius_m / np.sqrt(1 + (2.7 / radius_m) ** 2)
    assert solved.state[CURVE, 10:-10] == pytest.approx(per_wheel, abs=1e-4)
    assert np.abs(solved.state[SLIP]).max() < 1e-3


def test_c_lies_behind_the_non_slip_point_along_the_heading() -> None:
    """C = N - back x (sin, cos) heading (design); its path is the longer circle the wheel ran."""
    line, seen, arms, truth = circle_sightings(25.0, -0.7, 0.0, back_m=2.7)
    solved = motion.solve_motion(line, seen, arms, motion.Habits(steering=3e-3), first_state(seen))
    placed = motion.place(arms, solved)
    assert placed.east_m == pytest.approx(truth[0] - 2.7 * np.sin(truth[2]), abs=0.006)
    assert placed.north_m == pytest.approx(truth[1] - 2.7 * np.cos(truth[2]), abs=0.006)
    length = np.hypot(np.diff(placed.east_m), np.diff(placed.north_m)).sum()
    assert motion.ground_distance(line, solved)[-1] == pytest.approx(length, rel=1e-3)


def test_between_two_known_ends_a_driver_may_weave() -> None:
    """Brownian bridge, closed form: in the middle of L metres without fixes weave x sqrt(L) / 2, on a stiff path."""
    line, seen, arms, _ = circle_sightings(1e6, 0.0, 0.0, back_m=0.0, count=101, white_m=1e-3)
    away = (seen.knot > 30) & (seen.knot < 70)
    seen = replace(seen, white_m=np.where(away, 1e6, seen.white_m))
    line = replace(line, unseen_m=((np.arange(100) >= 30) & (np.arange(100) < 70)).astype(float))
    habits = motion.Habits(steering=1e-7, sideways_m=1e-6, crab_rad=1e-6)
    across = motion.place(arms, motion.solve_motion(line, seen, arms, habits, first_state(seen))).across_m
    assert across[50] == pytest.approx(habits.weave_m * np.sqrt(40.0) / 2, rel=0.03)
    assert across[40] == pytest.approx(habits.weave_m * np.sqrt(10.0 * 30.0 / 40.0), rel=0.03)
    assert across[15] < 0.003


def test_a_heading_sensor_shows_the_crab_angle() -> None:
    """On a straight with headings 1 deg off the course the body follows the sensor, the course the path."""
    line, seen, arms, _ = circle_sightings(1e6, 0.0, 0.0, back_m=2.7, count=300)
    crab = np.radians(1.0)
    seen = replace(seen, heading_rad=np.full(300, crab), heading_sigma_rad=np.full(300, np.radians(0.1)))
    solved = motion.solve_motion(line, seen, arms, motion.Habits(), first_state(seen))
    assert np.degrees(solved.state[CRAB, 20:-20]) == pytest.approx(1.0, abs=0.05)
    assert np.degrees(solved.state[COURSE, 20:-20]) == pytest.approx(0.0, abs=0.05)


def test_a_jump_does_not_move_the_path() -> None:
    """Ten sightings thrown 2 m aside move the path by less than 2 cm and end nearly disbelieved."""
    line, seen, arms, truth = circle_sightings(300.0, 0.0, 0.0, back_m=0.0)
    east = seen.east_m.copy()
    east[25:35] += 2.0
    seen = replace(seen, east_m=east)
    start = first_state(seen)
    start[:3] = truth
    solved = motion.solve_motion(line, seen, arms, motion.Habits(steering=3e-4), start)
    assert np.abs(solved.state[:2] - truth[:2]).max() < 0.02
    assert solved.weight[25:35].max() < 0.01
    assert solved.weight[:20].min() > 0.5


def test_a_clock_shift_shows_where_the_speed_changes() -> None:
    """Fixes 0.4 s late on a line with a stop ask for a shift of -0.4 s; without a stop the sigma is large."""
    rng = np.random.default_rng(4)
    sigmas = []
    for stop in (True, False):
        speed = np.where((np.arange(80) > 30) & (np.arange(80) < 60) & stop, 0.0, 0.15)
        wheel = np.concatenate([[0.0], np.cumsum(speed[1:] * 6.0)])
        line = motion.Line(wheel, np.full(80, 0.002), np.full(79, 0.9))
        late = wheel - 0.4 * speed + 0.002 * rng.normal(size=80)
        zero = np.zeros(80)
        seen = motion.Sightings(
            np.arange(80), zero, late, np.full(80, 0.002), zero, speed, np.full(80, np.nan), np.ones(80)
        )
        arms = motion.Arms(zero, zero, 0.0)
        start = np.zeros((STATES, 80))
        start[NORTH] = late
        solved = motion.solve_motion(line, seen, arms, motion.Habits(steering=1e-4), start)
        pull, information = motion.clock_shift(line, seen, arms, solved)
        sigmas.append(max(information, 1e-9) ** -0.5)
        if stop:
            assert pull / information == pytest.approx(-0.4, abs=0.05)
    assert sigmas[0] < 0.03
    assert sigmas[1] > 5 * sigmas[0]


def test_steering_follows_the_road_and_not_the_drift() -> None:
    """Likelihood gives a straight under 1 m of slow drift little steering, a 25 m turn under 1 cm much."""
    rng = np.random.default_rng(2)
    count, memory = 200, 0.9
    drift = np.zeros((2, count))
    for knot in range(1, count):
        drift[:, knot] = memory * drift[:, knot - 1] + np.sqrt(1 - memory**2) * rng.normal(size=2)
    line, seen, arms, truth = circle_sightings(1e6, 0.0, 0.0, 0.0, count)
    line = replace(line, drift_m=np.ones(count), memory=np.full(count - 1, memory))
    seen = replace(
        seen, east_m=seen.east_m + drift[0], north_m=seen.north_m + drift[1], white_m=np.full(count, 0.05)
    )
    start = np.zeros((STATES, count))
    start[:3] = truth
    chosen = motion.choose_habits(line, seen, arms, motion.Habits(), start)
    assert chosen.steering <= 1e-4
    line, seen, arms, truth = circle_sightings(25.0, 0.0, 0.0, 0.0)
    straight = np.arange(40) * STEP_M
    kept = ("white_m", "along_m", "speed_mps", "heading_rad", "heading_sigma_rad")
    longer = {name: np.resize(getattr(seen, name), 100) for name in kept}
    into = replace(
        seen,
        knot=np.arange(100),
        east_m=np.concatenate([np.zeros(40), seen.east_m]),
        north_m=np.concatenate([straight - 40.0, seen.north_m]),
        **longer,
    )
    line = motion.Line(np.arange(100) * STEP_M, np.full(100, 1e-3), np.full(99, 0.9))
    arms = motion.Arms(np.zeros(100), np.zeros(100), 0.0)
    assert motion.choose_habits(line, into, arms, motion.Habits(), first_state(into)).steering >= 3e-3


def test_stated_sigmas_cover_the_errors() -> None:
    """Over 60 seeds of drift (0.3 m, memory 10 knots) on a straight: 68, 95 % within 1, 2 sigma by 6 %."""
    within = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        count, memory = 120, float(np.exp(-0.1))
        drift = rng.normal(size=(2, count))
        for knot in range(1, count):
            drift[:, knot] = memory * drift[:, knot - 1] + np.sqrt(1 - memory**2) * drift[:, knot]
        line, seen, arms, truth = circle_sightings(1e7, 0.0, 0.0, 0.0, count)
        line = replace(line, drift_m=np.full(count, 0.3), memory=np.full(count - 1, memory))
        noise = 0.02 * rng.normal(size=(2, count))
        seen = replace(
            seen,
            east_m=seen.east_m + 0.3 * drift[0] + noise[0],
            north_m=seen.north_m + 0.3 * drift[1] + noise[1],
            white_m=np.full(count, 0.02),
        )
        start = np.zeros((STATES, count))
        start[:3] = truth
        habits = motion.Habits(steering=1e-5, slip=1e-5, crab_rad=1e-6, curvature=1e-5, scale=1e-4)
        placed = motion.place(arms, motion.solve_motion(line, seen, arms, habits, start))
        for off, sigma in (
            (placed.north_m - truth[1], placed.along_m),
            (placed.east_m - truth[0], placed.across_m),
        ):
            within.append([np.mean(np.abs(off) <= times * sigma) for times in (1, 2)])
    share = np.mean(within, axis=0)
    assert share[0] == pytest.approx(0.683, abs=0.06)
    assert share[1] == pytest.approx(0.954, abs=0.05)
