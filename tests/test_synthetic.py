"""The synthetic lot is what it says: geometry by pyproj and quadrature, files by independent readers."""

from __future__ import annotations

import io
import math
import tomllib
from dataclasses import replace
from functools import reduce

import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from scipy.integrate import quad

import builders
from thermosaic import synthetic
from thermosaic.opening import load_config
from thermosaic.synthetic import (
    BackUp,
    Episode,
    Gnss,
    LotPlan,
    Mat,
    PassPlan,
    Patch,
    Person,
    Scanner,
    SpotFault,
    Stop,
    SyntheticLot,
    Wheel,
    make_lot,
)

SHORT = (synthetic.straight(60.0),)


def short_lot(**changes: object) -> SyntheticLot:
    """Make 40 m of straight mat."""
    return make_lot(LotPlan(**{"road": SHORT, **changes}))


def sentences(lot: SyntheticLot, kind: str) -> list[list[str]]:
    """Return the fields of every sentence of a kind."""
    lines = lot.files["gnss.nmea"].decode("ascii").split("\r\n")
    return [line[1:-3].split(",") for line in lines if line[3:6] == kind]


# ------------------------------------------------------------------------------------------ geometry


def test_a_clothoid_is_the_integral_of_its_bearing():
    """Places on a clothoid agree with adaptive quadrature of (sin, cos) of its bearing, to 1 nm."""
    bend_from, bend_to, length = 1 / 90, -1 / 40, 37.0
    road = synthetic.Road((synthetic.clothoid(length, bend_from, bend_to),), 33.0)

    def bearing(s: float) -> float:
        return math.radians(33.0) + bend_from * s + (bend_to - bend_from) * s**2 / (2 * length)

    for s in (5.0, 20.0, length):
        east, north, at, *_ = (float(v[0]) for v in road.at(np.array([s])))
        assert east == pytest.approx(quad(lambda u: math.sin(bearing(u)), 0, s)[0], abs=1e-9)
        assert north == pytest.approx(quad(lambda u: math.cos(bearing(u)), 0, s)[0], abs=1e-9)
        assert at == pytest.approx(bearing(s), abs=1e-12)


def test_a_bend_is_an_arc_between_two_transitions():
    """A bend turns by its arc and half the curvature of each transition, and ends as straight as it began."""
    radius, angle, lead = 60.0, -40.0, 15.0
    road = synthetic.Road(synthetic.bend(radius, angle, lead), 90.0)
    begin, end = (road.at(np.array([s])) for s in (0.0, road.length_m))
    assert math.degrees(end[2][0]) == pytest.approx(90.0 + angle - math.degrees(lead / radius), abs=1e-9)
    assert (begin[3][0], end[3][0]) == pytest.approx((0.0, 0.0), abs=1e-12)


def test_an_arc_to_the_right_turns_clockwise():
    """A quarter circle to the right from due north ends one radius east and one north, heading east."""
    road = synthetic.Road((synthetic.arc(50.0, 90.0),), 0.0)
    east, north, bearing, bend, _ = (float(v[0]) for v in road.at(np.array([road.length_m])))
    assert (east, north) == pytest.approx((50.0, 50.0))
    assert math.degrees(bearing) == pytest.approx(90.0)
    assert bend == pytest.approx(1 / 50)


def test_pieces_join_without_a_kink():
    """Place, bearing and curvature run on across the joins of straight, clothoid and arc."""
    road = builders.one_bend_lot(gnss=Gnss(rate_hz=1)).site.road
    for join in road.starts_m[1:-1]:
        before, after = road.at(np.array([join - 1e-7])), road.at(np.array([join + 1e-7]))
        for left, right in zip(before[:4], after[:4], strict=True):
            assert abs(float(right[0] - left[0])) < 1e-6


