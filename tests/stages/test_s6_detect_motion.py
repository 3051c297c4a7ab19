"""Stops and speed segments against planted truth."""

from __future__ import annotations

import numpy as np
import pytest

import builders
import finding
from thermosaic import synthetic
from thermosaic.synthetic import BackUp, LotPlan, Mat, PassPlan, Scanner, Stop, Wheel

SECOND = np.timedelta64(1, "s")
SPEEDS = ((0.0, 0.08), (35.0, 0.12), (80.0, 0.09), (130.0, 0.16))


def _lot(passes: PassPlan, **changes) -> synthetic.SyntheticLot:
    return synthetic.make_lot(LotPlan(passes=(passes,), **changes))


def _pairs(lot, stops):
    """Pair the true stops of the plan with the stops found, which must be as many."""
    true = sorted(lot.truth.stops, key=lambda stop: stop.start_utc)
    assert len(stops) == len(true)
    return zip(true, stops.itertuples(), strict=True)


@pytest.mark.parametrize("direction", ["upstation", "downstation"])
@pytest.mark.parametrize(
    ("rows_pause", "bar_s"), [(False, 1.5), (True, 5.0)], ids=["rows go on", "rows pause"]
)
def test_stops_are_met_in_time_and_place(direction, rows_pause, bar_s):
    """Stops of 15 s to 20 min, with and without rows: start, end, place; none missed, none invented."""
    durations = (15.0, 22.0, 90.0, 300.0, 1200.0)
    stops = tuple(Stop(25.0 + 32.0 * i, duration) for i, duration in enumerate(durations))
    lot = _lot(PassPlan(direction, stops=stops, speeds=SPEEDS), scanner=Scanner(rows_pause=rows_pause))
    found = finding.find(lot)
    for true, given in _pairs(lot, found.frames["stops"]):
        assert abs(given.start_utc - true.start_utc) <= bar_s * SECOND
        assert abs(given.end_utc - true.end_utc) <= bar_s * SECOND
        assert given.duration_s == pytest.approx((true.end_utc - true.start_utc) / SECOND, abs=2 * bar_s)
        assert given.station_m == pytest.approx(true.station_m, abs=0.05)
        assert given.station_from_m < given.station_m < given.station_to_m
        assert given.geometry.area == pytest.approx(0.6 * 3.6, rel=0.02)


def test_a_coarse_noisy_wheel_neither_chops_nor_invents_stops():
    """A counter of 2 cm with 3 mm of noise: the same stops."""
    stops = (Stop(40.0, 60.0), Stop(100.0, 20.0))
    lot = _lot(PassPlan(stops=stops, speeds=((0.0, 0.06),)))
    path = builders.true_trajectory(lot)
    rng = np.random.default_rng(4)
    noisy = np.round((path.distance_m + rng.normal(0, 0.003, len(path.distance_m))) / 0.02) * 0.02
    found = finding.find(lot, trajectory={"distance_m": noisy})
    for true, given in _pairs(lot, found.frames["stops"]):
        assert abs(given.start_utc - true.start_utc) <= 1.5 * SECOND
        assert abs(given.end_utc - true.end_utc) <= 1.5 * SECOND


def test_creeping_within_a_stop_does_not_split_it():
    """0.1 m forward for 3 s between two stands of 40 s is one stop; 2 m between them makes two."""
    near, far = (_lot(PassPlan(stops=(Stop(60.0, 40.0), Stop(60.0 + apart, 40.0)))) for apart in (0.1, 2.0))
    one = finding.find(near).frames["stops"]
    assert len(one) == 1
    assert one["duration_s"].iloc[0] == pytest.approx(81.0, abs=2.0)
    assert len(finding.find(far).frames["stops"]) == 2


def test_standing_at_the_ends_of_a_pass_is_waiting():
    """Five minutes before the paver moves off are no stop of paving, but counted."""
    lot = _lot(PassPlan(stops=(Stop(60.0, 30.0),)))
    path = builders.true_trajectory(lot)
    before = path.time_utc[0] - np.arange(300, 0, -1) * np.timedelta64(1, "s")
    longer = {
        "time_utc": np.concatenate((before, path.time_utc)),
        "distance_m": np.concatenate((np.full(300, path.distance_m[0]), path.distance_m)),
        "reach_m": np.concatenate((np.full(300, path.reach_m[0]), path.reach_m)),
        "speed_mps": np.concatenate((np.zeros(300), path.speed_mps)),
        "pass_code": np.concatenate((np.zeros(300, np.int16), path.pass_code)),
    }
    found = finding.find(lot, trajectory=longer)
    assert len(found.frames["stops"]) == 1
    assert found.counts["waiting_at_ends_s"] == pytest.approx(300, abs=1.5)


