"""Verdicts and their balance, and that all layers come in their declared form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely

import builders
import finding
from thermosaic import model, synthetic, tables
from thermosaic.synthetic import Exclude, LotPlan, Mat, PassPlan, Patch, Person, SpotFault, Stop

CODE = {word: code for code, word in enumerate(model.REASONS)}
FT = 0.3048
RULE = finding.rules()


@pytest.fixture(scope="module")
def busy() -> synthetic.SyntheticLot:
    """A lot with every reason in it that one pass can have."""
    mat = Mat(
        patches=(Patch(40.0, 2.0, 0.0, 1.5, 80.0), Patch(120.0, 2.0, 0.3, 1.2, 22.0)),
        people=(Person(70.0), Person(150.0, width_m=0.4)),
        faults=(SpotFault(9, "dead"),),
    )
    stops = (Stop(60.0, 90.0), Stop(110.0, 12.0))
    passes = (PassPlan(offset_m=0.4, stops=stops, right_edge="hot joint"),)
    return synthetic.make_lot(LotPlan(passes=passes, mat=mat, exclude=(Exclude(95.0, 103.0, "left"),)))


@pytest.fixture(scope="module")
def found(busy) -> model.Findings:
    return finding.find(busy)


def test_the_stage_opens_no_file(busy, found, no_files):
    """Findings come from nouns alone."""
    again = finding.find(busy, RULE)
    assert len(again.frames) == len(found.frames)


def test_layers_have_their_declared_columns_and_types(found):
    """Every layer of the tables is there, in metres without a CRS, empty ones with the same types."""
    empty = finding.find(builders.one_stop_lot()).frames
    assert set(found.frames) == set(tables.LAYER)
    for name, frame in found.frames.items():
        tables.LAYER[name].check(frame, dressed=False)
        assert frame.crs is None
        assert frame.dtypes.to_dict() == empty[name].dtypes.to_dict()
    assert len(empty["cold_zones"]) == 0


def test_every_reading_is_counted_once(busy, found):
    """lines x spots = rows + off_mat + no_position + outside_limits; rows = kept + dropped by reason."""
    counts = found.counts
    assert counts["lines"] * counts["spots"] == sum(
        counts[key] for key in ("rows", "off_mat", "no_position", "outside_limits")
    )
    assert counts["rows"] == counts["kept"] + sum(counts["dropped"].values()) == (found.reason >= 0).sum()
    by_layer = found.frames["dropped"].groupby("reason")["reading_count"].sum()
    assert by_layer.to_dict() == {word: number for word, number in counts["dropped"].items() if number}
    lot = found.frames["lot"].iloc[-1]
    assert lot["reading_kept_count"] == counts["kept"]
    assert lot["reading_kept_count"] + lot["reading_dropped_count"] == counts["rows"]
    profiles = found.frames["profiles"]
    assert profiles["reading_count"].sum() == counts["kept"]
    assert (profiles["reading_count"] + profiles["dropped_count"]).sum() == counts["rows"]


def test_reasons_are_where_the_rule_puts_them(busy, found):
    """Each reason is recomputed from the truth, reading by reading, in the order of precedence."""
    swath, stations = builders.true_swath(busy), builders.true_stations(busy)
    truth, rule = busy.truth, finding.rules()
    age_s = (swath.seen_utc - swath.laid_utc) / np.timedelta64(1, "s")
    distance, temp = swath.distance_m, swath.temp_c
    at_stop = np.zeros(len(distance), bool)
    for stop in truth.stops:
        screed = stop.distance_m + busy.plan.rig.screed_forward_m
        at_stop |= (distance > screed - 2 * FT) & (distance < screed + 8 * FT)
    left = swath.spot_right_m - swath.edges_m[:, :1] < 2 * FT - 1e-9  # free edge; the hot joint has no trim
    low, high = busy.plan.first_station_m + 95.0, busy.plan.first_station_m + 103.0
    station = stations.zero_m[0] + stations.frame_m
    conditions = {
        "no_reading": np.isnan(temp),
        "bad_spot": np.broadcast_to(swath.bad_spot[0], temp.shape),
        "second_look": np.broadcast_to(~swath.first_look[:, None], temp.shape),
        "aged_look": np.broadcast_to((age_s > 60.0)[:, None], temp.shape),
        "excluded": (station >= low) & (station < high) & (stations.offset_m < 0),
        "foreign": found.reason == CODE["foreign"],
        "start_up": np.broadcast_to((distance < 10 * FT)[:, None], temp.shape),
        "stop": np.broadcast_to(at_stop[:, None], temp.shape),
        "edge_trim": np.broadcast_to(left, temp.shape),
        "too_cold": temp < rule.window.lowest_c,
        "too_hot": temp > rule.window.highest_c,
    }
    expected = np.select(list(conditions.values()), [CODE[word] for word in conditions], 0)
    expected[~swath.on_mat] = model.NOT_A_ROW
    assert np.array_equal(found.reason, expected)
    seen = set(np.unique(found.reason))
    assert seen >= {
        CODE[w] for w in conditions if w not in ("bad_spot", "too_hot")
    }  # dead spots read nothing


def test_people_are_foreign_and_little_else_is(busy, found):
    """Every reading of a person is marked, and besides only a rim of two lines and one spot."""
    person = busy.truth.foreign & builders.true_swath(busy).first_look[:, None] & (found.reason > 0)
    person &= ~np.isnan(builders.true_swath(busy).temp_c)
    marked = found.reason == CODE["foreign"]
    earlier = (found.reason > 0) & (found.reason < CODE["foreign"])
    assert np.array_equal(person & ~earlier, person & marked)
    assert (marked & ~person).sum() <= 0.1 * marked.sum()
    assert found.counts["foreign_objects"] == 2


def test_a_cold_lump_is_cut_from_the_statistic_but_not_called_foreign(busy, found):
    """Mat at 65 degC is below the window of 170 degF, above what counts as not mat: too_cold, and a zone."""
    swath = builders.true_swath(busy)
    lump = (np.abs(swath.distance_m - 40.0) < 0.8)[:, None] & (np.abs(swath.spot_right_m) < 0.5)
    lump &= ~np.isnan(swath.temp_c)
    assert set(np.unique(found.reason[lump])) == {CODE["too_cold"]}
    zone = max(busy.truth.zones, key=lambda zone: zone.deficit_c)
    assert finding.best_overlap(zone.polygon, found.frames["cold_zones"].geometry) > 0.5


def test_exclusion_polygons_take_the_readings_inside(busy):
    """A polygon excludes what shapely says lies in it."""
    swath = builders.true_swath(busy)
    middle = np.argmin(np.abs(swath.distance_m - 130.0))
    circle = shapely.Point(swath.easting_m[middle, 14], swath.northing_m[middle, 14]).buffer(2.5)
    found = finding.find(busy, inputs={"exclusions": (model.Exclusion("manhole", polygon=circle),)})
    inside = shapely.contains_xy(circle, swath.easting_m, swath.northing_m) & swath.on_mat
    earlier = (found.reason > 0) & (found.reason < CODE["excluded"])
    assert np.array_equal((found.reason == CODE["excluded"]), inside & ~earlier)
    assert inside.sum() > 1000


def test_limits_and_gaps_leave_rows_out_and_still_balance(busy):
    """Readings outside the limits, without position, or in no pass are no rows, and each is counted once."""
    swath, stations = builders.true_swath(busy), builders.true_stations(busy)
    place = swath.placed.copy()
    gone = (swath.distance_m > 80) & (swath.distance_m < 95)
    place[gone] = 0
    nowhere = {
        name: np.where(gone[:, None], np.nan, getattr(swath, name))
        for name in ("easting_m", "northing_m", "edge_easting_m", "edge_northing_m")
    }
    code = np.where(swath.distance_m < 5, -1, swath.pass_code).astype(np.int16)
    inside = stations.inside & (stations.frame_m < busy.plan.first_station_m + 150)
    found = finding.find(
        busy,
        swath={"placed": place, "pass_code": code, **nowhere},
        stations={"inside": inside, "frame_m": np.where(gone[:, None], np.nan, stations.frame_m)},
    )
    counts = found.counts
    parts = [counts[key] for key in ("rows", "off_mat", "no_position", "outside_limits")]
    assert sum(parts) == counts["lines"] * counts["spots"]
    assert all(parts)
    assert counts["no_position"] == (gone[:, None] & swath.on_mat).sum()
    gap = found.frames["gaps"]
    assert gap["kind"].tolist() == ["no_fix"]
    assert gap["length_m"].iloc[0] == pytest.approx(15.0, abs=0.2)
    assert gap.geometry.iloc[0].area == pytest.approx(15.0 * 3.6, rel=0.02)
    assert found.frames["lot"]["unmeasured_m"].iloc[-1] == pytest.approx(15.0, abs=0.2)


def test_an_open_end_is_a_gap_without_geometry_and_its_profile_is_insufficient(busy):
    """Lines without position at the end of a log: the gap has no outline, the profile there stays a row."""
    swath, stations = builders.true_swath(busy), builders.true_stations(busy)
    gone = swath.distance_m > 137
    found = finding.find(
        busy,
        swath={"placed": np.where(gone, 0, swath.placed).astype(np.int8)},
        stations={"frame_m": np.where(gone[:, None], np.nan, stations.frame_m)},
    )
    gap, profiles = found.frames["gaps"].iloc[0], found.frames["profiles"]
    assert gap.geometry.is_empty
    assert gap["length_m"] == pytest.approx(43.0, abs=0.2)
    assert len(profiles) == 4
    assert profiles["profile_class"].iloc[-1] == "insufficient"
    assert profiles["placed"].tolist()[-1] is None
    assert profiles["length_m"].sum() == pytest.approx(found.frames["lot"]["paved_m"].iloc[-1])
    assert any(doubt.kind == "insufficient_profiles" for doubt in found.doubts)


def test_a_hole_in_the_scan_is_a_gap_by_the_wheel():
    """3.5 m without scan lines while the wheel went on: `no_scan`, with the wheel's length."""
    lot = builders.one_stop_lot()
    swath = builders.true_swath(lot)
    keep = (swath.distance_m < 100) | (swath.distance_m > 103.5)
    found = _without_lines(lot, keep)
    gap = found.frames["gaps"]
    assert gap["kind"].tolist() == ["no_scan"]
    assert gap["length_m"].iloc[0] == pytest.approx(3.5, abs=0.06)


