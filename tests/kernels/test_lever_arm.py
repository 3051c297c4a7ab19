"""Lever arms against closed forms, and grades from heights."""

import numpy as np
import pytest

from thermosaic.kernels import lever_arm


@pytest.mark.parametrize(
    ("heading_deg", "east", "north"), [(0, 1.0, 2.0), (90, 2.0, -1.0), (180, -1.0, -2.0), (270, -2.0, 1.0)]
)
def test_two_ahead_and_one_right_by_quarter_turns(heading_deg: float, east: float, north: float) -> None:
    """Forward 2, right 1 from the origin at the four quarters, by hand."""
    zero = np.zeros(1)
    found = lever_arm.offset_point(zero, zero, np.radians([heading_deg]), 2.0, 1.0)
    assert np.concatenate(found) == pytest.approx([east, north], abs=1e-12)


def test_there_and_back_is_nowhere() -> None:
    """An arm and its opposite cancel at any heading."""
    heading = np.linspace(0, 2 * np.pi, 17)
    east, north = lever_arm.offset_point(np.zeros(17), np.zeros(17), heading, 3.0, -1.5)
    back = lever_arm.offset_point(east, north, heading, -3.0, 1.5)
    assert np.abs(back).max() < 1e-12


def test_a_wrong_sign_moves_by_twice_the_offset_and_swaps_sides_on_the_return() -> None:
    """d = 0.3 m to the wrong side moves the point 0.6 m, to the other side after half a turn."""
    moved = []
    for heading in (0.3, 0.3 + np.pi):
        ends = [
            np.concatenate(lever_arm.offset_point(*np.zeros((2, 1)), np.array([heading]), 0.0, d))
            for d in (0.3, -0.3)
        ]
        moved.append(ends[1] - ends[0])
    assert np.hypot(*moved[0]) == pytest.approx(0.6)
    assert moved[0] == pytest.approx(-moved[1])


def test_climbing_tips_a_high_antenna_back() -> None:
    """3.35 m up on 5 % grade: 3.35 x sin(atan 0.05) = 0.1673 m back; 2 % cross slope: 0.0670 m right."""
    forward, right = lever_arm.tilted_arm(0.0, 0.0, 3.35, 0.05, 0.02)
    assert forward == pytest.approx(-3.35 * 0.05 / np.hypot(1, 0.05))
    assert right == pytest.approx(3.35 * 0.02 / np.hypot(1, 0.02))


def test_grade_is_found_in_noisy_heights() -> None:
    """A 4 % ramp under 2 cm white noise is found within 0.2 %, inside three of its own sigmas."""
    rng = np.random.default_rng(1)
    distance = np.arange(0.0, 200.0)
    height = 0.04 * distance + 0.02 * rng.normal(size=200)
    args = (np.full(200, 0.02), np.full(200, 0.002), np.full(199, 0.9))
    grade, sigma = lever_arm.smooth_grade(distance, height, *args)
    assert np.abs(grade - 0.04).max() < 0.002
    assert (np.abs(grade - 0.04) < 3 * sigma).all()


def test_unknown_heights_give_no_grade_and_say_so() -> None:
    """Without heights the grade is 0 with the spread of roads."""
    grade, sigma = lever_arm.smooth_grade(
        np.arange(10.0), np.full(10, np.nan), np.ones(10), np.ones(10), np.ones(9)
    )
    assert (grade == 0).all()
    assert (sigma == lever_arm.GRADE).all()


def test_heights_of_half_a_metre_support_no_grade() -> None:
    """Heights that drift by 1 m over 60 s of a 20 m path leave most of the spread."""
    rng = np.random.default_rng(2)
    distance = np.linspace(0.0, 20.0, 40)
    _, sigma = lever_arm.smooth_grade(
        distance, rng.normal(size=40), np.full(40, 0.5), np.ones(40), np.full(39, 0.9)
    )
    assert sigma.min() > 0.6 * lever_arm.GRADE
