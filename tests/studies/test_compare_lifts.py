"""Lots whose cold places are laid by construction: overlaps in closed form, chance that holds what it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from scipy import ndimage, stats

from thermosaic.studies.compare_lifts import Lift, Line, Readings, compare_lifts
from thermosaic.studies.compare_lifts import coincidences as places
from thermosaic.studies.compare_lifts.comparison import shift_parts
from thermosaic.studies.compare_lifts.deficits import Field, correlations, effective_count
from thermosaic.studies.compare_lifts.lifts import against

LENGTH_M, HALF_M, CELL_M = 200.0, 1.8, 0.3
MANY = 300  # seeds


def line(radius_m: float | None = None) -> Line:
    """Make the middle of a mat: 200 m due east, or on an arc to the right that begins so; knots each 1.5 m."""
    station = np.arange(0.0, LENGTH_M + 1e-9, 1.5)
    east, north = (station, 0 * station) if radius_m is None else (
        radius_m * np.sin(station / radius_m), radius_m * (np.cos(station / radius_m) - 1)
    )  # fmt: skip
    whole = np.ones(len(station))
    return Line("1", 0.0, 1000.0 + station, east, north, 0 * whole, HALF_M * whole)


def ground(
    along: Line, box: tuple[float, float, float, float], radius_m: float | None = None
) -> shapely.Polygon:
    """Lay (from, left, to, right) of station and offset on the ground: exact, by the line's own closed form."""
    low, left, high, right = box
    s = np.linspace(low, high, 41)
    ring = np.concatenate([np.column_stack([s, 0 * s + left]), np.column_stack([s[::-1], 0 * s + right])])
    if radius_m is None:
        return shapely.Polygon(np.column_stack([ring[:, 0], -ring[:, 1]]))
    angle, radius = ring[:, 0] / radius_m, radius_m - ring[:, 1]
    return shapely.Polygon(np.column_stack([radius * np.sin(angle), radius * np.cos(angle) - radius_m]))


def lift(
    name: str, number: int, boxes=(), stops=(), profiles=(), radius_m=None, sigma_m=0.02, base_c=0.0
) -> Lift:
    """Make a lot with zones, stops and profiles at boxes of station (from 0) and offset; readings each 0.1 m."""
    along = line(radius_m)
    shapes = [ground(along, box, radius_m) for box in boxes]
    zones = pd.DataFrame({
        "zone_id": range(1, len(boxes) + 1), "area_m2": [shape.area for shape in shapes],
        "deficit_max_delta_c": 15.0, "position_sigma_m": sigma_m, "geometry": shapes,
    })  # fmt: skip
    lines = [ground(along, (at - 0.3, -HALF_M, at + 0.3, HALF_M), radius_m) for at in stops]
    standing = pd.DataFrame({
        "stop_id": range(1, len(stops) + 1), "duration_s": 60.0, "position_sigma_m": sigma_m, "geometry": lines,
    })  # fmt: skip
    stretches = [ground(along, (low, -HALF_M, high, HALF_M), radius_m) for low, high in profiles]
    classes = pd.DataFrame({
        "profile_id": range(1, len(profiles) + 1), "profile_class": "moderate", "class_rank": 1.0,
        "differential_delta_c": 10.0 * number, "borderline": False, "geometry": stretches,
    })  # fmt: skip
    s, o = (item.ravel() for item in np.meshgrid(np.arange(0.05, LENGTH_M, 0.1), np.arange(-1.75, 1.8, 0.1)))
    deficit = np.full(len(s), base_c)
    for low, left, high, right in boxes:
        deficit[(s > low) & (s < high) & (o > left) & (o < right)] += 15.0
    east, north = along.place(1000.0 + s, o)
    frames = [pd.DataFrame(item) for item in (zones, standing, classes)]
    return Lift(name, number, *frames, Readings(east, north, deficit), sigma_m)


