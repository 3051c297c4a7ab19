"""Stations and offsets of a lot, against its truth, shapely, closed forms and the trade's own rules."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import builders
from thermosaic import synthetic
from thermosaic.config import LimitsSection, MarkSection, StationPlan
from thermosaic.errors import ConfigError, MismatchError
from thermosaic.model import Alignment
from thermosaic.stages.s4_stationing import station_lot
from thermosaic.synthetic import LotPlan, PassPlan
from thermosaic.units import StationLabels

FOOT_M = 0.3048
LABELS = StationLabels("100 ft")


def mark(station="100+00", at="first line", point="spot line", distance="0 ft", **more):
    return MarkSection.model_validate(
        {"station": station, "at": at, "point": point, "distance": distance, **more},
        context={"labels": LABELS},
    )


def plan(*marks, limits=None, **more):
    stated = LimitsSection.model_validate(limits or {}, context={"labels": LABELS})
    values = {
        "marks": marks, "limits": stated, "labels": LABELS, "screed_forward_m": 0.9,
        "antenna_forward_m": 1.98, "alignment_distance_m": 30.0, "wheel_gnss_frac": 0.03,
    }  # fmt: skip
    return StationPlan(**{**values, **more})


def run(lot, station_plan, swath=None, **inputs):
    """Station a lot from its truth, with some of the inputs exchanged."""
    return station_lot(
        builders.true_swath(lot) if swath is None else swath,
        builders.true_trajectory(lot),
        replace(builders.true_inputs(lot), **inputs),
        station_plan,
    )


@pytest.fixture(scope="module")
def straight():
    """200 m straight, upstation, one mark at the first line."""
    return synthetic.make_lot(LotPlan(alignment=False))


@pytest.fixture(scope="module")
def straight_down():
    """The same lot laid downstation."""
    return synthetic.make_lot(LotPlan(alignment=False, passes=(PassPlan("downstation"),)))


@pytest.fixture(scope="module")
def bend():
    """A 60 m radius bend with a fine alignment: kink x offset / 2 <= 1 mm."""
    return builders.one_bend_lot(alignment_step_m=0.03)


@pytest.fixture(scope="module")
def two_lanes():
    return builders.two_lane_southern(alignment_step_m=0.1)


class TestAlongAnAlignment:
    @pytest.mark.parametrize("name", ["bend", "two_lanes"])
    def test_every_spot_has_its_true_station_and_offset(self, name, request):
        """Station and offset equal the road's closed form, in curves and in both directions of travel."""
        lot = request.getfixturevalue(name)
        stations, truth = run(lot, plan()), builders.true_stations(lot)
        assert np.abs(stations.frame_m - truth.frame_m).max() < 0.002
        assert np.abs(stations.offset_m - truth.offset_m).max() < 0.001
        assert np.abs(stations.line_frame_m - truth.line_frame_m).max() < 0.001
        np.testing.assert_array_equal(stations.upstation, truth.upstation)
        np.testing.assert_allclose(stations.edges_offset_m, truth.edges_offset_m, atol=0.001)
        assert stations.zero_m.tolist() == [0.0] * len(truth.upstation)
        assert stations.doubts == ()

    def test_stations_equal_shapely(self, bend):
        """Each spot's station is shapely's line_locate_point, its offset shapely's distance."""
        stations, swath = run(bend, plan()), builders.true_swath(bend)
        road = builders.true_inputs(bend).alignment
        line = shapely.LineString(np.column_stack((road.easting_m, road.northing_m)))
        points = shapely.points(swath.easting_m[::97], swath.northing_m[::97])
        along = shapely.line_locate_point(line, points) + road.station_m[0]
        np.testing.assert_allclose(stations.frame_m[::97], along, atol=1e-6)
        np.testing.assert_allclose(np.abs(stations.offset_m[::97]), shapely.distance(line, points), atol=1e-6)

    def test_turned_alignment_turns_stations_and_sides(self, bend):
        """The same mat on the reversed line: stations mirrored, offsets of the other sign."""
        road = builders.true_inputs(bend).alignment
        ahead = run(bend, plan())
        turned = Alignment(
            "CL", road.easting_m[::-1].copy(), road.northing_m[::-1].copy(), -road.station_m[::-1]
        )
        passes = tuple(replace(item, direction=None) for item in builders.true_inputs(bend).passes)
        back = run(bend, plan(), alignment=turned, passes=passes)
        np.testing.assert_allclose(back.frame_m, -ahead.frame_m, atol=1e-6)
        np.testing.assert_allclose(back.offset_m, -ahead.offset_m, atol=1e-5)
        assert back.upstation.tolist() == [not item for item in ahead.upstation]

    @given(angle=st.floats(0, 2 * math.pi), shift=st.floats(-1e5, 1e5), mirror=st.booleans())
    @settings(max_examples=8, deadline=None)
    def test_lots_turn_shift_and_mirror_with_their_map(self, bend, angle, shift, mirror):
        """Turned and shifted lots keep every station and offset; mirrored lots change sides."""
        sign = -1.0 if mirror else 1.0

        def move(east, north):
            east = sign * (east - 5e5)
            return (
                east * math.cos(angle) - north * math.sin(angle) + shift,
                east * math.sin(angle) + north * math.cos(angle),
            )

        swath, road = builders.true_swath(bend), builders.true_inputs(bend).alignment
        spots, edges = (
            move(swath.easting_m, swath.northing_m),
            move(swath.edge_easting_m, swath.edge_northing_m),
        )
        moved = replace(
            swath, easting_m=spots[0], northing_m=spots[1], edge_easting_m=edges[0], edge_northing_m=edges[1]
        )
        line = Alignment("CL", *move(road.easting_m, road.northing_m), road.station_m.copy())
        before, after = run(bend, plan()), run(bend, plan(), swath=moved, alignment=line)
        np.testing.assert_allclose(after.frame_m, before.frame_m, atol=1e-5)
        np.testing.assert_allclose(after.offset_m, sign * before.offset_m, atol=1e-5)
        np.testing.assert_allclose(
            after.edges_offset_m, np.sort(sign * before.edges_offset_m, axis=1), atol=1e-5
        )

    def test_stated_direction_against_the_travel(self, bend):
        """A paver stated downstation that travelled upstation stops the run, with both named."""
        passes = tuple(replace(item, direction="downstation") for item in builders.true_inputs(bend).passes)
        with pytest.raises(MismatchError, match="stated downstation but travelled upstation"):
            run(bend, plan(), passes=passes)

    def test_wrong_road(self, bend):
        """A line 100 m away is another road."""
        road = builders.true_inputs(bend).alignment
        away = Alignment("CL", road.easting_m + 100.0, road.northing_m + 100.0, road.station_m.copy())
        with pytest.raises(MismatchError, match=r"the mat lies \d+ m from alignment"):
            run(bend, plan(), alignment=away)

    def test_mat_beyond_the_ends_is_not_clamped(self, bend):
        """Lines past the end of a short line have no station, and a doubt counts them."""
        road = builders.true_inputs(bend).alignment
        half = len(road.station_m) // 2
        cut = Alignment(
            "CL", *(item[:half].copy() for item in (road.easting_m, road.northing_m, road.station_m))
        )
        stations = run(bend, plan(), alignment=cut)
        off = np.isnan(stations.line_frame_m)
        truth = builders.true_stations(bend).line_frame_m
        assert np.nanmax(stations.frame_m) <= cut.station_m[-1] + 0.5
        assert off[truth > cut.station_m[-1] + 1.0].all()
        assert not off[truth < cut.station_m[-1]].any()
        assert [item.kind for item in stations.doubts] == ["off_alignment"]
        assert stations.doubts[0].amount == off.sum()

    def test_lot_wholly_beyond_the_ends(self, bend):
        """A line that ends before the lot begins is an error, not an empty result."""
        road = builders.true_inputs(bend).alignment
        short = Alignment(
            "CL", *(item[:200].copy() for item in (road.easting_m, road.northing_m, road.station_m))
        )
        with pytest.raises(MismatchError, match="beyond the ends"):
            run(bend, plan(alignment_distance_m=1000.0), alignment=short)

    def test_marks_are_checks(self, bend):
        """A mark 2 ft off the alignment moves nothing; the difference is doubted (2 ft = 0.61 m)."""
        first = builders.true_stations(bend).line_frame_m[0]
        right, wrong = LABELS.text(first), LABELS.text(first + 2 * FOOT_M)
        fitting, off = run(bend, plan(mark(right))), run(bend, plan(mark(wrong)))
        np.testing.assert_array_equal(fitting.frame_m, off.frame_m)
        assert abs(fitting.misclosure_m) < 0.05 * FOOT_M + 0.002  # labels carry a tenth of a foot
        assert fitting.doubts == ()
        assert off.misclosure_m - fitting.misclosure_m == pytest.approx(0.61, abs=0.04)
        assert [item.kind for item in off.doubts] == ["mark_off_alignment"]

    def test_gap_without_position_keeps_its_stations(self, bend):
        """Lines without position have no spot stations, but C's stations go on over distance."""
        swath, truth = builders.true_swath(bend), builders.true_stations(bend)
        gap = (truth.line_frame_m > 1040) & (truth.line_frame_m < 1045)
        lost = {
            name: np.where(gap[:, None], np.nan, getattr(swath, name))
            for name in ("easting_m", "northing_m", "edge_easting_m", "edge_northing_m")
        }
        holed = replace(swath, placed=np.where(gap, 0, swath.placed).astype(np.int8), **lost)
        stations = run(bend, plan(), swath=holed)
        assert np.isnan(stations.frame_m[gap]).all()
        assert np.isfinite(stations.frame_m[~gap]).all()
        np.testing.assert_allclose(stations.line_frame_m, truth.line_frame_m, atol=0.1)