def test_grid_scale_and_convergence_are_those_of_the_ellipsoid(lot):
    """Scale and convergence agree with geodesics of pyproj.Geod of 100 m through the lot's first point."""
    site, plan = lot.site, lot.plan
    geod = site.crs.get_geod()
    to_map = pyproj.Transformer.from_crs(plan.fixes_crs, plan.map_crs, always_xy=True)
    lon, lat, _ = geod.fwd(plan.start_lon_deg, plan.start_lat_deg, 0.0, 100.0)
    step = np.array(to_map.transform(lon, lat)) - np.array(
        to_map.transform(plan.start_lon_deg, plan.start_lat_deg)
    )
    elevation_factor = 6_371_000 / (6_371_000 + plan.gnss.height_m)
    assert site.grid_scale == pytest.approx(np.hypot(*step) / 100 * elevation_factor, abs=2e-8)
    assert -site.convergence_deg == pytest.approx(math.degrees(math.atan2(step[0], step[1])), abs=1e-3)


def test_ground_distance_is_the_geodesic_raised_to_the_mat(lot):
    """Distance of C adds up geodesics between its places, times (R + h) / R."""
    truth, plan = lot.truth, lot.plan
    keep = np.flatnonzero(truth.first_look)[::20]
    to_fixes = pyproj.Transformer.from_crs(plan.map_crs, plan.fixes_crs, always_xy=True)
    lon, lat = to_fixes.transform(truth.easting_m[keep], truth.northing_m[keep])
    geodesic = lot.site.crs.get_geod().line_length(lon, lat)
    raised = geodesic * (6_371_000 + plan.gnss.height_m) / 6_371_000
    assert raised == pytest.approx(truth.distance_m[keep[-1]] - truth.distance_m[keep[0]], rel=2e-6)


@pytest.mark.parametrize("direction", ["upstation", "downstation"])
def test_the_non_slip_point_follows_the_line_it_was_given(direction):
    """The body point `non_slip_forward` ahead of C keeps its offset and never slips sideways."""
    lot = builders.one_bend_lot(passes=(PassPlan(direction, offset_m=-1.7),), gnss=Gnss(rate_hz=1))
    motion = lot.motions[0]
    body = motion.body(np.linspace(0, motion.length_m, 4001))
    east, north = body.point(lot.plan.rig.non_slip_forward_m, 0.0)
    _, offset = lot.site.road.foot(east, north, body.along_m)
    assert np.max(np.abs(offset + 1.7)) < 1e-6
    course = np.arctan2(np.diff(east), np.diff(north))
    middle = np.interp(np.arange(4000) + 0.5, np.arange(4001), np.unwrap(body.heading))
    assert np.max(np.abs(np.angle(np.exp(1j * (course - middle))))) < 2e-4


def test_heading_obeys_the_signed_non_slip_model():
    """d(heading)/ds = sin(course - heading) / L holds for the antenna's course, L signed."""
    lot = builders.one_bend_lot(gnss=Gnss(rate_hz=1))
    rig, motion = lot.plan.rig, lot.motions[0]
    body = motion.body(np.linspace(0, motion.length_m, 20001))
    east, north = body.point(rig.antenna_forward_m, 0.0)
    course = np.arctan2(np.diff(east), np.diff(north))
    step = np.hypot(np.diff(east), np.diff(north))
    heading = np.unwrap(body.heading)
    lever = rig.antenna_forward_m - rig.non_slip_forward_m
    turn = np.diff(heading) / step
    assert np.max(np.abs(turn - np.sin(course - (heading[1:] + heading[:-1]) / 2) / lever)) < 1e-4


def test_stations_agree_with_shapely(lot):
    """Closed-form stations and offsets agree with shapely on an alignment sampled every 5 mm."""
    plan = LotPlan(**{**vars(lot.plan), "alignment_step_m": 0.005})
    line = shapely.LineString(np.column_stack(synthetic.alignment_vertices(plan, lot.site)[:2]))
    stations = builders.true_stations(lot)
    spots = np.s_[::97, ::9]
    points = shapely.points(lot.truth.spot_easting_m[spots], lot.truth.spot_northing_m[spots])
    station = plan.first_station_m + shapely.line_locate_point(line, points)
    assert np.max(np.abs(station - stations.frame_m[spots])) < 2e-4
    assert np.max(np.abs(shapely.distance(line, points) - np.abs(stations.offset_m[spots]))) < 1e-5


