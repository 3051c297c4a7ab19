"""The arm's error against the closed form: half the difference of a mark's two places, and its sigma."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from thermosaic.kernels.arm_error import Seen, solve_arm_error

ERROR = np.array([0.30, -0.20])  # forward, right


def turn(heading: float) -> np.ndarray:
    """From (forward, right) to (east, north), heading clockwise from north."""
    return np.array([[np.sin(heading), np.cos(heading)], [np.cos(heading), -np.sin(heading)]])


def seen_of(marks, headings, *, error=ERROR, noise=None, known=False, line_m=(), path_m=0.0, apart_s=1000.0):
    """Every mark (east, north) seen at every heading; a line at each of `line_m` along its direction (right)."""
    rows = []
    for number, place in enumerate(marks):
        for k, heading in enumerate(headings):
            for along in line_m or (0.0,):
                point = np.array(place) + turn(headings[0]) @ (0.0, along)
                rows.append((number, *(point + turn(heading) @ error), heading, apart_s * k + 100.0 * number))
    mark, east, north, heading, time = np.array(rows).T
    count = len(rows)
    if noise is not None:
        east, north = east + noise[0][:count], north + noise[1][:count]
    surveyed = np.array(marks, float) if known else np.full((len(marks), 2), np.nan)
    return Seen(
        mark.astype(int), east, north, heading, np.full(count, 0.1), time, np.full(count, path_m),
        np.full(count, path_m), np.full(count, 0.02), np.full(count, 0.02), np.full(len(marks), bool(line_m)),
        surveyed, np.full(len(marks), 0.01), 60.0, 0.0, (0.0, 0.0),
    )  # fmt: skip


def test_two_opposite_sightings_give_half_their_difference():
    """The error is half the difference of the two places, turned into the body; sigma = sigma / root 2 (by hand)."""
    heading = 0.7
    noise = np.random.default_rng(3).normal(0, 0.02, (2, 2))
    seen = seen_of([(5.0, 9.0)], [heading, heading + np.pi], noise=noise)
    half = np.array([seen.east_m[0] - seen.east_m[1], seen.north_m[0] - seen.north_m[1]]) / 2
    found = solve_arm_error(seen)
    assert (found.forward_m, found.right_m) == pytest.approx(turn(heading).T @ half, abs=1e-9)
    assert found.forward_sigma_m == pytest.approx(0.02 / np.sqrt(2), rel=1e-6)
    assert np.isnan(found.likelihood)


def test_directions_at_any_angle_serve():
    """Passes 40 degrees apart give the same error as opposite ones, with a larger sigma: 0.02 / (root 2 sin 20)."""
    found = solve_arm_error(seen_of([(0.0, 0.0)], np.radians([10, 50])))
    assert (found.forward_m, found.right_m) == pytest.approx(ERROR, abs=1e-9)
    assert found.forward_sigma_m == pytest.approx(0.02 / (np.sqrt(2) * np.sin(np.radians(20))), rel=1e-6)


def test_one_direction_over_a_surveyed_mark_is_enough():
    """The error is place less survey; its variance the sum of both (by hand)."""
    found = solve_arm_error(seen_of([(1.0, 2.0)], [1.1], known=True))
    assert (found.forward_m, found.right_m) == pytest.approx(ERROR, abs=1e-9)
    assert found.right_sigma_m == pytest.approx(np.hypot(0.02, 0.01), rel=1e-6)


def test_one_direction_over_unknown_marks_tells_nothing():
    """With one heading the marks take up any error."""
    found = solve_arm_error(seen_of([(0.0, 0.0), (9.0, 4.0)], [0.4]))
    assert np.isinf([found.forward_sigma_m, found.right_sigma_m]).all()


@pytest.mark.parametrize(("skew", "told"), [(0.0, (True, False)), (np.pi / 2, (False, True))])
def test_a_line_tells_the_component_across_it(skew, told):
    """A joint across the lane gives forward only, an edge along it right only."""
    heading = 0.3
    seen = seen_of([(3.0, 1.0)], [heading + skew, heading + skew + np.pi], line_m=(-1.5, 0.0, 1.5))
    seen = replace(seen, heading_rad=seen.heading_rad - skew)
    for place in range(len(seen.mark)):
        moved = (turn(seen.heading_rad[place]) - turn(seen.heading_rad[place] + skew)) @ ERROR
        seen.east_m[place] += moved[0]
        seen.north_m[place] += moved[1]
    found = solve_arm_error(seen)
    value, sigma = (found.forward_m, found.right_m), (found.forward_sigma_m, found.right_sigma_m)
    assert np.isfinite(sigma).tolist() == list(told)
    own = told.index(True)
    assert value[own] == pytest.approx(ERROR[own], abs=1e-6)
    # by hand: half the difference of two means of three, and the line's unknown direction seen from places that
    # the other component shifts along the line against their spread of 1.5 m2
    by_hand = 0.02 / np.sqrt(6) * np.sqrt(1 + ERROR[1 - own] ** 2 / 1.5)
    assert sigma[own] == pytest.approx(by_hand, rel=1e-3)


def test_a_skew_line_is_seen_skew():
    """A joint 20 degrees off the square is solved with its direction: forward e, right d give e cos + d sin."""
    heading, skew = 0.0, np.radians(20)
    seen = seen_of([(0.0, 0.0)], [heading, np.pi], line_m=(-1.5, 1.5), error=np.zeros(2))
    bent = np.array([[np.cos(skew), np.sin(skew)], [-np.sin(skew), np.cos(skew)]])
    places = np.array([seen.east_m, seen.north_m]).T @ bent.T
    places += [turn(h) @ (0.3, 0.0) for h in seen.heading_rad]
    both = seen_of([(0.0, 0.0), (5.0, 5.0)], [heading, np.pi], error=np.array([0.3, 0.0]))
    lines = replace(
        both,
        mark=np.r_[np.zeros(4, int), 1 + both.mark],
        is_line=np.array([True, False, False]),
        known_m=np.full((3, 2), np.nan),
        known_sigma_m=np.full(3, np.nan),
        **{n: np.r_[getattr(seen, n), getattr(both, n)] for n in (
            "heading_rad", "speed_mps", "time_s", "path_along_m", "path_across_m", "look_along_m", "look_across_m")},
        east_m=np.r_[places[:, 0], both.east_m], north_m=np.r_[places[:, 1], both.north_m],
    )  # fmt: skip
    found = solve_arm_error(lines)
    assert (found.forward_m, found.right_m) == pytest.approx((0.3, 0.0), abs=1e-6)
    assert found.left_off_m == pytest.approx(0.0, abs=1e-6)


def test_sigma_is_honest_under_a_shared_drift():
    """Over 150 draws with a drift alike over 60 s, 68 and 95 % of errors lie within one and two sigmas (5 points)."""
    rng = np.random.default_rng(11)
    marks, headings = [(0.0, 0.0), (6.0, 1.0), (9.0, 5.0)], [0.5, 0.5 + np.pi]
    plain = seen_of(marks, headings, path_m=0.05)
    alike = np.exp(-np.abs(plain.time_s[:, None] - plain.time_s) / 60.0)
    half = np.linalg.cholesky(0.05**2 * alike + 0.02**2 * np.eye(len(alike)))
    scores = []
    for _ in range(150):
        off = half @ rng.normal(size=(len(alike), 2))
        found = solve_arm_error(
            replace(plain, east_m=plain.east_m + off[:, 0], north_m=plain.north_m + off[:, 1])
        )
        scores += [
            (found.forward_m - ERROR[0]) / found.forward_sigma_m,
            (found.right_m - ERROR[1]) / found.right_sigma_m,
        ]
    shares = [np.mean(np.abs(scores) < limit) for limit in (1.0, 2.0)]
    assert 0.63 <= shares[0] <= 0.85  # sigmas grow with the misfit and never shrink: a little wide
    assert shares[1] >= 0.90


def test_an_unknown_clock_counts_as_length():
    """A clock known to 0.5 s at 0.1 m/s leaves 0.05 m of forward error, none of right error (by hand)."""
    seen = replace(seen_of([(0.0, 0.0)], [0.2, 0.2 + np.pi]), clock_sigma_s=0.5)
    found = solve_arm_error(seen)
    assert found.forward_sigma_m == pytest.approx(np.hypot(0.02 / np.sqrt(2), 0.05), rel=1e-6)
    assert found.right_sigma_m == pytest.approx(0.02 / np.sqrt(2), rel=1e-6)


@pytest.mark.parametrize("wrong", range(6))
def test_one_wrong_sighting_of_several_marks_is_left_out(wrong):
    """A line mistaken by 2 m in one of six sightings changes nothing: its mark is left out."""
    seen = seen_of([(0.0, 0.0), (6.0, 1.0), (9.0, 5.0)], [0.5, 0.5 + np.pi])
    moved = seen.north_m.copy()
    moved[wrong] += 2.0
    found = solve_arm_error(replace(seen, north_m=moved))
    assert not found.used[wrong]
    assert found.used.sum() == 4
    assert np.hypot(*found.left_off_m[wrong]) == pytest.approx(1.0, abs=1e-6)  # half of 2 m from their mean
    assert (found.forward_m, found.right_m) == pytest.approx(ERROR, abs=1e-6)


def test_one_wrong_sighting_of_a_mark_seen_three_times_is_found_alone():
    """With a mark surveyed and seen three times the wrong sighting alone is left out."""
    seen = seen_of([(0.0, 0.0), (4.0, 4.0)], [0.5, 0.5 + np.pi, 0.6], known=True)
    moved = seen.east_m.copy()
    moved[4] -= 1.0
    found = solve_arm_error(replace(seen, east_m=moved))
    assert np.flatnonzero(~found.used).tolist() == [4]


def test_which_of_two_marks_is_wrong_cannot_be_told():
    """Two marks that disagree: none is left out, and the sigma grows with the misfit."""
    seen = seen_of([(0.0, 0.0), (6.0, 1.0)], [0.5, 0.5 + np.pi])
    moved = seen.east_m.copy()
    moved[0] += 0.8
    found = solve_arm_error(replace(seen, east_m=moved))
    assert found.used.all()
    assert found.undecided.all()
    assert found.forward_sigma_m > 0.1
