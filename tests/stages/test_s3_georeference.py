"""Spots placed from the true path, so that only this stage is judged; and end to end with s2."""

from dataclasses import replace

import numpy as np
import pytest

import builders
from sections import sections
from thermosaic import config, model, synthetic
from thermosaic.errors import ConfigError
from thermosaic.stages.s2_trajectory import solve_trajectory
from thermosaic.stages.s3_georeference import georeference_scan
from thermosaic.synthetic import (
    BackUp,
    Episode,
    Gnss,
    LotPlan,
    Mat,
    PassPlan,
    Scanner,
    SpotFault,
    Stop,
    SyntheticLot,
)

FOOT_M = 0.3048


def make(**plan: object) -> SyntheticLot:
    return synthetic.make_lot(LotPlan(**{"scanner": Scanner(rate_hz=2.0)} | plan))


def place(lot: SyntheticLot, trajectory: model.Trajectory | None = None, **rig: str) -> model.Swath:
    _, rig_section, scanner = sections(lot.plan, **rig)
    path = trajectory or builders.true_trajectory(lot)
    return georeference_scan(builders.true_inputs(lot).scan, path, rig_section, scanner)


def solved(lot: SyntheticLot, **rig: str) -> model.Swath:
    crs, rig_section, scanner = sections(lot.plan, **rig)
    inputs = builders.true_inputs(lot)
    trajectory = solve_trajectory(inputs, crs, rig_section, config.AcceptSection())
    return georeference_scan(inputs.scan, trajectory, rig_section, scanner)


@pytest.mark.parametrize(
    "lot",
    [builders.one_bend_lot, builders.bend_and_stop_lot, builders.two_lane_southern, builders.us_curve_lot],
)
def test_on_the_true_path_spots_lie_on_the_truth(lot, no_files: None) -> None:
    """Bends, two lanes, feet: every spot within 1 mm of the closed form, the edges too."""
    made = lot()
    swath = place(made)
    truth = builders.true_swath(made)
    assert np.abs(swath.easting_m - truth.easting_m).max() < 1e-3
    assert np.abs(swath.northing_m - truth.northing_m).max() < 1e-3
    assert np.abs(swath.edge_easting_m - truth.edge_easting_m).max() < 1e-3
    assert (swath.on_mat == truth.on_mat).all()
    assert swath.edges_m == pytest.approx(truth.edges_m)
    assert (swath.pass_code == truth.pass_code).all()


def test_seen_and_laid_times_are_the_truth_s() -> None:
    """Corrected UTC; laid when the screed passed, within half a second but for the places it stood at."""
    lot = make(
        passes=(PassPlan(stops=(Stop(60.0, 90.0),)),), scanner=Scanner(rate_hz=2.0, clock_offset_s=7.0)
    )
    swath, truth = place(lot), lot.truth
    assert (swath.seen_utc == truth.time_utc).all()
    known = ~np.isnat(truth.laid_utc)
    assert (np.isnat(swath.laid_utc) == ~known).mean() > 0.999
    both = known & ~np.isnat(swath.laid_utc)
    late = (swath.laid_utc[both] - truth.laid_utc[both].astype("M8[ns]")).astype(np.int64) * 1e-9
    assert (np.abs(late) < 0.6).mean() > 0.995
    assert np.isnat(swath.laid_utc[swath.distance_m < lot.plan.rig.screed_forward_m]).all()


def test_mat_under_the_screed_at_a_stop_was_laid_before_and_seen_after() -> None:
    """0.9 m of mat between line and screed waits out a stop of 90 s: its look is at least that old."""
    lot = make(passes=(PassPlan(stops=(Stop(60.0, 90.0),)),))
    swath = place(lot)
    age = (swath.seen_utc - swath.laid_utc).astype(np.int64) * 1e-9
    waited = (swath.distance_m > 60.05) & (swath.distance_m < 60.85)
    usual = (swath.distance_m > 30) & (swath.distance_m < 50)
    assert age[waited].min() > 90.0
    assert age[usual] == pytest.approx(0.9 / 0.1, abs=0.2)


def test_only_new_ground_is_a_first_look() -> None:
    """Standing, backing up and coming back make no first looks; every stretch is looked at first once."""
    lot = make(passes=(PassPlan(stops=(Stop(60.0, 60.0),), back_ups=(BackUp(100.0, 3.0),)),))
    swath = place(lot)
    assert (swath.first_look == lot.truth.first_look).mean() > 0.999
    first = swath.distance_m[swath.first_look]
    assert (np.diff(first) > 0).all()
    assert np.diff(first).max() < 0.2


def test_columns_from_right_to_left_place_the_same_spots() -> None:
    """A logger that writes the right edge first gives the mirrored columns and nothing else."""
    lot = make()
    forward = place(lot)
    inputs = builders.true_inputs(lot)
    scan = inputs.scan
    turned = replace(scan, temp_c=scan.temp_c[:, ::-1].copy(), spot_right_m=scan.spot_right_m[::-1].copy())
    _, rig, scanner = sections(lot.plan)
    backward = georeference_scan(turned, builders.true_trajectory(lot), rig, scanner)
    for name in ("easting_m", "northing_m", "sigma_along_m", "temp_c"):
        assert np.array_equal(getattr(forward, name), getattr(backward, name)[:, ::-1])
    assert np.array_equal(forward.edge_easting_m, backward.edge_easting_m)


def test_whole_spots_of_30_cm_on_a_12_ft_mat_scan_11_81_ft() -> None:
    """Common practice, no source: 12 whole pitches of 0.30 m, 11.81 ft of 12."""
    scanner = Scanner(
        first_m=-2.25, last_m=2.25, count=16, mat_left_m=-6 * FOOT_M, mat_right_m=6 * FOOT_M, rate_hz=2.0
    )
    swath = place(make(scanner=scanner))
    assert swath.used_spot.sum() == 12
    assert np.ptp(swath.layouts[0].edges_m) / FOOT_M == pytest.approx(11.81, abs=0.005)


