"""The antenna's place: verdicts, usual slips by name, what cannot be told; errors are true less stated."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from thermosaic.studies.check_antenna import Stated, check_antenna

STATED = Stated(
    forward_m=1.98, right_m=-0.25, screed_forward_m=0.9, clock_sigma_s=float("nan"), memory_s=60.0
)
MARKS = ((0.0, 0.0, 0.3), (12.0, 4.0, -0.9), (20.0, 9.0, 1.2))  # east, north, and right of the first pass's C


def sightings_of(error, headings=(30.0, 210.0), kind="point", known=False, mirrored=False, **columns):
    """Marks seen at each heading, placed with an arm wrong by `error` (forward, right)."""
    rows = []
    for number, (east, north, aside) in enumerate(MARKS):
        for k, heading in enumerate(headings):
            sine, cosine = np.sin(np.radians(heading)), np.cos(np.radians(heading))
            right = aside if k == 0 else 0.4 - aside
            off = error[1] - (2 * right if mirrored else 0.0)
            rows.append({
                "mark": f"M{number}", "kind": kind, "line": 100.0 * k + number, "spot": 5.0,
                "spot_right_m": -right if mirrored else right, "time_s": 900.0 * k + 120 * number,
                "east_m": east + error[0] * sine + off * cosine, "north_m": north + error[0] * cosine - off * sine,
                "heading_deg": heading, "speed_mps": 0.1, "path_along_m": 0.01, "path_across_m": 0.01,
                "look_along_m": 0.01, "look_across_m": 0.03, "known_east_m": east if known else np.nan,
                "known_north_m": north if known else np.nan, "known_sigma_m": 0.01 if known else np.nan,
            } | columns)  # fmt: skip
    return pd.DataFrame(rows)


def advice_of(error, stated=STATED, **changes):
    """Return the finding and its sentences as one text."""
    found = check_antenna(sightings_of(error, **changes), stated)
    return found, "\n".join(found.advice)


def test_a_right_antenna_passes():
    """Sightings without an error give 0 and pass; the value measured is the one stated."""
    found, text = advice_of((0.0, 0.0))
    assert found.check.verdict == "pass"
    assert found.check.measured == pytest.approx(1.98, abs=1e-9)
    assert [item.key for item in (found.check, *found.further)] == [
        "rig.antenna_forward",
        "rig.antenna_right",
    ]
    assert text == ""


def test_a_swapped_side_is_twice_the_offset():
    """Stated 0.25 m left, truly 0.25 m right: the error is 2 d = 0.50 m, and its name is the sign."""
    found, text = advice_of((0.0, 0.50))
    assert found.right.error_m == pytest.approx(0.50, abs=1e-9)
    assert found.check.verdict == "fail"
    assert 'antenna_right: state "0.250 m right"' in text
    assert "antenna_right: likely the sign is wrong, it sits right" in text
    assert "0.500 m too far right in travel, and to the other side on the way back" in text
    assert "antenna_forward" not in text


@pytest.mark.parametrize(
    ("error", "stated", "words"),
    [
        ((-3.96, 0.0), STATED, "antenna_forward: likely the sign is wrong, it sits behind"),
        ((0.9, 0.0), STATED, "antenna_forward: likely it was measured from the screed"),
        ((1.98 * 0.3048 - 1.98, 0.0), STATED, "antenna_forward: likely feet were written as metres"),
        ((1.98 / 0.3048 - 1.98, 0.0), STATED, "antenna_forward: likely metres were written as feet"),
        ((0.0, -0.25 * 2.54 + 0.25), STATED, "antenna_right: likely centimetres were taken for inches"),
        ((-2.23, 2.23), STATED, "antenna_forward: likely forward and right are exchanged"),
        ((0.33, 0.0), STATED, "antenna_forward: no usual slip fits; tape it again"),
    ],
)
def test_usual_slips_are_named(error, stated, words):
    """Each planted slip is named; one that is none is said to be none."""
    assert words in advice_of(error, stated)[1]


def test_a_clock_that_would_look_the_same_is_named():
    """At 0.1 m/s, 6 m a minute, 0.33 m of forward error looks like 3.30 s of clock (by hand)."""
    assert "a scan clock 3.30 s off would look the same at 6.0 m/min" in advice_of((0.33, 0.0))[1]


def test_the_verdict_needs_a_small_sigma():
    """An error within the tolerance passes only where twice the sigma fits it too."""
    found, text = advice_of((0.01, 0.0), look_across_m=0.15)
    assert found.check.verdict == "look"
    assert "antenna_right" in text
    assert "see the marks more often" in text


def test_one_direction_is_refused_with_advice():
    """One direction over unknown marks tells nothing: the refusal says which pass or survey to add."""
    with pytest.raises(
        ValueError, match=r"one direction of travel.*opposite direction too, or give the mark's surveyed"
    ):
        check_antenna(sightings_of((0.3, 0.0), headings=(30.0, 32.0)[:1]), STATED)


def test_one_direction_over_surveyed_marks_is_judged():
    """Surveyed marks need one pass; the whole error is found."""
    found, _ = advice_of((0.2, -0.1), headings=(30.0,), known=True)
    assert (found.forward.error_m, found.right.error_m) == pytest.approx((0.2, -0.1), abs=1e-9)


def test_a_joint_across_tells_forward_only_and_says_so():
    """Lines across the lane leave `right` untold; only what is told becomes a check."""
    rows = pd.concat([sightings_of((0.3, 0.2), kind="line"), sightings_of((0.3, 0.2), kind="line")])
    rows = rows.reset_index(drop=True)
    aside = np.where(np.arange(len(rows)) < 6, -1.5, 1.5)
    rows["east_m"] += aside * np.cos(np.radians(30.0))
    rows["north_m"] -= aside * np.sin(np.radians(30.0))
    found = check_antenna(rows, STATED)
    assert found.forward.error_m == pytest.approx(0.3, abs=1e-6)
    assert not found.right.is_told
    assert found.further == ()
    assert any("antenna_right: not told" in text for text in found.advice)


def test_mirrored_spots_are_named():
    """Marks seen at different spots each way disagree by twice their place when the spots' order is mirrored."""
    found, text = advice_of((0.0, 0.0), mirrored=True, known=True, look_across_m=0.01)
    assert found.check.verdict != "pass"
    assert "the spots' order is mirrored" in text


def test_more_sightings_than_anybody_notes_are_refused():
    """A table of thousands is a mistake, and is refused at once."""
    rows = pd.concat([sightings_of((0.0, 0.0))] * 60)
    with pytest.raises(ValueError, match="at most 300 are taken"):
        check_antenna(rows, STATED)


def test_a_mark_of_two_kinds_is_refused():
    """A mark cannot be a point in one pass and a line in the other."""
    rows = sightings_of((0.0, 0.0))
    rows.loc[1, "kind"] = "line"
    with pytest.raises(ValueError, match='"M0" is stated as a point and as a line'):
        check_antenna(rows, STATED)


def test_what_the_places_were_found_with_is_added():
    """An arm tried 0.25 m further forward leaves the rest of the error; the sum is reported."""
    found = check_antenna(sightings_of((0.05, 0.0)), STATED, tried_m=(0.25, 0.0))
    assert found.forward.error_m == pytest.approx(0.30, abs=1e-9)
    assert found.sightings["ahead_m"].to_numpy() == pytest.approx(0.30, abs=1e-3)
    assert found.sightings["left_ahead_m"].to_numpy() == pytest.approx(0.0, abs=1e-3)
