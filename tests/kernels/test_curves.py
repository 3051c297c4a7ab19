"""Smooth lines through sampled curves, against arcs in closed form and shapely."""

import numpy as np
import pytest
import shapely

from thermosaic.kernels import curves, polyline

KINK_RAD = 0.1 / 2 / 15  # house rule: kink x largest offset / 2 <= cell / 4, cell 0.1 m, offset 15 m


def road(distance_m, radius_m=300.0, straight_m=200.0, turn_rad=1.0, offset_m=0.0, bearing=0.7):
    """Points of a straight, an arc to the right and a straight, by distance along them (closed form)."""
    first = np.minimum(distance_m, straight_m)
    turned = np.clip((distance_m - straight_m) / radius_m, 0, turn_rad)
    last = np.maximum(distance_m - straight_m - radius_m * turn_rad, 0)
    end, now = bearing + turn_rad, bearing + turned
    east = first * np.sin(bearing) + radius_m * (np.cos(bearing) - np.cos(now)) + last * np.sin(end)
    north = first * np.cos(bearing) + radius_m * (np.sin(now) - np.sin(bearing)) + last * np.cos(end)
    return east + offset_m * np.cos(now), north - offset_m * np.sin(now)


def stations(line_m):
    return np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(line_m[0]), np.diff(line_m[1])))))


def bends(line_m):
    bearing = np.unwrap(np.arctan2(np.diff(line_m[0]), np.diff(line_m[1])))
    return np.abs(np.diff(bearing))


def located(distance_m, line_m, offset_m, **shape):
    """Stations and offsets of points beside the road, found on a line."""
    east, north = road(distance_m, offset_m=offset_m, **shape)
    along, offset = polyline.locate(
        (east[:, None], north[:, None]), line_m, stations(line_m), np.zeros(len(distance_m), bool)
    )
    return along[:, 0], offset[:, 0]


@pytest.mark.parametrize(
    "distance_m",
    [
        np.arange(0.0, 701.0, 10.0),
        np.arange(3.3, 700.0, 10.0),  # no vertex where the arc begins or ends
        np.r_[0.0, np.arange(200.0, 501.0, 10.0), 700.0],  # straights of one chord
        np.r_[0.0, 100.0, np.arange(200.0, 501.0, 4.0), 700.0],
    ],
    ids=["even", "across", "long straights", "dense arc"],
)
def test_stations_beside_ten_metre_chords(distance_m):
    """10 m chords on 300 m radius misplace a spot 4 m off by 0.07 m; the smooth line by 0.02 m at most."""
    coarse = road(distance_m)
    smooth = curves.smooth(coarse, KINK_RAD)
    fine = smooth.easting_m, smooth.northing_m
    places = np.linspace(distance_m[0] + 1, distance_m[-1] - 1, 5000)
    along, offset = located(places, fine, 4.0)
    assert np.abs(along + distance_m[0] - places).max() < 0.021
    assert np.abs(offset - 4.0).max() < 0.01
    along, offset = located(places, coarse, 4.0)
    assert np.abs(along + distance_m[0] - places).max() > 0.025


def test_no_pile_up_of_spots():
    """The fullest 0.1 m cell 4 m off holds 2.4 times the median on 10 m chords, 1.2 when smooth."""
    coarse = road(np.arange(0.0, 701.0, 10.0))
    smooth = curves.smooth(coarse, KINK_RAD)
    places = np.arange(210.0, 490.0, 0.005)

    def fullest(line_m):
        along, _ = located(places, line_m, -4.0)
        count = np.bincount(np.floor((along - along.min()) / 0.1).astype(int))[1:-1]
        return count.max() / np.median(count)

    assert fullest(coarse) > 2.0
    assert fullest((smooth.easting_m, smooth.northing_m)) < 1.2


def test_kinks_keep_the_rule():
    """No vertex of the smooth line bends more than the rule allows, and all given vertices are on it."""
    coarse = road(np.arange(0.0, 701.0, 10.0))
    smooth = curves.smooth(coarse, KINK_RAD)
    fine = smooth.easting_m, smooth.northing_m
    assert bends(fine).max() <= KINK_RAD
    away = shapely.distance(shapely.LineString(np.column_stack(fine)), shapely.points(*coarse))
    assert away.max() < 1e-9
    assert len(smooth.corner) == 0


def test_straights_stay_straight():
    """A long straight beside an arc moves by millimetres, however long it is (closed form: not at all)."""
    smooth = curves.smooth(road(np.r_[0.0, np.arange(200.0, 501.0, 10.0), 700.0]), KINK_RAD)
    places = np.linspace(1.0, 199.0, 400)
    _, offset = located(places, (smooth.easting_m, smooth.northing_m), 0.0)
    assert np.abs(offset).max() < 0.005


def test_true_corner_stays():
    """A single bend between straights is a corner: its vertex is kept, nothing is rounded."""
    coarse = np.array([0.0, 0.0, 0.0, 50.0, 100.0]), np.array([0.0, 50.0, 100.0, 120.0, 140.0])
    smooth = curves.smooth(coarse, KINK_RAD)
    np.testing.assert_allclose((smooth.easting_m, smooth.northing_m), coarse, atol=1e-12)
    assert smooth.corner.tolist() == [2]
    assert smooth.corner_rad[0] == pytest.approx(np.arctan2(50, 20))
    assert smooth.moved_m == 0.0


def test_corner_between_curves():
    """A corner where two arcs meet stays, while both arcs are smoothed up to it."""
    east, north = road(np.arange(200.0, 501.0, 10.0))
    back_e, back_n = 2 * east[-1] - east[::-1], north[::-1]  # mirrored: the second arc leaves in a V
    coarse = np.r_[east, back_e[1:]], np.r_[north, back_n[1:]]
    smooth = curves.smooth(coarse, KINK_RAD)
    assert len(smooth.corner) == 1
    corner = smooth.corner[0]
    assert (smooth.easting_m[corner], smooth.northing_m[corner]) == pytest.approx((east[-1], north[-1]))
    assert np.delete(bends((smooth.easting_m, smooth.northing_m)), corner - 1).max() <= KINK_RAD


def test_left_mirrors_right():
    """A mirrored line gives the mirrored smooth line; a reversed line the reversed one."""
    coarse = road(np.arange(3.3, 700.0, 10.0))
    smooth = curves.smooth(coarse, KINK_RAD)
    mirrored = curves.smooth((-coarse[0], coarse[1]), KINK_RAD)
    np.testing.assert_allclose(mirrored.easting_m, -smooth.easting_m, atol=1e-8)
    reversed_ = curves.smooth((coarse[0][::-1], coarse[1][::-1]), KINK_RAD)
    np.testing.assert_allclose(reversed_.easting_m[::-1], smooth.easting_m, atol=1e-8)


def test_two_vertices():
    """A line of two vertices is itself."""
    smooth = curves.smooth((np.array([0.0, 3.0]), np.array([0.0, 4.0])), KINK_RAD)
    assert smooth.easting_m.tolist() == [0.0, 3.0]
    assert smooth.northing_m.tolist() == [0.0, 4.0]