class TestFromMarks:
    def test_whole_station_ahead_of_the_paver(self, straight, straight_down):
        """A whole station 100 that lies 50 ft before the paver: it is at 99+50 going upstation, at 100+50
        going downstation (common practice, no source)."""
        ahead = mark("100+00", distance="50 ft before")
        up, down = run(straight, plan(ahead)), run(straight_down, plan(ahead))
        assert LABELS.text(up.zero_m[0]) == "99+50.0"
        assert LABELS.text(down.zero_m[0]) == "100+50.0"

    def test_station_already_passed(self, straight):
        """50 ft past station 100 the paver stands at 100+50 going upstation (common practice, no source)."""
        assert LABELS.text(run(straight, plan(mark(distance="50 ft past"))).zero_m[0]) == "100+50.0"

    @pytest.mark.parametrize(("point", "forward_m"), [("screed", 0.9), ("antenna", 1.98), ("spot line", 0.0)])
    def test_point_of_the_paver(self, straight, straight_down, point, forward_m):
        """A point ahead of C passes the mark first: C then stands that much short of it."""
        up = run(straight, plan(mark("100+00", point=point)))
        down = run(straight_down, plan(mark("100+00", point=point)))
        assert up.zero_m[0] == pytest.approx(10000 * FOOT_M - forward_m)
        assert down.zero_m[0] == pytest.approx(10000 * FOOT_M + forward_m)

    @pytest.mark.parametrize("name", ["straight", "straight_down"])
    def test_stations_are_the_path(self, name, request):
        """Station = mark plus or minus ground distance; offset = spot_right seen upstation (truth)."""
        lot = request.getfixturevalue(name)
        stations, truth = run(lot, plan(mark())), builders.true_stations(lot)
        np.testing.assert_allclose(stations.frame_m, truth.frame_m, atol=1e-9)
        np.testing.assert_allclose(stations.offset_m, truth.offset_m, atol=1e-6)
        np.testing.assert_allclose(stations.line_frame_m, truth.line_frame_m, atol=1e-9)
        np.testing.assert_allclose(stations.edges_offset_m, truth.edges_offset_m, atol=1e-6)
        assert stations.line_frame_m[0] == 0.0
        assert stations.alignment is None
        assert math.isnan(stations.misclosure_m)

    def test_reversed_columns_change_nothing_on_the_ground(self, straight):
        """Columns logged right to left give the same stations and offsets at the same places."""
        swath = builders.true_swath(straight)
        flipped = {
            name: getattr(swath, name)[:, ::-1].copy()
            for name in ("easting_m", "northing_m", "sigma_along_m", "sigma_across_m", "temp_c", "bad_spot")
        }
        spots = {"layouts": (builders.mirrored(swath.layouts[0]),)}
        one, other = (
            run(straight, plan(mark())),
            run(straight, plan(mark()), swath=replace(swath, **flipped, **spots)),
        )
        np.testing.assert_array_equal(other.frame_m, one.frame_m[:, ::-1])
        np.testing.assert_array_equal(other.offset_m, one.offset_m[:, ::-1])

    def test_correcting_a_mark_moves_the_zero_only(self, straight):
        """Another label on the mark changes zero_m and nothing else."""
        one, other = run(straight, plan(mark("100+00"))), run(straight, plan(mark("101+00")))
        np.testing.assert_array_equal(one.frame_m, other.frame_m)
        np.testing.assert_array_equal(one.offset_m, other.offset_m)
        assert other.zero_m[0] - one.zero_m[0] == pytest.approx(100 * FOOT_M)

    def test_line_time_and_first_line_agree(self, straight):
        """A mark noted at a line, at that line's time, or brought to the first line by hand is the same."""
        swath = builders.true_swath(straight)
        row = 2000
        moved_ft = (swath.distance_m[row] - swath.distance_m[0]) / FOOT_M
        time = str(swath.seen_utc[row]) + "Z"
        at_line = run(straight, plan(mark(at=int(swath.line[row]))))
        at_time = run(straight, plan(mark(at=time)))
        by_hand = run(straight, plan(mark(distance=f"{moved_ft:.9f} ft before")))
        assert at_line.zero_m[0] == pytest.approx(by_hand.zero_m[0], abs=1e-6)
        assert at_time.zero_m[0] == pytest.approx(by_hand.zero_m[0], abs=1e-6)

    @pytest.mark.parametrize("name", ["straight", "straight_down"])
    def test_misclosure_is_spread_along_the_path(self, name, request):
        """Two marks 1 ft too far apart: both are met, the place half way moves by half a foot."""
        lot = request.getfixturevalue(name)
        swath = builders.true_swath(lot)
        sign = 1 if name == "straight" else -1
        rows = [0, int(np.searchsorted(swath.distance_m, swath.distance_m[0] + 100.0))]
        length = swath.distance_m[rows[1]] - swath.distance_m[0]
        far = LABELS.text(10000 * FOOT_M + sign * (length + FOOT_M))
        stations = run(lot, plan(mark("100+00"), mark(far, at=int(swath.line[rows[1]]))))
        station = stations.zero_m[0] + stations.line_frame_m
        assert station[0] == pytest.approx(10000 * FOOT_M)
        assert station[rows[1]] == pytest.approx(LABELS.parse(far), abs=1e-6)
        half = int(np.searchsorted(swath.distance_m, swath.distance_m[0] + length / 2))
        plain = 10000 * FOOT_M + sign * (swath.distance_m[half] - swath.distance_m[0])
        assert sign * (station[half] - plain) == pytest.approx(FOOT_M / 2, abs=0.02)
        assert stations.misclosure_m == pytest.approx(FOOT_M, abs=0.05 * FOOT_M)
        assert stations.line_frame_m[0] == 0.0
        assert [item.kind for item in stations.doubts] == ["marks_misclosure"]

    def test_three_marks_are_all_met(self, straight):
        """Marks at 0, 60 and 120 m, the last two 0.2 m and 0.3 m too far: each is met, straight between them.

        The misclosure is that of the outermost marks.
        """
        swath = builders.true_swath(straight)
        rows = np.searchsorted(swath.distance_m, swath.distance_m[0] + [0.0, 60.0, 120.0])
        lengths = swath.distance_m[rows] - swath.distance_m[0]
        extra = np.array([0.0, 0.2, 0.3])
        marks = [
            mark(at=int(swath.line[row])).model_copy(update={"station_m": 1000.0 + length + more})
            for row, length, more in zip(rows, lengths, extra, strict=True)
        ]
        stations = run(straight, plan(*marks))
        station = stations.zero_m[0] + stations.line_frame_m
        assert station[rows] == pytest.approx(1000.0 + lengths + extra, abs=1e-9)
        travelled = swath.distance_m - swath.distance_m[0]
        between = np.interp(travelled, lengths, extra)[: rows[-1]]
        np.testing.assert_allclose(station[: rows[-1]], 1000.0 + travelled[: rows[-1]] + between, atol=1e-6)
        assert stations.misclosure_m == pytest.approx(0.3, abs=1e-9)
        assert [item.kind for item in stations.doubts] == ["marks_misclosure"]

    def test_marks_against_the_direction(self, straight):
        """Labels that fall along a lot stated upstation stop the run."""
        swath = builders.true_swath(straight)
        row = int(np.searchsorted(swath.distance_m, swath.distance_m[0] + 100.0))
        falling = plan(mark("100+00"), mark("96+72", at=int(swath.line[row])))
        with pytest.raises(MismatchError, match=r"stations rise by -99\.9\d m where 100\.\d+ m of path"):
            run(straight, falling)

    def test_limits_that_leave_the_first_line_out_raise_a_doubt(self, straight):
        """ "first line" is the log's; limits that begin later make that worth a second look."""
        time = str(builders.true_swath(straight).seen_utc[500]) + "Z"
        stations = run(straight, plan(mark(), limits={"from": time}))
        assert stations.zero_m[0] == pytest.approx(10000 * FOOT_M)
        assert [item.kind for item in stations.doubts] == ["mark_outside_limits"]