def test_offsets_are_right_looking_upstation():
    """Going downstation in the right lane, the driver's right is the smaller offset."""
    lot = short_lot(passes=(PassPlan("downstation", offset_m=1.9),))
    offset = builders.true_stations(lot).offset_m[10]
    assert offset[0] > offset[-1]
    assert np.all(np.diff(lot.truth.station_m) < 0)
    assert lot.truth.heading_deg[10] == pytest.approx(lot.plan.start_bearing_deg + 180)


def test_crab_and_weave_turn_the_body():
    """A crab angle adds to the heading; weave moves the body aside by its amplitude."""
    plain, crabbed = short_lot(), short_lot(crab_deg=0.3)
    assert np.allclose(crabbed.truth.heading_deg[:100] - plain.truth.heading_deg[:100], 0.3)
    weaving = short_lot(weave_m=0.03, weave_length_m=20.0)
    # C trails the non-slip point, so its own amplitude is within the lever's slope of the weave
    slope = 0.03 * 2 * math.pi / 20 * weaving.plan.rig.non_slip_forward_m
    assert 0.03 < np.ptp(weaving.truth.offset_m) / 2 < 0.03 + slope


def test_a_crab_angle_may_change_along_the_road():
    """A Gauss-Markov process (Gelb 1974, 2.2): after its length a correlation of 1/e is left, the spread keeps.

    The wheel still measures the way of C.
    """
    plan = LotPlan(road=(synthetic.straight(420.0),), scanner=Scanner(-1.5, 1.5, 4, rate_hz=0.1))
    course_deg = make_lot(plan).truth.heading_deg
    lots = [
        make_lot(replace(plan, seed=seed, crab_deg=0.3, crab_length_m=30.0, crab_sigma_deg=0.3))
        for seed in range(30)
    ]
    lines = np.searchsorted(lots[0].truth.distance_m, np.arange(60.0, 390.0, 15.0))
    crab = np.array([lot.truth.heading_deg[lines] - course_deg[lines] for lot in lots])
    assert crab.std() == pytest.approx(0.3, rel=0.1)
    assert np.mean(crab[:, 2:] * crab[:, :-2]) / crab.var() == pytest.approx(math.exp(-1), abs=0.1)
    truth = lots[0].truth
    steps = np.hypot(np.diff(truth.easting_m), np.diff(truth.northing_m))
    assert np.ptp(steps / np.diff(truth.distance_m)) < 1e-5  # one scale, the map's


# --------------------------------------------------------------------------------------------- time


def test_a_stop_holds_distance_and_a_back_up_falls():
    """The paver stands for the time stated; in a back-up distance falls while reach stays."""
    lot = short_lot(passes=(PassPlan(stops=(Stop(10.0, 30.0),), back_ups=(BackUp(20.0, 1.5),)),))
    stop = lot.truth.stops[0]
    assert (stop.end_utc - stop.start_utc) / np.timedelta64(1, "s") == pytest.approx(30.0)
    standing = (lot.truth.time_utc >= stop.start_utc) & (lot.truth.time_utc < stop.end_utc)
    assert np.ptp(lot.truth.distance_m[standing]) == 0
    assert np.all(lot.truth.speed_mps[standing] == 0)
    assert np.max(lot.truth.reach_m - lot.truth.distance_m) == pytest.approx(1.5, abs=0.05)
    assert np.all(np.diff(lot.truth.reach_m) >= 0)
    assert lot.truth.speed_mps.min() == pytest.approx(-0.1)