def test_an_antenna_72_in_ahead_moves_the_spots_6_ft_back() -> None:
    """Common practice, no source: an antenna said to be 72 in ahead, not above the line, 6 ft back."""
    lot = make()
    above, ahead = (solved(lot, antenna_forward=words) for words in ("0 in", "72 in ahead"))
    heading = np.radians(lot.truth.heading_deg)[:, None]
    east, north = ahead.easting_m - above.easting_m, ahead.northing_m - above.northing_m
    along = east * np.sin(heading) + north * np.cos(heading)
    across = east * np.cos(heading) - north * np.sin(heading)
    both = (above.placed > 0) & (ahead.placed > 0)
    assert np.median(along[both]) / FOOT_M == pytest.approx(-6.0, abs=0.01)
    assert np.abs(across[both]).max() < 0.03


def test_clean_rtk_places_spots_within_a_centimetre_end_to_end() -> None:
    """Both stages on 1 cm RTK, a bend and a stop: RMSE under 1 cm, sigmas under 2 cm."""
    lot = builders.bend_and_stop_lot()
    swath = solved(lot)
    off = np.hypot(swath.easting_m - lot.truth.spot_easting_m, swath.northing_m - lot.truth.spot_northing_m)
    assert (swath.placed == 1).all()
    assert np.sqrt((off**2).mean()) < 0.01
    assert np.hypot(swath.sigma_along_m, swath.sigma_across_m).max() < 0.02


def test_the_sigma_along_grows_with_the_arm_times_the_heading_s() -> None:
    """sigma along = hypot(of C, sigma of heading x distance from C); across does not grow."""
    lot = make()
    trajectory = builders.true_trajectory(lot)
    swath = place(lot, replace(trajectory, knot_sigma_heading_deg=np.full(len(trajectory.knot_piece), 1.0)))
    expected = np.hypot(0.01, np.radians(1.0) * swath.spot_right_m[100])
    assert swath.sigma_along_m[100] == pytest.approx(expected, rel=1e-5)
    assert swath.sigma_across_m[100] == pytest.approx(np.full(len(expected), 0.01), rel=1e-5)


def test_a_stretch_without_position_has_none_and_keeps_its_first_looks() -> None:
    """Where knots are not placed spots are NaN, lines stay counted, and the reader is told."""
    lot = make()
    trajectory = builders.true_trajectory(lot)
    kind = trajectory.knot_placed.copy()
    kind[(trajectory.knot_distance_m > 50) & (trajectory.knot_distance_m < 60)] = 0
    swath = place(lot, replace(trajectory, knot_placed=kind))
    lost = (swath.distance_m > 50.2) & (swath.distance_m < 59.8)
    assert np.isnan(swath.easting_m[lost]).all()
    assert (swath.placed[lost] == 0).all()
    assert swath.first_look[lost].all()
    assert "lines_without_position" in {doubt.kind for doubt in swath.doubts}


def test_by_wheel_is_carried_to_the_lines() -> None:
    """Lines in an outage say that the wheel placed them."""
    lot = make(gnss=Gnss(episodes=(Episode("outage", 60.0, 90.0),)))
    swath = place(lot)
    inside = (swath.distance_m > 61) & (swath.distance_m < 89)
    assert (swath.placed[inside] == 2).all()
    assert (swath.placed[swath.distance_m < 59] == 1).all()


def test_bad_spots_are_named_and_a_streak_is_not_one() -> None:
    """Dead, stuck and biased columns are found in the noise of a lot; nothing else is."""
    faults = (SpotFault(5, "dead"), SpotFault(12, "stuck", 141.0), SpotFault(20, "biased", 9.0))
    swath = place(make(mat=Mat(faults=faults)))
    assert np.flatnonzero(swath.bad_spot[0] & swath.used_spot).tolist() == [4, 11, 19]
    assert "5, 12, 20" in next(doubt.text for doubt in swath.doubts if doubt.kind == "bad_spot")
    assert not place(make()).bad_spot[:, swath.used_spot].any()


def test_a_scan_that_misses_the_mat_is_refused() -> None:
    """A mat narrower than a pitch leaves no whole spot on it; the message says what to check."""
    lot = make()
    _, rig, _ = sections(lot.plan)
    scanner = config.ScannerSection.model_validate(
        {"spots_right": {"first": "-2 m", "last": "2 m"}, "mat_left": "1.95 m", "mat_right": "2.05 m"}
    )
    with pytest.raises(ConfigError, match="no spot lies on the mat"):
        georeference_scan(builders.true_inputs(lot).scan, builders.true_trajectory(lot), rig, scanner)


def test_part_of_the_scan_is_placed_bit_for_bit_as_in_the_whole() -> None:
    """Lines do not depend on which others are placed with them: two lots of one log share their spots."""
    lot = make(passes=(PassPlan(stops=(Stop(60.0, 60.0),)),))
    scan, trajectory = builders.true_inputs(lot).scan, builders.true_trajectory(lot)
    _, rig, scanner = sections(lot.plan)
    whole = georeference_scan(scan, trajectory, rig, scanner)
    part = slice(400, 1500)
    cut = replace(scan, time_utc=scan.time_utc[part], line=scan.line[part], temp_c=scan.temp_c[part])
    half = georeference_scan(cut, trajectory, rig, scanner)
    for name in ("easting_m", "northing_m", "sigma_along_m", "laid_utc", "distance_m"):
        assert getattr(half, name).tobytes() == getattr(whole, name)[part].tobytes()