@pytest.mark.parametrize("radius_m", [None, 60.0])
def test_overlap_is_that_of_the_rectangles(radius_m):
    """A zone of 4 m x 1.2 m that lies 3 m and 0.8 m over another overlaps by 2.4 m2, half of it; on a bend too."""
    one = lift("UP", 2, [(50.0, -0.4, 54.0, 0.8)], radius_m=radius_m)
    other = lift("LOW", 1, [(51.0, 0.0, 56.0, 1.2)], radius_m=radius_m)
    found = compare_lifts(one, other, (line(radius_m),), CELL_M)
    met = found.frames["coincidences"].iloc[0]
    tight = 0.002 if radius_m is None else 0.03  # a cell at offset o on a bend is o / R longer or shorter
    assert met["overlap_m2"] == pytest.approx(3.0 * 0.8, rel=tight)
    assert met["overlap_frac"] == pytest.approx(2.4 / 4.8, rel=tight)
    assert met["other_overlap_frac"] == pytest.approx(2.4 / 6.0, rel=tight)
    assert met["distance_m"] == 0.0
    assert (met["station_from_m"], met["station_to_m"]) == pytest.approx((1051.0, 1054.0), abs=0.1)
    true = shapely.intersection(one.zones.geometry[0], other.zones.geometry[0])
    grown = true.buffer(met["reach_m"] + 0.02)
    assert shapely.covers(grown, met["geometry"])
    assert shapely.area(shapely.difference(true, met["geometry"])) < 0.02 * true.area
    assert found.numbers["overlap_frac"] == pytest.approx(0.5, rel=tight)


def test_mat_in_common_is_that_of_the_shorter():
    """Two mats of 3.6 m, one of 200 m and one of 120 m, have 432 m2 in common (one cell at each edge)."""
    short = lift("LOW", 1)
    held = short.readings.easting_m < 120.0
    readings = Readings(*(item[held] for item in (
        short.readings.easting_m, short.readings.northing_m, short.readings.deficit_delta_c)))  # fmt: skip
    short = Lift("LOW", 1, short.zones, short.stops, short.profiles, readings, 0.02)
    found = compare_lifts(lift("UP", 2), short, (line(),), CELL_M, point_scale=2.0)
    assert found.mat.area == pytest.approx(120.0 * 3.6, abs=2 * CELL_M * (120 + 3.6))
    assert found.numbers["area_m2"] == pytest.approx(found.mat.area / 4)
    assert found.numbers["cell_count"] == pytest.approx(found.mat.area / CELL_M**2, rel=1e-6)


@pytest.mark.parametrize(("gap_m", "met"), [(0.05, True), (0.12, False)])
def test_reach_is_twice_the_combined_sigma(gap_m, met):
    """Sigmas of 0.02 and 0.04 with 0.02 of the operation reach 0.098 m: a gap of 0.05 m is within, 0.12 m not."""
    one = lift("UP", 2, [(50.0, -1.0, 52.0, 0.0)], sigma_m=0.02)
    other = lift("LOW", 1, [(52.0 + gap_m, -1.0, 54.0, 0.0)], sigma_m=0.04)
    found = compare_lifts(one, other, (line(),), CELL_M, frame_sigma_m=0.02)
    assert (len(found.frames["coincidences"]) == 1) is met
    row = found.frames["places"].iloc[0]
    assert row["nearest_m"] == pytest.approx(gap_m, abs=1e-3)
    assert row["coincides"] == met
    if met:
        assert found.frames["coincidences"]["reach_m"].iloc[0] == pytest.approx(2 * np.sqrt(0.0024), rel=1e-6)


def test_stops_are_compared_like_zones():
    """Two strips of 0.6 m whose stops lie 0.2 m apart overlap by two thirds; one 5 m away is the nearest only."""
    found = compare_lifts(
        lift("UP", 2, stops=(80.0, 120.0)), lift("LOW", 1, stops=(80.2, 125.0)), (line(),), CELL_M
    )
    met = found.frames["coincidences"]
    assert met[["kind", "number", "other_number"]].values.tolist() == [["stop", 1, 1]]
    assert met["overlap_frac"].iloc[0] == pytest.approx(0.4 / 0.6, rel=1e-3)
    rows = found.frames["places"]
    far = rows[(rows["lot_id"] == "UP") & (rows["number"] == 2)].iloc[0]
    assert (far["nearest_number"], far["coincides"]) == (2, False)
    assert far["nearest_m"] == pytest.approx(5.0 - 0.6, abs=1e-3)