def test_first_look_and_age_after_a_stop():
    """Mat between line and screed ages while the paver stands; beyond it the age is way by speed."""
    lot = short_lot(passes=(PassPlan(stops=(Stop(10.0, 60.0),)),))
    truth, screed = lot.truth, lot.plan.rig.screed_forward_m
    aged = truth.first_look & (truth.distance_m > 10.0) & (truth.distance_m < 10.0 + screed)
    fresh = truth.first_look & (truth.distance_m > 10.05 + screed)
    assert np.all(truth.look_age_s[aged] > 60.0)
    assert np.allclose(truth.look_age_s[fresh], screed / 0.1)
    assert np.isnat(truth.laid_utc[truth.distance_m < screed - 0.05]).all()


def test_standing_looks_decline():
    """While the paver stands, the same strip reads colder from line to line."""
    lot = short_lot(passes=(PassPlan(stops=(Stop(10.0, 60.0),)),))
    standing = lot.truth.speed_mps == 0
    assert np.all(np.diff(lot.truth.temp_c[standing, 14]) < 0)


def test_rows_pause_when_asked():
    """With pausing rows no line is written while the paver stands."""
    passes = (PassPlan(stops=(Stop(10.0, 60.0),)),)
    assert np.all(short_lot(passes=passes, scanner=Scanner(rows_pause=True)).truth.speed_mps > 0)


def test_clock_offset_is_scan_minus_utc():
    """UTC = scan time - clock_offset, for lines and wheel rows."""
    lot = short_lot(scanner=Scanner(clock_offset_s=0.4))
    shift = np.timedelta64(400, "ms")
    assert np.all(lot.logged.scan_time_utc - shift == lot.truth.time_utc)
    assert np.all(lot.logged.wheel_time_utc - shift == lot.truth.time_utc)


# ---------------------------------------------------------------------------------------------- mat


def test_a_patch_is_cold_inside_its_outline_only():
    """Inside its outline a patch is colder by its deficit; half a metre away the mat is untouched."""
    patch = Patch(20.0, 2.0, 0.5, 1.0, 20.0)
    bare, cold = (short_lot(mat=Mat(patches=p, cooling_s=1e12)) for p in ((), (patch,)))
    drop = bare.truth.temp_c - cold.truth.temp_c
    zone = cold.truth.zones[0].polygon
    inside = shapely.contains_xy(zone.buffer(-0.11), cold.truth.spot_easting_m, cold.truth.spot_northing_m)
    outside = ~shapely.contains_xy(zone.buffer(0.11), cold.truth.spot_easting_m, cold.truth.spot_northing_m)
    assert inside.any()
    assert np.allclose(drop[inside], 20.0, atol=1e-6)
    assert np.allclose(drop[outside], 0.0)
    assert zone.area == pytest.approx(2.0 * cold.site.grid_scale**2, rel=1e-6)


def test_load_ends_repeat_at_the_load_length():
    """Cold load ends lie a load length apart and are all in the truth."""
    end = Patch(8.0, 1.5, 0.0, 2.0, 18.0)
    lot = short_lot(mat=Mat(load_length_m=9.0, load_end=end))
    middles = [(zone.from_m + zone.to_m) / 2 for zone in lot.truth.zones]
    assert np.allclose(np.diff(middles), 9.0)
    assert {zone.kind for zone in lot.truth.zones} == {"cyclic"}


def test_mat_after_a_stop_begins_where_the_screed_stood():
    """The first mat laid after a stop lies ahead of the screed's place, over the whole width."""
    lot = short_lot(passes=(PassPlan(stops=(Stop(15.0, 120.0),)),), mat=Mat(after_stop_c=16.0))
    zone = lot.truth.zones[0]
    assert zone.kind == "at_stop"
    assert zone.from_m == pytest.approx(15.0 + lot.plan.rig.screed_forward_m)


def test_person_and_faults_are_in_the_readings_not_in_the_truth():
    """A crossing person, a stuck and a dead spot change what is read; the truth stays the mat."""
    mat = Mat(people=(Person(15.0),), faults=(SpotFault(9, "stuck", 77.0), SpotFault(20, "dead")))
    lot = short_lot(mat=mat, scanner=Scanner(noise_c=0.0))
    read = lot.logged.temp_c
    assert lot.truth.foreign.any()
    assert np.allclose(read[lot.truth.foreign & (np.arange(28) != 8) & (np.arange(28) != 19)], 32.0)
    assert np.all(read[:, 8] == 77.0)
    assert np.isnan(read[:, 19]).all()
    assert lot.truth.temp_c[:, 2:26].min() > 100
    middles = [np.flatnonzero(row).mean() for row in lot.truth.foreign if row.any()]
    assert np.all(np.diff(middles) >= 0)
    assert middles[0] < 5
    assert middles[-1] > 22


