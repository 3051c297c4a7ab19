"""Scan lines against textbook geometry (sources beside each number)."""

import numpy as np
import pytest

from thermosaic.kernels import scan_geometry

FOOT_M = 0.3048


@pytest.mark.parametrize(
    ("right_m", "angle_deg", "across", "along"),
    [(2.0, 26.565, 1.25, 1.118), (4.0, 45.0, 2.0, 1.4142), (6.0, 56.31, 3.25, 1.803)],
)
def test_a_scanner_four_metres_up(right_m: float, angle_deg: float, across: float, along: float) -> None:
    """H = 4 m: x = H tan(theta); the spot grows by 1/cos^2 across and 1/cos along (plane trigonometry)."""
    assert scan_geometry.spots_by_angle(4.0, np.array([angle_deg])) == pytest.approx(right_m, abs=2e-3)
    grown = scan_geometry.footprint_growth(np.array([angle_deg]))
    assert grown[0] == pytest.approx(across, rel=1e-3)
    assert grown[1] == pytest.approx(along, rel=1e-3)


def test_equal_angles_are_not_equal_widths() -> None:
    """Between equal steps of angle the outer pitch is wider, by the derivative 1/cos^2."""
    steps = np.diff(scan_geometry.spots_by_angle(4.0, np.array([0.0, 1.0, 44.5, 45.5])))
    assert steps[2] / steps[0] == pytest.approx(2.0, rel=1e-3)


def test_whole_spots_of_30_cm_on_a_12_ft_mat_scan_11_81_ft() -> None:
    """12 whole pitches of 0.30 m fit on 12 ft: 3.60 m = 11.81 ft (common practice, no source)."""
    centres = (np.arange(15) - 7 + 0.5) * 0.30
    pitches = scan_geometry.spot_pitches(centres)
    inside = scan_geometry.on_mat(pitches, -6 * FOOT_M, 6 * FOOT_M)
    assert inside.sum() == 12
    assert (pitches[inside, 1] - pitches[inside, 0]).sum() / FOOT_M == pytest.approx(11.81, abs=0.005)


def test_pitches_reach_half_way_and_mirror() -> None:
    """Ends lie half way to the neighbours, outer ones as far outward; descending columns give the same."""
    centres = np.array([-1.0, -0.4, 0.0, 0.8])
    pitches = scan_geometry.spot_pitches(centres)
    assert pitches == pytest.approx(np.array([[-1.3, -0.7], [-0.7, -0.2], [-0.2, 0.4], [0.4, 1.2]]))
    assert scan_geometry.spot_pitches(centres[::-1]) == pytest.approx(pitches[::-1])


def test_a_millimetre_over_the_edge_is_on_the_mat_and_two_are_not() -> None:
    """The tolerance is 1 mm (design)."""
    pitches = np.array([[-0.1509, 0.15], [-0.152, 0.15]])
    assert scan_geometry.on_mat(pitches, -0.15, 0.15).tolist() == [True, False]


def test_one_spot_has_no_pitch() -> None:
    """A single spot is refused."""
    with pytest.raises(ValueError, match="two spots"):
        scan_geometry.spot_pitches(np.array([0.0]))