def test_profiles_side_by_side_are_cut_at_both_ends():
    """Profiles of 0-50-100 m over 20-70 m share 30 m and 20 m, and shares of 5 % are left out."""
    one = lift("UP", 2, profiles=[(0.0, 50.0), (50.0, 100.0)])
    other = lift("LOW", 1, profiles=[(20.0, 70.0), (99.0, 149.0)])
    pairs = compare_lifts(one, other, (line(),), CELL_M).frames["profile_pairs"]
    assert pairs[["profile_id", "other_profile_id"]].values.tolist() == [[1, 1], [2, 1]]
    assert pairs["common_frac"].to_numpy() == pytest.approx([0.6, 0.4], abs=1e-3)
    assert pairs["station_from_m"].to_numpy() == pytest.approx([1020.0, 1050.0], abs=0.01)
    assert pairs["other_differential_delta_c"].tolist() == [10.0, 10.0]


def test_zones_over_zones_are_more_than_chance():
    """Ten zones each exactly over one of the other are more than any of the 95 % of shifts, and correlate by 1."""
    noise = np.random.default_rng(1)
    at = np.sort(noise.uniform(5, LENGTH_M - 8, 10))
    boxes = [(a, o, a + 1.5, o + 0.9) for a, o in zip(at, noise.uniform(-1.5, 0.6, 10), strict=True)]
    found = compare_lifts(lift("UP", 2, boxes), lift("LOW", 1, boxes, base_c=-4.0), (line(),), CELL_M)
    zones = found.chance["zones_on"]
    assert zones.observed == 10 > zones.high
    assert found.chance["overlap_frac"].observed == pytest.approx(1.0)
    assert found.chance["correlation"].observed == pytest.approx(
        1.0
    )  # a constant between the lots counts nothing
    at_zone = found.along[0].field.difference_at(*(item[:1] for item in line().place(
        np.array([1000 + at[0] + 0.7]), np.array([boxes[0][1] + 0.4]))))  # fmt: skip
    assert at_zone == pytest.approx(4.0)


def test_chance_holds_what_it_says():
    """Of lots whose zones lie independently, at least 95 % are within the middle 95 % of their own shifts.

    Counts are whole numbers, so more than 95 % may; the bound is the binomial one at 0.1 % for MANY seeds.
    """
    within = 0
    stretch = (0.0, LENGTH_M)
    parts = shift_parts([stretch])[::12]
    for seed in range(MANY):
        noise = np.random.default_rng(seed)
        one, other = (_random_places(noise) for _ in range(2))
        count = places.pairs(one, other, 0.0).count()
        moved = [
            places.pairs(one, places.shifted(other, part * LENGTH_M, stretch), 0.0).count() for part in parts
        ]
        chance = against(count, np.array(moved))
        within += chance.low <= count <= chance.high
    assert within >= stats.binom.ppf(0.001, MANY, 0.95)


def _random_places(noise: np.random.Generator) -> places.Places:
    at, left = noise.uniform(0, LENGTH_M - 3, 12), noise.uniform(-1.8, 0.6, 12)
    shapes = shapely.box(at, left, at + noise.uniform(1, 3, 12), left + 1.2)
    return places.Places(np.arange(12), shapes, np.full(12, 0.02))


def test_correlation_holds_what_it_says():
    """Fields that are smooth by themselves and independent lie within the middle 95 % of their shifts in 95 %.

    Bounds are the binomial ones at 0.1 % on either side, widened by 2 % since shifts near each other agree.
    """
    within, parts = 0, shift_parts([(0.0, LENGTH_M)])
    for seed in range(MANY):
        noise = np.random.default_rng(seed)
        one, other = (
            ndimage.gaussian_filter(noise.normal(size=(12, 600)), (1, 6), mode="wrap") for _ in range(2)
        )
        r, moved = correlations([Field(line(), CELL_M, 0, 0, one, other)], parts)
        chance = against(r, moved)
        within += chance.low <= r <= chance.high
    low, high = stats.binom.ppf([0.001, 0.999], MANY, 0.95) / MANY
    assert low - 0.02 <= within / MANY <= min(high + 0.02, 1.0)