def test_shoulder_spots_are_cold():
    """Spots beyond the mat's edges read the shoulder, a spot across the edge a mixture by width."""
    lot = short_lot(scanner=Scanner(mat_right_m=1.725))
    assert np.allclose(lot.truth.temp_c[:, [0, 1, 26, 27]], lot.plan.mat.shoulder_c)
    whole, half = lot.truth.temp_c[:, 24], lot.truth.temp_c[:, 25]
    assert np.all(half < 0.75 * whole)
    assert np.all(half > 0.45 * whole)


@pytest.mark.parametrize("coded", ["easting_m", "northing_m", "station_m"])
def test_coded_temperatures_give_the_place_back(coded):
    """In a coded lot (temperature - base) / gain + zero is the spot's own coordinate."""
    lot = short_lot(mat=Mat(coded=coded))
    truth = lot.truth
    place = (truth.temp_c - truth.code_base_c) / truth.code_gain + truth.code_zero
    own = builders.true_stations(lot).frame_m if coded == "station_m" else getattr(truth, f"spot_{coded}")
    assert np.allclose(place, own, atol=1e-6)


# ------------------------------------------------------------------------------------ wheel and fixes


def test_wheel_scale_is_true_length_by_wheel_length():
    """A wheel with scale 1.006 reads 1 / 1.006 of the ground; slip takes its share off a stretch."""
    lot = short_lot(wheel=Wheel(scale=1.006))
    assert np.ptp(lot.truth.distance_m) / np.ptp(lot.logged.wheel_m) == pytest.approx(1.006, rel=1e-4)
    slipping = short_lot(wheel=Wheel(slips=((0, 10.0, 20.0, 0.05),)))
    assert np.ptp(lot.truth.distance_m) - np.ptp(slipping.logged.wheel_m) == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(("falls", "extra"), [(True, 0.0), (False, 3.0)])
def test_counter_in_a_back_up(falls, extra):
    """In a back-up of 1.5 m a falling counter ends level, a rising one counts 3 m more."""
    lot = short_lot(passes=(PassPlan(back_ups=(BackUp(20.0, 1.5),)),), wheel=Wheel(counter_falls=falls))
    assert np.ptp(lot.logged.wheel_m) - np.ptp(lot.truth.distance_m) == pytest.approx(extra, abs=0.005)
    assert bool(np.any(np.diff(lot.logged.wheel_m) < 0)) is falls


def test_fixes_scatter_about_the_antenna(lot):
    """Fixes turned back to the map lie about the antenna with the stated sigma, without a bias."""
    truth, logged = lot.truth, lot.logged
    to_map = pyproj.Transformer.from_crs(lot.plan.fixes_crs, lot.plan.map_crs, always_xy=True)
    easting, northing = to_map.transform(logged.lon_deg, logged.lat_deg)
    error = np.stack([easting - truth.fix_easting_m, northing - truth.fix_northing_m])
    count = error.shape[1]
    assert np.all(np.abs(error.mean(axis=1)) < 4 * 0.01 / math.sqrt(count))
    assert np.allclose(error.std(axis=1), 0.01, rtol=4 / math.sqrt(2 * count))


def test_the_antenna_is_where_the_rig_says():
    """On a straight road heading 70 degrees the antenna is `forward` ahead and to the left of C."""
    lot = short_lot(gnss=Gnss(rate_hz=4.0))
    bearing, rig = math.radians(lot.plan.start_bearing_deg), lot.plan.rig
    east = (lot.truth.fix_easting_m - lot.truth.easting_m)[50] / lot.site.grid_scale
    north = (lot.truth.fix_northing_m - lot.truth.northing_m)[50] / lot.site.grid_scale
    assert east * math.sin(bearing) + north * math.cos(bearing) == pytest.approx(rig.antenna_forward_m)
    assert east * math.cos(bearing) - north * math.sin(bearing) == pytest.approx(rig.antenna_right_m)