def test_the_drop_across_the_stop_line_is_that_of_the_mat():
    """25 degC of colder mat from 0.3 m ahead of the line on: 0.7 of the metre after it, so 17.5 degC."""
    lot = _lot(PassPlan(stops=(Stop(60.0, 30.0),)), mat=Mat(texture_c=0.0, cooling_s=1e9))
    swath = builders.true_swath(lot)
    ahead = (swath.distance_m > 60.3) & (swath.distance_m <= 61.5)
    temp = np.where(ahead[:, None], swath.temp_c - np.float32(25), swath.temp_c)
    stop = finding.find(lot, swath={"temp_c": temp}).frames["stops"].iloc[0]
    assert stop["temp_drop_delta_c"] == pytest.approx(17.5, abs=0.6)


@pytest.mark.parametrize("direction", ["upstation", "downstation"])
def test_segments_change_where_the_speed_does(direction):
    """Edges within 2 m, mean within 1 %, no more segments than the plan has stretches."""
    lot = _lot(PassPlan(direction, speeds=SPEEDS, stops=(Stop(60.0, 45.0), Stop(150.0, 20.0))))
    segments = finding.find(lot).frames["speed_segments"]
    true = lot.truth.speeds
    assert len(segments) == len(true)
    at_m = np.concatenate(([0.0], np.cumsum(segments["length_m"])))
    for i, stretch in enumerate(true):
        assert at_m[i] == pytest.approx(stretch.from_m, abs=2.0)
        assert at_m[i + 1] == pytest.approx(stretch.to_m, abs=2.0)
        assert segments["speed_mean_mps"].iloc[i] == pytest.approx(stretch.speed_mps, rel=0.01)
        assert segments["speed_cv_frac"].iloc[i] < 0.05


def test_no_segment_spans_a_stop_and_all_moving_time_is_covered():
    """Segments and stops follow each other without overlap; their times add up to the pass's."""
    lot = _lot(PassPlan(speeds=SPEEDS, stops=(Stop(60.0, 45.0), Stop(150.0, 20.0))))
    frames = finding.find(lot).frames
    segments, stops = frames["speed_segments"], frames["stops"]
    for stop in stops.itertuples():
        assert ((segments["end_utc"] <= stop.start_utc) | (segments["start_utc"] >= stop.end_utc)).all()
    moving = ((segments["end_utc"] - segments["start_utc"]) / SECOND).sum()
    whole = (lot.truth.time_utc[-1] - lot.truth.time_utc[0]) / SECOND
    assert moving + stops["duration_s"].sum() == pytest.approx(whole, abs=0.01)


def test_unevenness_of_2_percent_makes_no_segments():
    """A speed that swings by 2 % around its mean stays one segment, with that variation in it."""
    lot = _lot(PassPlan())
    path = builders.true_trajectory(lot)
    seconds = (path.time_utc - path.time_utc[0]) / SECOND
    turn = 2 * np.pi / 83
    swing = path.distance_m + 0.1 * 0.02 * np.sqrt(2) / turn * np.sin(turn * seconds)
    segments = finding.find(lot, trajectory={"distance_m": swing}).frames["speed_segments"]
    assert len(segments) == 1
    assert segments["speed_cv_frac"].iloc[0] == pytest.approx(0.02, rel=0.1)


def test_a_back_up_counts_as_path():
    """1.5 m back and forth adds 3 m to the path and its time to the duration (design: ground path / time)."""
    lot = _lot(PassPlan(back_ups=(BackUp(90.0, 1.5),)), wheel=Wheel(counter_falls=True))
    segments = finding.find(lot).frames["speed_segments"]
    seconds = ((segments["end_utc"] - segments["start_utc"]) / SECOND).sum()
    path = (segments["speed_mean_mps"] * ((segments["end_utc"] - segments["start_utc"]) / SECOND)).sum()
    assert path == pytest.approx(180.0 + 3.0, abs=0.5)
    assert seconds == pytest.approx(path / 0.1 + 5.0, abs=15.0)
    assert segments["length_m"].sum() == pytest.approx(180.0, abs=0.1)