def _without_lines(lot, keep) -> model.Findings:
    swath, stations = builders.true_swath(lot), builders.true_stations(lot)
    lines = {
        item: getattr(swath, item)[keep]
        for item in swath.__dataclass_fields__
        if isinstance(getattr(swath, item), np.ndarray) and len(getattr(swath, item)) == len(keep)
    }
    rows = ("frame_m", "offset_m", "line_frame_m", "line_offset_m", "inside")
    return finding.find(lot, swath=lines, stations={name: getattr(stations, name)[keep] for name in rows})


def test_a_stretch_without_warm_mat_is_not_paving():
    """30 m over cold road inside a pass: named, no zone, no foreign object, and no profile class there."""
    lot = builders.one_stop_lot()
    swath = builders.true_swath(lot)
    cold = (swath.distance_m > 100) & (swath.distance_m < 130)
    found = finding.find(lot, swath={"temp_c": np.where(cold[:, None], np.float32(25), swath.temp_c)})
    gap = found.frames["gaps"]
    assert gap["kind"].tolist() == ["not_paving"]
    assert gap["length_m"].iloc[0] == pytest.approx(30.0, abs=0.1)
    assert len(found.frames["cold_zones"]) == 0
    assert found.counts["foreign_objects"] == 0
    assert "insufficient" in set(found.frames["profiles"]["profile_class"])