def test_cross_slope_tilts_the_antenna_downhill():
    """A fall of 2 % to the right moves an antenna 3.35 m up by 67 mm to the right, travelling upstation."""
    level, sloping = (short_lot(gnss=Gnss(cross_slope_frac=slope)) for slope in (0.0, 0.02))
    bearing = math.radians(level.plan.start_bearing_deg)
    east = sloping.truth.fix_easting_m - level.truth.fix_easting_m
    north = sloping.truth.fix_northing_m - level.truth.fix_northing_m
    assert np.allclose(east * math.cos(bearing) - north * math.sin(bearing), 0.067, atol=1e-4)


def test_correlated_noise_has_its_time_constant():
    """Noise of 60 s correlation keeps about exp(-30/60) of itself after 30 s."""
    gnss = Gnss(rate_hz=1.0, quality="float", white_frac=0.0)
    lot = make_lot(LotPlan(road=(synthetic.straight(1500.0),), gnss=gnss, scanner=Scanner(rate_hz=0.5)))
    to_map = pyproj.Transformer.from_crs(lot.plan.fixes_crs, lot.plan.map_crs, always_xy=True)
    error = to_map.transform(lot.logged.lon_deg, lot.logged.lat_deg)[0] - lot.truth.fix_easting_m
    assert np.std(error) == pytest.approx(0.3, rel=0.25)
    assert np.corrcoef(error[30:], error[:-30])[0, 1] == pytest.approx(math.exp(-0.5), abs=0.15)


def test_episodes_change_the_fixes_where_they_say():
    """Outage, float and jump touch the fixes between their distances only; an outage is a true gap."""
    episodes = (
        Episode("outage", 5.0, 10.0),
        Episode("float", 15.0, 20.0),
        Episode("jump", 25.0, 26.0, east_m=3.0),
    )
    lot = short_lot(gnss=Gnss(episodes=episodes))
    gap = lot.truth.gaps[0]
    inside = (lot.logged.fix_time_utc >= gap.start_utc) & (lot.logged.fix_time_utc < gap.end_utc)
    assert not inside.any()
    assert (gap.from_m, gap.to_m) == (5.0, 10.0)
    floating = lot.logged.quality == 4
    assert floating.sum() == pytest.approx(5.0 / 0.1 * 5, abs=2)
    to_map = pyproj.Transformer.from_crs(lot.plan.fixes_crs, lot.plan.map_crs, always_xy=True)
    error = to_map.transform(lot.logged.lon_deg, lot.logged.lat_deg)[0] - lot.truth.fix_easting_m
    assert (error[~floating] > 2).sum() == pytest.approx(1.0 / 0.1 * 5, abs=2)


def test_a_moving_frame_is_shifted_by_the_published_amount():
    """ITRF2014 to NAD 83(2011) at 2026.0 in Austin moves 1.131 m E, 0.472 m S (EPSG:8970 by hand)."""
    place = {
        "start_lon_deg": -97.7431,
        "start_lat_deg": 30.2672,
        "map_crs": "EPSG:6343",
        "gnss": Gnss(fixed_m=1e-6),
    }
    steady = short_lot(**place)
    moving = short_lot(fixes_crs="EPSG:7912", epoch=2026.0, **place)
    to_frame = pyproj.Transformer.from_crs("EPSG:6343", "EPSG:6318", always_xy=True)
    truth = to_frame.transform(moving.truth.fix_easting_m, moving.truth.fix_northing_m)
    east = (truth[0] - moving.logged.lon_deg) * 111_320 * math.cos(math.radians(30.2672))
    north = (truth[1] - moving.logged.lat_deg) * 110_850
    assert east.mean() == pytest.approx(1.131, abs=0.01)
    assert north.mean() == pytest.approx(-0.472, abs=0.01)
    lon_deg = to_frame.transform(steady.truth.fix_easting_m, steady.truth.fix_northing_m)[0]
    assert np.allclose(steady.logged.lon_deg, lon_deg, atol=1e-9)