@pytest.fixture(scope="module")
def lanes():
    """Two lanes laid in opposite directions, without an alignment."""
    return builders.two_lane_southern(alignment=False)


class TestSeveralPasses:
    def test_unmarked_pass_is_stationed_beside_the_marked_one(self, lanes, two_lanes):
        """The second lane begins past the first one's end, on the straight: so do its stations."""
        stations, swath = run(lanes, plan(mark("100+00", **{"pass": "1"}))), builders.true_swath(lanes)
        station = stations.zero_m[swath.pass_code] + stations.line_frame_m
        end, begin = np.flatnonzero(swath.pass_code == 0)[-1], np.flatnonzero(swath.pass_code == 1)[0]
        past_m = np.diff(two_lanes.truth.station_m[[end, begin]])[0] / two_lanes.truth.grid_scale
        assert past_m > 5
        assert station[begin] - station[end] == pytest.approx(past_m, abs=0.02)
        doubt = next(item for item in stations.doubts if item.kind == "pass_without_mark")
        assert doubt.amount == pytest.approx(past_m, abs=2.0)  # the known path is thinned to 2 m
        assert stations.upstation.tolist() == [True, False]

    def test_unmarked_pass_inside_the_marked_one(self, lanes, two_lanes):
        """Marked the other way round, the first lane begins beside the second (truth)."""
        stations, swath = run(lanes, plan(mark("100+00", **{"pass": "2"}))), builders.true_swath(lanes)
        station = stations.zero_m[swath.pass_code] + stations.line_frame_m
        one, two = np.flatnonzero(swath.pass_code == 0), np.flatnonzero(swath.pass_code == 1)
        near = two[np.argmin(np.abs(two_lanes.truth.station_m[two] - two_lanes.truth.station_m[one[0]]))]
        assert abs(two_lanes.truth.station_m[near] - two_lanes.truth.station_m[one[0]]) < 6.0
        apart_m = (
            two_lanes.truth.station_m[one[0]] - two_lanes.truth.station_m[near]
        ) / two_lanes.truth.grid_scale
        assert station[one[0]] - station[near] == pytest.approx(apart_m, abs=0.02)

    def test_offsets_and_frames_follow_each_pass(self, lanes):
        """Frames begin at each pass's first line; offset changes sign with the direction (truth)."""
        stations, truth = run(lanes, plan(mark(**{"pass": "1"}))), builders.true_stations(lanes)
        for code in (0, 1):
            rows = builders.true_swath(lanes).pass_code == code
            path = truth.frame_m[rows] - truth.frame_m[rows][0]
            np.testing.assert_allclose(stations.frame_m[rows], path, atol=1e-9)
        np.testing.assert_allclose(stations.offset_m, truth.offset_m, atol=1e-6)

    def test_chain_of_restarts(self):
        """Three passes end to end, one mark on the last: stations run on through all (truth 5 cm)."""
        parts = tuple(
            PassPlan(from_m=a, to_m=b, wait_s=w)
            for a, b, w in ((15, 60, 0), (60, 110, 9000), (110, 180, 9000))
        )
        lot = synthetic.make_lot(LotPlan(alignment=False, passes=parts))
        swath = builders.true_swath(lot)
        stations = run(lot, plan(mark("100+00", **{"pass": "3"})))
        starts = [int(np.argmax(swath.pass_code == code)) for code in range(3)]
        station = [stations.zero_m[code] + stations.line_frame_m[row] for code, row in enumerate(starts)]
        assert np.diff(station) == pytest.approx([45.0, 50.0], abs=0.05)
        assert [item.kind for item in stations.doubts] == ["pass_without_mark"] * 2

    def test_pass_far_from_any_mark(self, lanes):
        """A pass that does not begin beside a marked one needs its own mark."""
        with pytest.raises(ConfigError, match="pass 2 has no"):
            run(lanes, plan(mark(**{"pass": "1"}), alignment_distance_m=2.0))

    def test_pass_without_mark_and_position(self, lanes):
        """A pass that was never placed and has no mark gets no stations, and that is said."""
        swath = builders.true_swath(lanes)
        lost = swath.pass_code == 1
        holed = {
            name: np.where(lost[:, None], np.nan, getattr(swath, name))
            for name in ("easting_m", "northing_m", "edge_easting_m", "edge_northing_m")
        }
        swath = replace(swath, placed=np.where(lost, 0, swath.placed).astype(np.int8), **holed)
        stations = run(lanes, plan(mark(**{"pass": "1"})), swath=swath)
        assert np.isnan(stations.zero_m).tolist() == [False, True]
        assert np.isnan(stations.frame_m[lost]).all()
        assert [item.kind for item in stations.doubts] == ["pass_without_station"]

    def test_each_pass_with_its_own_mark(self, lanes):
        """With marks in both passes each has its own zero and nothing is doubted."""
        stations = run(lanes, plan(mark("100+00", **{"pass": "1"}), mark("107+00", **{"pass": "2"})))
        assert stations.zero_m == pytest.approx([10000 * FOOT_M, 10700 * FOOT_M])
        assert stations.doubts == ()


