"""Stations and offsets on polylines, against shapely, the geodesic and closed forms."""

import math

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from thermosaic.kernels import polyline

FRESH = np.array([True])


def arc(radius_m, angle_rad, step_m, origin=(500000.0, 4000000.0)):
    """Vertices of an arc bending right from north, and its arc lengths."""
    angle = np.linspace(0, angle_rad, max(round(radius_m * angle_rad / step_m), 1) + 1)
    return (
        origin[0] + radius_m * (1 - np.cos(angle)),
        origin[1] + radius_m * np.sin(angle),
    ), radius_m * angle


def chord_stations(vertex_m):
    return np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(vertex_m[0]), np.diff(vertex_m[1])))))


def locate_each(points_e, points_n, vertex_m, station_m, **options):
    """Locate points one by one: each its own line with a fresh start."""
    columns = (np.reshape(points_e, (-1, 1)), np.reshape(points_n, (-1, 1)))
    along, offset = polyline.locate(columns, vertex_m, station_m, np.ones(np.size(points_e), bool), **options)
    return along[:, 0], offset[:, 0]


@given(seed=st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_station_equals_shapely(seed):
    """Station and distance equal shapely's line_locate_point and distance on random winding lines."""
    random = np.random.default_rng(seed)
    heading = np.cumsum(random.normal(0, 0.15, 60))
    steps = random.uniform(0.5, 8, 60)
    vertex_m = np.cumsum(steps * np.sin(heading)), np.cumsum(steps * np.cos(heading))
    station_m = chord_stations(vertex_m)
    foot = random.uniform(1.0, station_m[-1] - 1.0, 200)
    east, north = polyline.place(foot, random.uniform(-4, 4, 200), vertex_m, station_m)
    line = shapely.LineString(np.column_stack(vertex_m))
    points = shapely.points(east, north)
    expected, distance = shapely.line_locate_point(line, points), shapely.distance(line, points)
    along, offset = locate_each(east, north, vertex_m, station_m)
    inside = (expected > 0) & (expected < station_m[-1])  # shapely clamps at the ends
    np.testing.assert_allclose(np.abs(offset[inside]), distance[inside], atol=1e-9)
    np.testing.assert_allclose(along[inside], expected[inside], atol=1e-7)


def test_right_is_positive_looking_along_rising_stations():
    """A point east of a line running north is right (+); of a line running south it is left (-)."""
    vertex_m = np.array([0.0, 0.0]), np.array([0.0, 100.0])
    along, offset = locate_each([3.0], [40.0], vertex_m, np.array([1000.0, 1100.0]))
    assert (along[0], offset[0]) == (1040.0, 3.0)
    turned = vertex_m[0], vertex_m[1][::-1]
    along, offset = locate_each([3.0], [40.0], turned, np.array([1000.0, 1100.0]))
    assert (along[0], offset[0]) == (1060.0, -3.0)


def test_station_along_a_meridian_is_the_geodesic():
    """On the central meridian, station / 0.9996 equals GeographicLib's distance (UTM scale by definition)."""
    lat = np.linspace(45.0, 45.01, 200)
    east, north = pyproj.Transformer.from_crs("EPSG:6318", "EPSG:6344", always_xy=True).transform(
        np.full(200, -93.0), lat
    )
    station_m = chord_stations((east, north))
    along, _ = locate_each(east[[20, 180]], north[[20, 180]], (east, north), station_m)
    geodesic_m = pyproj.Geod(ellps="GRS80").inv(-93.0, lat[20], -93.0, lat[180])[2]
    assert np.diff(along)[0] / 0.9996 == pytest.approx(geodesic_m, abs=1e-4)


def test_curve_of_a_textbook():
    """D = 8 deg, delta 25 deg 30 min: R 716.20 ft, L 318.75 ft, PC 10+87.94, so PT is 14+06.69."""
    radius_ft, delta = 18000 / (8 * math.pi), math.radians(25.5)
    vertex, length = arc(radius_ft, delta, 0.5, (0.0, 0.0))
    end = vertex[0][-1] + 10 * math.cos(delta), vertex[1][-1] - 10 * math.sin(delta)  # 10 ft right of the PT
    along, offset = locate_each([end[0]], [end[1]], vertex, 1087.94 + length, tolerance_m=1e-6)
    assert along[0] == pytest.approx(1406.69, abs=0.005)
    assert offset[0] == pytest.approx(10.0, abs=1e-3)


class TestEnds:
    vertex_m = np.array([0.0, 0.0]), np.array([0.0, 100.0])
    station_m = np.array([0.0, 100.0])

    def test_beyond_the_ends_is_off(self):
        """Nothing is clamped: a metre past an end has no station and no offset."""
        along, offset = locate_each([2.0, 2.0, 2.0], [-1.0, 50.0, 101.0], self.vertex_m, self.station_m)
        assert np.isnan(along[[0, 2]]).all()
        assert np.isnan(offset[[0, 2]]).all()
        assert along[1] == 50.0

    def test_tolerance_continues_the_end(self):
        """Within the tolerance stations run on beyond both ends."""
        along, offset = locate_each([2.0, 2.0], [-1.0, 101.0], self.vertex_m, self.station_m, tolerance_m=1.5)
        np.testing.assert_allclose(along, [-1.0, 101.0])
        np.testing.assert_allclose(offset, 2.0)


class TestContinuity:
    def test_hairpin_keeps_its_leg(self):
        """Two legs 8 m apart: a spot nearer to the other leg stays with its own line's leg."""
        bend, _ = arc(4.0, math.pi, 0.05, (0.0, 50.0))
        vertex_m = np.r_[0.0, bend[0], 8.0], np.r_[0.0, bend[1], 0.0]
        east = np.tile([0.0, 4.5], (100, 1))  # C on the first leg, one spot 4.5 m right of it
        north = np.tile(np.linspace(1.0, 45.0, 100)[:, None], (1, 2))
        along, offset = polyline.locate(
            (east, north), vertex_m, chord_stations(vertex_m), np.arange(100) == 0
        )
        np.testing.assert_allclose(along, north, atol=1e-9)
        np.testing.assert_allclose(offset, east, atol=1e-9)

    def test_inner_foot_moves_on_without_jumps(self):
        """On the inside of a 20 m curve, spots 6 m in: stations rise steadily (closed form)."""
        vertex_m, length = arc(20.0, 1.5, 0.05)
        angle = np.linspace(0.05, 1.45, 1500)
        radius = 20.0 - np.array([0.0, 6.0])
        east = 500000.0 + 20.0 - radius * np.cos(angle)[:, None]
        north = 4000000.0 + radius * np.sin(angle)[:, None]
        along, offset = polyline.locate((east, north), vertex_m, length, np.zeros(1500, bool))
        assert np.abs(along - 20.0 * angle[:, None]).max() < 6.0 * 0.0025 / 2 + 1e-3
        assert np.abs(offset - [0.0, 6.0]).max() < 1e-3
        assert (np.diff(along, axis=0) >= 0).all()

    def test_a_restart_finds_a_far_place(self):
        """After a break the nearest foot of the whole line is taken, wherever it is."""
        vertex_m, length = arc(100.0, 3.0, 0.5)
        east, north = polyline.place(np.array([20.0, 280.0, 21.0]), np.zeros(3), vertex_m, length)
        along, _ = locate_each(east, north, vertex_m, length)
        np.testing.assert_allclose(along, [20.0, 280.0, 21.0], atol=1e-9)

    def test_result_does_not_depend_on_where_a_log_begins(self):
        """Cutting the lines in two gives the same bits for the second half."""
        vertex_m, length = arc(60.0, 2.0, 0.3)
        random = np.random.default_rng(7)
        rows = np.linspace(5.0, 115.0, 400)[:, None] + random.normal(0, 0.05, (400, 8))
        east, north = polyline.place(rows, np.linspace(-4, 4, 8) + 0 * rows, vertex_m, length)
        whole = polyline.locate((east, north), vertex_m, length, np.zeros(400, bool))
        half = polyline.locate((east[200:], north[200:]), vertex_m, length, np.zeros(200, bool))
        np.testing.assert_array_equal(whole[0][200:], half[0])
        np.testing.assert_array_equal(whole[1][200:], half[1])


def test_missing_positions_stay_missing():
    """NaN in, NaN out; a line without its first point has no stations, the next line goes on."""
    vertex_m = np.array([0.0, 0.0]), np.array([0.0, 100.0])
    east = np.array([[0.0, np.nan, 1.0], [np.nan, 0.0, 1.0], [0.0, 1.0, 2.0]])
    north = np.array([[10.0, 10.0, 10.0], [11.0, 11.0, 11.0], [12.0, 12.0, 12.0]])
    along, offset = polyline.locate((east, north), vertex_m, np.array([0.0, 100.0]), np.zeros(3, bool))
    np.testing.assert_array_equal(np.isnan(along), [[0, 1, 0], [1, 1, 1], [0, 0, 0]])
    np.testing.assert_array_equal(np.isnan(offset), np.isnan(along))


@given(
    shift=st.tuples(st.floats(-1e6, 1e6), st.floats(-1e7, 1e7)),
    turn=st.floats(0, 2 * math.pi),
    mirror=st.booleans(),
)
@settings(max_examples=30, deadline=None)
def test_stations_move_with_the_map(shift, turn, mirror):
    """Turning and shifting road and points together changes nothing; mirroring changes the sign of offset."""
    vertex_m, length = arc(80.0, 1.5, 0.5, (0.0, 0.0))
    along = np.linspace(2.0, 118.0, 50)[:, None] + np.zeros(5)
    east, north = polyline.place(along, np.linspace(-4, 4, 5) + 0 * along, vertex_m, length)
    before = polyline.locate((east, north), vertex_m, length, np.zeros(50, bool))
    sign = -1.0 if mirror else 1.0

    def move(e, n):
        e = sign * e
        return (
            shift[0] + e * math.cos(turn) - n * math.sin(turn),
            shift[1] + e * math.sin(turn) + n * math.cos(turn),
        )

    after = polyline.locate(move(east, north), move(*vertex_m), length, np.zeros(50, bool))
    np.testing.assert_allclose(after[0], before[0], atol=1e-6)
    np.testing.assert_allclose(after[1], sign * before[1], atol=1e-6)


def test_there_and_back():
    """Station and offset to a position and back is the identity, kinks aside (closed form)."""
    vertex_m, length = arc(300.0, 0.5, 0.5)
    random = np.random.default_rng(3)
    along, offset = random.uniform(1, 149, 500), random.uniform(-5, 5, 500)
    back = locate_each(*polyline.place(along, offset, vertex_m, length), vertex_m, length)
    kink = 0.5 / 300.0
    assert np.abs(back[0] - along).max() < 5.0 * kink
    assert np.abs(back[1] - offset).max() < 5.0 * kink**2 + 1e-6


def test_few_distances_equal_shapely():
    """Distances to the whole line, ends included, equal shapely's."""
    vertex_m, _ = arc(50.0, 2.0, 3.0)
    random = np.random.default_rng(5)
    east, north = random.uniform(499950, 500150, 40), random.uniform(3999950, 4000100, 40)
    expected = shapely.distance(shapely.LineString(np.column_stack(vertex_m)), shapely.points(east, north))
    np.testing.assert_allclose(polyline.distance_to((east, north), vertex_m), expected, atol=1e-8)


def test_shapes_are_checked():
    """Arrays that do not belong together are refused."""
    vertex_m = np.array([0.0, 0.0]), np.array([0.0, 100.0])
    with pytest.raises(ValueError, match="lines differ"):
        polyline.locate((np.zeros((3, 2)), np.zeros((3, 2))), vertex_m, np.array([0.0, 100.0]), FRESH)
    with pytest.raises(ValueError, match="two vertices"):
        polyline.locate((np.zeros((1, 2)), np.zeros((1, 2))), vertex_m, np.array([0.0]), FRESH)