# -------------------------------------------------------------------------------------------- files


@pytest.mark.parametrize("make", [builders.one_stop_lot, builders.two_lane_southern, builders.us_curve_lot])
def test_every_sentence_has_its_checksum(make):
    """The two digits after * are the XOR of all characters between $ and * (NMEA 0183)."""
    lines = make(gnss=Gnss(heading_sigma_deg=0.2)).files["gnss.nmea"].decode("ascii").split("\r\n")[:-1]
    for line in lines[:2000]:
        body, check = line[1:].split("*")
        assert int(check, 16) == reduce(lambda total, letter: total ^ ord(letter), body, 0)
    assert {line[3:6] for line in lines} == {"GGA", "RMC", "GST", "HDT"}


def test_sentences_hold_the_logged_numbers():
    """Place, quality, time and date of the sentences are the logged arrays, south and east included."""
    lot = builders.two_lane_southern(gnss=Gnss(rate_hz=2.0))
    gga, rmc, logged = sentences(lot, "GGA"), sentences(lot, "RMC"), lot.logged
    assert len(gga) == len(rmc) == len(logged.fix_time_utc)
    for row in (0, 100, len(gga) - 1):
        degrees, minutes = divmod(float(gga[row][2]), 100)
        assert -(degrees + minutes / 60) == pytest.approx(logged.lat_deg[row], abs=1e-9)
        degrees, minutes = divmod(float(gga[row][4]), 100)
        assert degrees + minutes / 60 == pytest.approx(logged.lon_deg[row], abs=1e-9)
        assert gga[row][3:7:2] == ["S", "E"]
        assert gga[row][6] == "4"
        day, clock = rmc[row][9], rmc[row][1]
        time = f"20{day[4:]}-{day[2:4]}-{day[:2]}T{clock[:2]}:{clock[2:4]}:{clock[4:]}"
        assert np.datetime64(time, "ns") == logged.fix_time_utc[row]
        assert float(gga[row][9]) + float(gga[row][11]) == pytest.approx(logged.height_m[row], abs=6e-4)


def test_heading_sentences_are_true_bearings():
    """HDT is the body's grid heading plus convergence plus the sensor's own offset."""
    rig = synthetic.Rig(heading_offset_deg=1.5)
    lot = short_lot(rig=rig, gnss=Gnss(rate_hz=4.0, heading_sigma_deg=0.0))
    first = float(sentences(lot, "HDT")[0][1])
    assert first == pytest.approx(lot.truth.heading_deg[0] + lot.truth.convergence_deg + 1.5, abs=6e-4)


def test_pandas_reads_the_scan_back():
    """pandas reads times, wheel and every temperature as logged; a dead spot is blank."""
    lot = short_lot(mat=Mat(faults=(SpotFault(3, "dead"),)))
    frame = pd.read_csv(io.BytesIO(lot.files["scan.csv"]), parse_dates=["time_utc"])
    assert list(frame.columns[:3]) == ["time_utc", "wheel_m", "t_01"]
    read = frame.filter(like="t_").drop(columns="time_utc", errors="ignore").to_numpy(np.float32)
    assert np.array_equal(read, lot.logged.temp_c, equal_nan=True)
    assert np.allclose(frame["wheel_m"], lot.logged.wheel_m, atol=1e-6)
    assert (
        frame["time_utc"].dt.tz_convert(None).to_numpy("datetime64[ns]") == lot.logged.scan_time_utc
    ).all()


