"""Between knots: arcs against the circle itself."""

import numpy as np
import pytest

from thermosaic.kernels.arcs import on_arc


@pytest.mark.parametrize("radius_m", [25.0, -25.0, 300.0])
def test_between_knots_on_a_circle_lies_the_circle(radius_m: float) -> None:
    """With knots 1.5 m apart on 25 m the arc is the circle to 0.1 mm; a straight line misses by 11 mm."""
    turn = 1.5 / radius_m
    ends = [(radius_m * (1 - np.cos(t)), radius_m * np.sin(t), np.float64(t)) for t in (0.0, turn)]
    share = np.linspace(0, 1, 11)
    east, north, heading = on_arc(ends[0], ends[1], share)
    assert np.hypot(east - radius_m, north) == pytest.approx(np.full(11, abs(radius_m)), abs=1e-4)
    assert heading == pytest.approx(share * turn)


def test_heading_goes_the_short_way_through_north() -> None:
    """From 359 to 1 deg the middle is north, not south."""
    heading = on_arc((0.0, 0.0, np.radians(359.0)), (0.0, 1.0, np.radians(1.0)), np.array([0.5]))[2]
    assert np.degrees(heading) % 360 == pytest.approx(0.0, abs=1e-9)