class TestRefusals:
    def test_nothing_to_station_by(self, straight):
        """Neither alignment nor mark: said what to state."""
        with pytest.raises(ConfigError, match=r"alignment in .*or one"):
            run(straight, plan())

    def test_no_direction(self, straight):
        """A mark without a direction of travel is not enough."""
        passes = tuple(replace(item, direction=None) for item in builders.true_inputs(straight).passes)
        with pytest.raises(ConfigError, match="direction"):
            run(straight, plan(mark()), passes=passes)
        assert run(straight, plan(mark(), direction="upstation"), passes=passes).upstation.tolist() == [True]

    @pytest.mark.parametrize(
        ("wrong", "words"),
        [
            ({"at": 999999}, "scan line 999999 is not among the usable lines"),
            ({"at": "2026-05-15T00:00:00Z"}, "outside the logs"),
            ({"pass": "9"}, r'pass "9" is not stated; passes are 1'),
        ],
    )
    def test_marks_that_name_nothing(self, straight, wrong, words):
        """A mark at no line, at another day, in no pass: named with what there is."""
        with pytest.raises(ConfigError, match=words):
            run(straight, plan(mark(**wrong)))

    def test_mark_of_another_pass(self, lanes):
        """A line of pass 2 cannot carry a mark of pass 1."""
        line = int(builders.true_swath(lanes).line[-1])
        with pytest.raises(ConfigError, match="lies in pass 2"):
            run(lanes, plan(mark(at=line, **{"pass": "1"})))