def test_parquet_holds_the_same_scan():
    """The Parquet scan equals the CSV scan, column by column."""
    text, table = short_lot(), short_lot(parquet=True)
    left = pd.read_csv(io.BytesIO(text.files["scan.csv"]))
    right = pd.read_parquet(io.BytesIO(table.files["scan.parquet"]))
    assert list(left.columns) == list(right.columns)
    assert np.allclose(left.drop(columns="time_utc"), right.drop(columns="time_utc"), atol=1e-5)


def test_counts_and_own_wheel_log():
    """A wheel of its own at 10 Hz leaves the scan without a wheel column and counts whole pulses."""
    lot = short_lot(wheel=Wheel(own_log_hz=10.0, as_count=True, quantum_m=0.002))
    wheel = pd.read_csv(io.BytesIO(lot.files["wheel.csv"]))
    assert list(wheel.columns) == ["time_utc", "wheel_count"]
    assert np.allclose(wheel["wheel_count"] * 0.002, lot.logged.wheel_m)
    assert b"wheel" not in lot.files["scan.csv"][:200]
    assert tomllib.loads(lot.files["lot.toml"].decode())["rig"]["wheel_per_count"] == "2 mm"


@pytest.mark.parametrize(
    ("make", "changes"),
    [
        (builders.two_lane_southern, {}),
        (builders.us_curve_lot, {"alignment": False}),
        (short_lot, {"wheel": Wheel(own_log_hz=2.0), "exclude": (synthetic.Exclude(10.0, 20.0, "left"),)}),
    ],
)
def test_the_lot_file_states_the_plan(make, changes, tmp_path):
    """load_config reads the lot file, and its lengths are the plan's to 0.1 mm."""
    lot = make(gnss=Gnss(rate_hz=1), **changes)
    config = load_config(builders.write_lot(tmp_path, lot))
    rig, scanner = lot.plan.rig, lot.plan.scanner
    for name in (
        "antenna_forward_m",
        "antenna_right_m",
        "antenna_up_m",
        "screed_forward_m",
        "non_slip_forward_m",
    ):
        assert getattr(config.rig, name) == pytest.approx(getattr(rig, name), abs=1e-4)
    assert config.scanner.mat_left_m == pytest.approx(scanner.mat_left_m, abs=1e-4)
    assert config.scanner.spots_right.first_m == pytest.approx(scanner.first_m, abs=1e-4)
    assert config.lot.id == lot.plan.lot_id
    assert len(config.exclude) == len(lot.plan.exclude)
    if not lot.plan.alignment:
        assert config.marks[0].station_m == pytest.approx(lot.plan.first_station_m)


def test_same_plan_same_bytes():
    """A plan gives the same bytes each time; another seed changes the noise, not the truth of the path."""
    first, again, other = short_lot(), short_lot(), short_lot(seed=8)
    assert first.files == again.files
    assert first.files["gnss.nmea"] != other.files["gnss.nmea"]
    assert np.array_equal(first.truth.spot_easting_m, other.truth.spot_easting_m)


@pytest.mark.parametrize(
    "make", [builders.bend_and_stop_lot, builders.two_lane_southern, builders.us_curve_lot]
)
@pytest.mark.parametrize("alignment", [True, False])
def test_nouns_of_the_truth_are_valid(make, alignment, no_files):
    """Every noun built from the truth accepts itself, and spots are C plus the offset across."""
    lot = make(alignment=alignment, gnss=Gnss(rate_hz=1.0))
    builders.true_inputs(lot)
    trajectory, swath, stations = (
        builders.true_trajectory(lot),
        builders.true_swath(lot),
        builders.true_stations(lot),
    )
    across = np.hypot(
        swath.easting_m - lot.truth.easting_m[:, None], swath.northing_m - lot.truth.northing_m[:, None]
    )
    assert np.allclose(across, lot.site.grid_scale * np.abs(swath.spot_right_m), atol=1e-6)
    for noun in (trajectory, swath):
        assert noun.crs == lot.truth.crs
    assert np.isfinite(stations.frame_m).all()
    knots = np.interp(swath.distance_m, trajectory.knot_distance_m, trajectory.knot_easting_m)
    assert np.max(np.abs(knots - lot.truth.easting_m)) < 1e-3
