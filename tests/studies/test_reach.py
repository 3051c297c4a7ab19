"""Where spots fall: closed forms of a scanner above the mat, and the widths that a crew measures."""

from __future__ import annotations

import numpy as np
import pytest

from thermosaic.kernels.scan_geometry import spots_by_angle
from thermosaic.studies.reach import reach


def test_equal_angles_are_not_equal_widths():
    """x = H tan(theta): at 4 m height 26.565, 45 and 56.310 deg fall at 2, 4 and 6 m (closed form)."""
    angles = np.degrees(np.arctan([0.5, 1.0, 1.5]))
    assert spots_by_angle(4.0, angles) == pytest.approx([2.0, 4.0, 6.0], rel=1e-12)


def test_footprints_grow_with_the_angle():
    """Across 1/cos2, along 1/cos: at 2, 4, 6 m of 4 m height across 1.25, 2, 3.25 (closed form)."""
    found = reach(np.array([0.0, 2.0, 4.0, 6.0]), 4.0, -7.0, 7.0, view_deg=1.0).spots
    nadir = 2 * 4.0 * np.tan(np.radians(0.5))
    assert (found["across_m"] / nadir).tolist() == pytest.approx([1.0, 1.25, 2.0, 3.25], rel=1e-12)
    assert (found["along_m"] / nadir).tolist() == pytest.approx(
        [1.0, np.sqrt(1.25), np.sqrt(2), np.sqrt(3.25)], rel=1e-12
    )


def test_whole_spots_of_30_cm_on_12_ft():
    """Of spots of 0.30 m twelve lie wholly on 12 ft: 3.60 m, that is 11.81 ft (by hand)."""
    centres = (np.arange(20) - 9.5) * 0.30
    found = reach(centres, 3.5, -6 * 0.3048, 6 * 0.3048, view_deg=5.0)
    assert int(found.spots["on_mat"].sum()) == 12
    assert found.scanned_m == pytest.approx(3.60, abs=1e-9)
    assert found.scanned_m / 0.3048 == pytest.approx(11.81, abs=0.005)
    assert found.paved_m == pytest.approx(12 * 0.3048)


def test_overlap_is_of_the_footprint():
    """Spots 0.10 m apart that see 0.20 m overlap by one half; twice as far apart they touch."""
    view = 2 * np.degrees(np.arctan(0.10 / 100.0))
    close = reach(np.array([-0.10, 0.0, 0.10]), 100.0, -1.0, 1.0, view).spots
    apart = reach(np.array([-0.20, 0.0, 0.20]), 100.0, -1.0, 1.0, view).spots
    assert close["overlap_frac"].iloc[1] == pytest.approx(0.5, abs=1e-4)
    assert apart["overlap_frac"].iloc[1] == pytest.approx(0.0, abs=1e-4)


def test_gaps_steep_spots_and_an_empty_mat_are_named():
    """Gaps between spots and incidence beyond 60 degrees ask for a look; no spot on the mat fails."""
    right = spots_by_angle(1.0, np.linspace(-65, 65, 27))
    steep = reach(right, 1.0, -3.0, 3.0, view_deg=6.0).check
    assert steep.verdict == "look"
    assert "raise the scanner" in steep.finding
    gaps = reach(np.linspace(-2, 2, 5), 3.5, -2.6, 2.6, view_deg=1.0).check
    assert "gaps" in gaps.finding
    assert reach(np.array([5.0, 5.2]), 3.5, -2.0, 2.0, view_deg=1.0).check.verdict == "fail"
