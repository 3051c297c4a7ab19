"""Profiles: every number recomputed by pandas from the readings as published, classes at their edges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pyproj
import pytest

import builders
import finding
from thermosaic import model, synthetic
from thermosaic.datum import Operation
from thermosaic.errors import ConfigError
from thermosaic.findings.classes import class_rank, judge
from thermosaic.synthetic import Episode, Exclude, Gnss, LotPlan, Mat, PassPlan, Patch, Stop
from thermosaic.units import StationEquation

FT, F = 0.3048, 1 / 1.8
METHODS = {"R-6": "weibull", "R-7": "linear"}


def _lots() -> dict[str, synthetic.SyntheticLot]:
    patches = (
        Patch(30.0, 3.0, 0.2, 2.5, 24.0),
        Patch(75.0, 4.0, -0.4, 2.5, 35.0),
        Patch(120.0, 3.0, 0, 3.0, 80.0),
    )
    mat = Mat(patches=patches, texture_c=2.0)
    passes = (PassPlan(stops=(Stop(60.0, 90.0),), left_edge="cold joint", right_edge="hot joint"),)
    return {
        "mark": synthetic.make_lot(LotPlan(passes=passes, mat=mat, alignment=False)),
        "excluded": synthetic.make_lot(LotPlan(passes=passes, mat=mat, exclude=(Exclude(100.0, 118.0),))),
        "curve": builders.us_curve_lot(),
        "lanes": builders.two_lane_southern(),
    }


LOTS = _lots()


def _recomputed(rows: pd.DataFrame, profile: pd.Series, zero_m: float, rule) -> dict[str, object]:
    """Numbers of one profile from the published readings and the frame's zero alone."""
    mine = rows[(rows.station_m >= profile.station_from_m) & (rows.station_m < profile.station_to_m)]
    kept = mine[mine.reason == ""]
    cell = rule.statistic.cell_m
    sample = kept.temp_c
    if rule.statistic.sample == "cell_mean":
        frame_m = np.round(kept.station_m - zero_m, 6)
        keys = [np.floor(frame_m / cell).rename("col"), np.floor(kept.offset_m / cell).rename("row")]
        sample = kept.groupby(keys).temp_c.mean()
    low, high = np.percentile(sample, [1.0, 98.5], method=METHODS[rule.statistic.percentile_method])
    tenths = np.round((high - low) * 1.8 * 10)
    return {
        "reading_count": len(kept),
        "dropped_count": len(mine) - len(kept),
        "dropped_low_count": (mine.reason == "too_cold").sum(),
        "excluded_frac": (mine.reason == "excluded").mean(),
        "low_c": low,
        "high_c": high,
        "differential_delta_c": high - low,
        "mean_c": sample.mean(),
        "sd_delta_c": sample.std(),
        "share_cold_frac": (sample < sample.mean() - rule.zone.drop_delta_c).mean(),
        "profile_class": "none" if tenths <= 250 else "moderate" if tenths <= 500 else "severe",
        "margin_delta_c": min(abs(high - low - 25 * F), abs(high - low - 50 * F)),
        "borderline": min(abs(high - low - 25 * F), abs(high - low - 50 * F)) <= 4 * F,
    }


@pytest.mark.parametrize("sample", ["cell_mean", "reading"])
@pytest.mark.parametrize("method", ["R-6", "R-7"])
@pytest.mark.parametrize("name", list(LOTS))
def test_every_number_equals_a_pandas_recomputation(name, method, sample):
    """Counts, percentiles, mean, sd, share, class, margin follow from the readings and the zero alone."""
    lot, rule = LOTS[name], finding.rules(statistic={"percentile_method": method, "sample": sample})
    found, stations = finding.find(lot, rule), builders.true_stations(lot)
    rows, profiles = finding.spots(lot, found), found.frames["profiles"]
    ids = [item.id for item in builders.true_passes(lot)]
    for profile in profiles.itertuples():
        code = ids.index(profile.pass_id)
        mine = rows[rows.pass_code == code]
        expected = _recomputed(mine, pd.Series(profile._asdict()), stations.zero_m[code], rule)
        for key, value in expected.items():
            given = getattr(profile, key)
            assert given == value if isinstance(value, str) else given == pytest.approx(value, abs=1e-9), key
    assert profiles[["reading_count", "dropped_count"]].to_numpy().sum() == len(rows)
    assert (profiles["profile_class"] != "insufficient").all()