def test_the_outline_of_the_mat_has_the_ground_area_of_the_truth(busy, found):
    """Length times width on the ground, though the map's scale differs; dropped cells tile within it."""
    mat = found.frames["mat"].iloc[0]
    length = busy.truth.distance_m[-1] - busy.truth.distance_m[0]
    assert mat["area_m2"] == pytest.approx(length * 3.6, rel=1e-4)
    assert found.frames["paver_path"]["length_m"].iloc[0] == pytest.approx(length)
    outline = mat.geometry.buffer(0.01)
    assert all(outline.contains(shape) for shape in found.frames["dropped"].geometry)


def test_ticks_stand_on_whole_stations_of_the_line():
    """Every 100 ft of the alignment, on it, with its azimuth upstation, whichever way the paver went."""
    lot = builders.us_curve_lot()
    ticks = finding.find(lot).frames["station_ticks"]
    assert np.allclose(ticks["station_m"] / 30.48, np.round(ticks["station_m"] / 30.48))
    line = builders.true_alignment(lot)
    path = shapely.LineString(np.column_stack((line.easting_m, line.northing_m)))
    assert max(path.distance(point) for point in ticks.geometry) < 1e-6
    along = np.array([path.project(point) for point in ticks.geometry])
    behind, ahead = (
        shapely.get_coordinates(shapely.line_interpolate_point(path, along + s)) for s in (-0.2, 0.2)
    )
    assert np.allclose(ticks["azimuth_deg"], np.degrees(np.arctan2(*(ahead - behind).T)) % 360, atol=0.2)


def test_two_passes_each_have_their_own_layers_and_one_lot_row():
    """A row a pass and one for the lot; profiles, stops and zones are numbered through."""
    found = finding.find(builders.two_lane_southern())
    lot = found.frames["lot"]
    assert [value if isinstance(value, str) else None for value in lot["pass_id"]] == ["1", "2", None]
    assert lot["travel"].tolist()[:2] == ["upstation", "downstation"]
    for column in ("paved_m", "area_m2", "reading_kept_count", "profile_count", "zone_count", "stopped_s"):
        assert lot[column].iloc[2] == pytest.approx(lot[column].iloc[:2].sum())
    assert found.frames["profiles"]["profile_id"].tolist() == list(range(1, 10))
    assert found.frames["stops"]["stop_id"].tolist() == [1, 2]


def test_the_same_lot_gives_the_same_findings(busy, found):
    """Nothing depends on clock, order of hashing or chance."""
    again = finding.find(busy)
    for name, frame in found.frames.items():
        pd.testing.assert_frame_equal(pd.DataFrame(frame), pd.DataFrame(again.frames[name]))
    assert again.counts == found.counts


def test_a_lot_without_lines_in_its_pass_gives_empty_layers(busy):
    """All lines outside the limits: no rows, no findings, still every layer."""
    stations = builders.true_stations(busy)
    found = finding.find(busy, stations={"inside": np.zeros_like(stations.inside)})
    assert all(len(frame) == 0 for frame in found.frames.values())
    assert found.counts["rows"] == 0
    assert replace(found).doubts == ()