def test_white_cells_count_each_for_one():
    """Of fields without any smoothness every cell is independent; smoothed over n cells about 1 in n is (Fisher)."""
    noise = np.random.default_rng(5)
    parts = np.arange(1, 1000) / 1000
    white = [noise.normal(size=(12, 2000)) for _ in range(2)]
    n = effective_count(correlations([Field(line(), CELL_M, 0, 0, *white)], parts)[1])
    assert n == pytest.approx(24_000, rel=0.15)
    smooth = [ndimage.uniform_filter1d(item, 8, axis=1, mode="wrap") for item in white]
    n = effective_count(correlations([Field(line(), CELL_M, 0, 0, *smooth)], parts)[1])
    share = sum((1 - abs(lag) / 8) ** 2 for lag in range(-7, 8))  # of correlations squared (Bartlett 1935)
    assert n == pytest.approx(24_000 / share, rel=0.2)


def test_a_shift_keeps_every_place_whole():
    """Whatever leaves the stretch at one end comes back at the other: the area within stays the same."""
    stretch, noise = (0.0, LENGTH_M), np.random.default_rng(2)
    held = _random_places(noise)
    mat = shapely.box(0.0, -HALF_M, LENGTH_M, HALF_M)
    for by_m in (13.0, 101.5, 199.0):
        moved = places.shifted(held, by_m, stretch)
        area = shapely.area(shapely.intersection(moved.shape, mat)).sum()
        assert area == pytest.approx(shapely.area(held.shape).sum(), rel=1e-9)


def test_lanes_are_counted_together():
    """Along two lanes 10 m apart a zone over a zone in each makes two, each by its own pass; shifts move both."""
    lanes = (line(), replace(line(), pass_id="2", northing_m=line().northing_m + 10.0))

    def both(name: str, number: int, at_m: float) -> Lift:
        one = lift(name, number, [(at_m, -0.5, at_m + 2.0, 0.5)])
        zones = pd.concat(
            [one.zones, one.zones.assign(zone_id=2, geometry=_aside(one.zones, 10.0))], ignore_index=True
        )
        held = one.readings
        readings = Readings(
            np.tile(held.easting_m, 2),
            np.r_[held.northing_m, held.northing_m + 10.0],
            np.tile(held.deficit_delta_c, 2),
        )
        return Lift(name, number, zones, one.stops, one.profiles, readings, 0.02)

    found = compare_lifts(both("UP", 2, 60.0), both("LOW", 1, 60.5), lanes, CELL_M)
    met = found.frames["coincidences"]
    assert met[["pass_id", "number", "other_number"]].values.tolist() == [["1", 1, 1], ["2", 2, 2]]
    assert found.numbers["zones_on"] == 2
    assert found.numbers["overlap_frac"] == pytest.approx(0.75, abs=1e-3)
    assert found.mat.area == pytest.approx(2 * LENGTH_M * 2 * HALF_M, rel=0.03)
    assert found.chance["zones_on"].low == 0


def _aside(zones: pd.DataFrame, by_m: float) -> np.ndarray:
    return shapely.transform(np.asarray(zones["geometry"]), lambda at: at + np.array([0.0, by_m]))


def test_short_mat_says_nothing_of_chance():
    """On 20 m there are no shifts to judge by: what was observed stands alone."""
    assert len(shift_parts([(0.0, 20.0)])) == 0
    alone = against(2.0, np.empty(0))
    assert (alone.observed, alone.shifts) == (2.0, 0)
    assert np.isnan(alone.expected)


def test_lots_apart_are_refused():
    """Without a common cell there is nothing to compare."""
    other = lift("LOW", 1)
    away = Readings(
        other.readings.easting_m, other.readings.northing_m + 50.0, other.readings.deficit_delta_c
    )
    with pytest.raises(ValueError, match="no cell"):
        compare_lifts(
            lift("UP", 2),
            Lift("LOW", 1, other.zones, other.stops, other.profiles, away, 0.02),
            (line(),),
            CELL_M,
        )