def test_all_classes_occur_in_these_lots():
    """The recomputation above has seen each class word of the rule."""
    profiles = [finding.find(lot).frames["profiles"] for lot in LOTS.values()]
    words = {word for frame in profiles for word in frame["profile_class"]}
    assert words == {"none", "moderate", "severe"}


@pytest.mark.parametrize(
    ("differential_f", "word"),
    [(0, "none"), (25.0, "none"), (25.04, "none"), (25.06, "moderate"), (25.1, "moderate"),
     (50.0, "moderate"), (50.04, "moderate"), (50.06, "severe"), (90, "severe")],
)  # fmt: skip
def test_class_limits_are_inclusive_in_their_own_unit(differential_f, word):
    """Exactly 25.0 degF is not moderate, exactly 50.0 degF is (TxDOT Pavement Manual 7.5).

    Rounding to 0.1 degF before: common practice, no source.
    """
    classes = finding.rules().classes
    assert classes.words[class_rank(differential_f * F, classes)].word == word
    readings = np.array([140.0 - differential_f * F, 140.0]).astype(np.float32).astype(float)
    whole = finding.rules(statistic={"kind": "max_minus_min"})
    assert judge(readings, np.empty(2), whole.statistic, classes).word == word


def test_a_published_pair_of_temperatures_is_severe():
    """Spots of 212 degF in a mat of 285 degF: 73 degF, severe (IRISE technology scan, p. 26)."""
    rule = finding.rules(statistic={"kind": "max_minus_min"})
    found = judge((np.array([212.0, 285.0]) - 32) * F, np.empty(2), rule.statistic, rule.classes)
    assert found.differential_delta_c / F == pytest.approx(73.0)
    assert found.word == "severe"


def test_other_statistics_do_what_their_name_says():
    """Range, deficit below the laydown target, and share colder than 90 % of a running mean, by hand."""
    values, running = np.array([100.0, 130.0, 140.0, 150.0]), np.full(4, 140.0)
    classes = finding.rules().classes
    whole = finding.rules(statistic={"kind": "max_minus_min"}).statistic
    assert judge(values, running, whole, classes).differential_delta_c == 50.0
    target = finding.rules(statistic={"kind": "below_target", "low_percentile": 0.0}).statistic
    found = judge(values, running, target, classes, 155.0)
    assert (found.low_c, found.high_c, found.differential_delta_c) == (100.0, 155.0, 55.0)
    with pytest.raises(ConfigError, match="laydown_target"):
        judge(values, running, target, classes)
    share = finding.rules(statistic={"kind": "share_below_reference", "reference_frac": 0.95}).statistic
    words = tuple(
        word.model_copy(update={"up_to_delta_c": None, "up_to_frac": limit})
        for word, limit in zip(classes.words, (0.25, 0.6, None), strict=True)
    )
    shares = classes.model_copy(update={"rounded_to_delta_c": None, "rounded_to_frac": 0.01, "words": words})
    found = judge(values, running, share, shares)
    assert (found.share_frac, found.word) == (0.5, "moderate")  # 100 and 130 are below 133
    assert np.isnan(found.differential_delta_c)


def test_the_grid_begins_at_the_pass_and_a_short_rest_joins_the_last_profile():
    """Cuts lie at whole 150 ft of ground path; a rest under 75 ft joins, a longer one stands alone."""
    for length, expected in ((180.0, [150, 150, 150, 590.55 - 450]), (150.0, [150, 150, 492.13 - 300])):
        plan = LotPlan(road=(synthetic.straight(length + 20.0),), alignment=False)
        profiles = finding.find(synthetic.make_lot(plan)).frames["profiles"]
        assert profiles["length_m"].to_numpy() / FT == pytest.approx(expected, abs=0.2)


def test_correcting_a_mark_moves_stations_and_nothing_else():
    """37.5 m on the mark: stations follow; cuts, counts, classes and positions stay bit for bit."""
    lot = LOTS["mark"]
    found = finding.find(lot).frames
    zero = builders.true_stations(lot).zero_m
    moved = finding.find(lot, stations={"zero_m": zero + 37.5}).frames
    for name in ("profiles", "cold_zones", "stops", "speed_segments"):
        stations = [column for column in found[name] if column.startswith("station_")]
        pd.testing.assert_frame_equal(
            pd.DataFrame(found[name].drop(columns=stations)), pd.DataFrame(moved[name].drop(columns=stations))
        )
        assert np.allclose(found[name][stations] + 37.5, moved[name][stations])