class TestLimits:
    def test_without_limits_all_is_inside(self, straight):
        """No limits, no cut."""
        assert run(straight, plan(mark())).inside.all()

    def test_times_cut_lines_half_open(self, straight):
        """A line at `from` is in, a line at `to` is out."""
        seen = builders.true_swath(straight).seen_utc
        stations = run(straight, plan(mark(), limits={"from": f"{seen[100]}Z", "to": f"{seen[200]}Z"}))
        rows = np.flatnonzero(stations.inside.all(axis=1))
        assert (rows[0], rows[-1], len(rows)) == (100, 199, 100)

    def test_stations_cut_spots_half_open(self, bend):
        """Station limits hold for each spot, so along a curve the cut is square to the alignment."""
        truth = builders.true_stations(bend)
        low, high = LABELS.parse("34+00"), LABELS.parse("35+00")
        stations = run(bend, plan(limits={"from": "34+00", "to": "35+00"}))
        clear = (np.abs(truth.frame_m - low) > 0.01) & (np.abs(truth.frame_m - high) > 0.01)
        expected = (truth.frame_m >= low) & (truth.frame_m < high)
        np.testing.assert_array_equal(stations.inside[clear], expected[clear])
        assert expected.any()

    def test_cutting_a_log_in_two_shares_every_bit(self, bend):
        """Limits change `inside` alone: stations of both parts are those of the whole."""
        whole = run(bend, plan())
        for limits in ({"to": "34+00"}, {"from": "34+00"}):
            part = run(bend, plan(limits=limits))
            np.testing.assert_array_equal(part.frame_m, whole.frame_m)
            np.testing.assert_array_equal(part.offset_m, whole.offset_m)