def test_whole_stations_cut_where_the_labels_are_round():
    """With anchor whole_station inner cuts are multiples of the length; without alignment it is refused."""
    rule = finding.rules("differential-50m", profile={"anchor": "whole_station"})
    profiles = finding.find(LOTS["curve"], rule).frames["profiles"]
    inner = np.sort(np.r_[profiles["station_from_m"], profiles["station_to_m"]])[1:-1]
    assert np.allclose(inner / rule.profile.length_m, np.round(inner / rule.profile.length_m))
    with pytest.raises(ConfigError, match="alignment"):
        finding.find(LOTS["mark"], rule)


@pytest.mark.parametrize(
    "jump_m", [100.0, -100.0, 13.0, -13.0], ids=["gap", "overlap", "short gap", "short overlap"]
)
def test_whole_stations_are_those_of_the_labels_across_an_equation(jump_m):
    """Ahead = back + 100 m (a gap) or - 100 m (an overlap; both cases of a road manual): cuts stand at whole labels.

    No profile is shorter than the rule's shortest, and all readings are still in one profile each.
    """
    lot = LOTS["curve"]
    road = builders.true_alignment(lot)
    rule = finding.rules("differential-50m", profile={"anchor": "whole_station"})
    plain = finding.find(lot, rule).frames["profiles"]
    at_m = float(plain["station_from_m"].min() + 62.0)
    equation = StationEquation(at_m, at_m + jump_m)
    road = replace(road, equations=(equation,))
    found = finding.find(lot, rule, inputs={"alignment": road})
    profiles = found.frames["profiles"]
    inner = np.unique(np.r_[profiles["station_from_m"], profiles["station_to_m"]])[1:-1]
    label = np.where(inner >= at_m, inner + jump_m, inner) / rule.profile.length_m
    assert np.allclose(label, np.round(label), atol=1e-6)
    assert (inner > at_m).any()
    assert (
        profiles["length_m"].iloc[1:-1].min() > rule.profile.remainder_from_m * 0.98
    )  # ground, beside a curve
    assert profiles[["reading_count", "dropped_count"]].to_numpy().sum() == found.counts["rows"]


def test_restart_begins_a_new_grid_behind_an_exclusion():
    """The stretch left out belongs to no profile; the grid begins anew where it ends."""
    rule = finding.rules(profile={"across_exclusion": "restart"})
    lot = LOTS["excluded"]
    found = finding.find(lot, rule)
    profiles = found.frames["profiles"]
    end = lot.plan.first_station_m + 118.0
    assert np.isclose(profiles["station_from_m"], end).sum() == 1
    assert profiles["excluded_frac"].max() == 0
    rows = finding.spots(lot, found)
    assert profiles["reading_count"].sum() == (rows.reason == "").sum()


def test_excluded_cells_are_out_of_scope_and_lost_ones_are_not():
    """18 m excluded leave coverage at 1; 18 m of dead readings take it down, to insufficient."""
    lot = synthetic.make_lot(LotPlan(exclude=(Exclude(100.0, 118.0),)))
    whole = finding.find(lot).frames["profiles"]
    assert whole["coverage_frac"].min() > 0.99
    assert whole["excluded_frac"].max() > 0.15
    swath = builders.true_swath(lot)
    lost = (swath.distance_m > 140) & (swath.distance_m < 158)
    blind = finding.find(lot, swath={"temp_c": np.where(lost[:, None], np.float32(np.nan), swath.temp_c)})
    last = blind.frames["profiles"].iloc[-1]
    assert last["coverage_frac"] == pytest.approx(1 - 18 / last["length_m"], abs=0.01)
    assert last["profile_class"] == "insufficient"
    assert pd.isna(last["class_rank"])


def test_agreement_is_the_share_of_other_placements():
    """One deep patch at a profile's middle: placements that keep it agree; the closed form counts them."""
    patch = Mat(patches=(Patch(68.58, 3.0, 0.0, 3.0, 40.0),), texture_c=0.3)
    lot = synthetic.make_lot(LotPlan(alignment=False, mat=patch))
    profiles = finding.find(lot).frames["profiles"]
    assert profiles["profile_class"].tolist() == ["none", "severe", "none", "none"]
    assert (
        profiles["class_agree_frac"].iloc[1] == 1.0
    )  # slid by half its length at most: the patch stays within
    first = profiles.iloc[0]  # slides forward only; the patch's 67.1 m is 21.4 m beyond its end at 45.72 m
    slides = np.arange(1, 11) / 20 * 45.72
    assert first["class_agree_frac"] == pytest.approx((slides < 21.4).mean(), abs=0.11)


def test_stops_speed_and_times_of_a_profile_are_those_of_the_path():
    """The stop falls in the second profile, with its duration; speeds while moving are the plan's."""
    lot = LOTS["mark"]
    profiles = finding.find(lot).frames["profiles"]
    assert profiles["stop_count"].tolist() == [0, 1, 0, 0]
    assert profiles["stop_time_s"].iloc[1] == pytest.approx(90.0, abs=1.0)
    assert profiles["speed_mean_mps"].to_numpy() == pytest.approx(0.1, rel=0.01)
    assert (profiles["laid_from_utc"] < profiles["laid_to_utc"]).all()


def test_start_and_end_are_those_of_C_in_the_frame_of_the_fixes():
    """Longitude and latitude come back from the map by pyproj's own inverse, to a millimetre."""
    lot = LOTS["mark"]
    crs = pyproj.CRS(lot.plan.map_crs)
    forward = pyproj.Transformer.from_crs(lot.plan.fixes_crs, crs, always_xy=True)
    operation = Operation(
        "truth", 0.0, forward.definition, lot.plan.fixes_crs, lot.plan.map_crs, None
    ).as_dict()
    profiles = finding.find(lot, trajectory={"operation": operation}).frames["profiles"]
    truth = lot.truth
    for column, distance in (("start", 45.72), ("end", 91.44)):
        line = np.argmin(np.where(truth.first_look, np.abs(truth.distance_m - distance), 9))
        lon, lat = forward.transform(truth.easting_m[line], truth.northing_m[line], direction="INVERSE")
        geod = pyproj.Geod(ellps="GRS80")
        second = profiles.iloc[1]
        _, _, off = geod.inv(lon, lat, second[f"{column}_lon_deg"], second[f"{column}_lat_deg"])
        assert off == pytest.approx(abs(truth.distance_m[line] - distance), abs=2e-3)


def test_a_stretch_placed_by_wheel_makes_its_profile_partly():
    """20 m without fixes: the profile says so, and keeps its class."""
    lot = synthetic.make_lot(LotPlan(gnss=Gnss(episodes=(Episode("outage", 50.0, 70.0),))))
    profiles = finding.find(lot).frames["profiles"]
    assert profiles["placed"].tolist() == ["fixes", "partly", "fixes", "fixes"]


def test_zones_and_classes_know_nothing_of_each_other():
    """Without any edge trim, stop exclusion or cut the zones are the same; only profiles change."""
    lot = LOTS["mark"]
    bare = finding.rules(
        edge_trim={"free_m": 0.0, "cold_joint_m": 0.0, "kerb_m": 0.0},
        stop={"behind_m": 0.0, "ahead_m": 0.0},
        window={"lowest_c": 0.0},
    )
    one, other = finding.find(lot).frames, finding.find(lot, bare).frames
    columns = ["area_m2", "station_from_m", "deficit_max_delta_c", "pattern"]
    pd.testing.assert_frame_equal(
        pd.DataFrame(one["cold_zones"][columns]), pd.DataFrame(other["cold_zones"][columns])
    )
    assert not one["profiles"]["low_c"].equals(other["profiles"]["low_c"])


def test_limits_begin_the_grid_at_the_lots_own_first_line():
    """A lot cut out of a log by limits has its first profile at its own beginning, and no start-up there."""
    lot = LOTS["mark"]
    stations = builders.true_stations(lot)
    found = finding.find(lot, stations={"inside": stations.inside & (stations.frame_m >= 50.0)})
    profiles = found.frames["profiles"]
    assert profiles["station_from_m"].iloc[0] == pytest.approx(lot.plan.first_station_m + 50.0, abs=0.03)
    assert profiles["length_m"].iloc[0] == pytest.approx(45.72)
    assert (found.reason == model.REASONS.index("start_up")).sum() == 0
    assert replace(found).counts["outside_limits"] > 0
