"""Cold zones and their patterns against planted truth, and what must not become one."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely

import builders
import finding
from thermosaic import model, synthetic
from thermosaic.findings.cycles import members, recurrence
from thermosaic.synthetic import LotPlan, Mat, PassPlan, Patch, Person, Scanner, SpotFault, Stop

DROP_25F = finding.rules()
DROP_7C = finding.rules(zone={"drop_delta_c": 7.0, "release_delta_c": 4.5})


# --------------------------------------------------------------------------------------- random lots


def _patches(rng: np.random.Generator, length_m: float, taken: list[float], deficit_c: float) -> list[Patch]:
    """Draw patches of at least 1 m2 that keep away from each other, the ends and the places given."""
    found: list[Patch] = []
    for _ in range(int(rng.integers(2, 7))):
        at_m = float(rng.uniform(20, length_m - 40))
        kind = str(rng.choice(["single", "streak", "along_free_edge"]))
        if kind == "single":
            size = (float(rng.uniform(1.3, 3)), float(rng.uniform(-1, 1)), float(rng.uniform(1.1, 1.5)))
        elif kind == "streak":
            size = (float(rng.uniform(6, 14)), float(rng.uniform(-0.7, 0.7)), float(rng.uniform(0.35, 0.6)))
        else:
            size = (float(rng.uniform(4, 10)), float(rng.choice([-1, 1])) * 1.55, 0.5)
        patch = Patch(at_m, *size, deficit_c, kind, ellipse=kind == "single" and bool(rng.random() < 0.5))
        apart = [abs(other.at_m - at_m) > (other.length_m + patch.length_m) / 2 + 2.5 for other in found]
        free = [abs(place - at_m) > patch.length_m / 2 + 5 for place in taken]
        if patch.length_m * patch.width_m * (np.pi / 4 if patch.ellipse else 1) > 1.1 and all(apart + free):
            found.append(patch)
    return found


def random_lot(seed: int, deficit_c: float) -> synthetic.SyntheticLot:
    """Make a lot of 300 to 500 m: bends, either direction, speeds, stops, people, drift, cold mat."""
    rng = np.random.default_rng(seed)
    length_m = float(rng.uniform(300, 500))
    at_m, stops, speeds = 10.0, [], [(0.0, float(rng.uniform(0.06, 0.12)))]
    while (at_m := at_m + float(rng.uniform(40, 120))) < length_m - 30:
        stops.append(Stop(at_m, float(rng.uniform(15, 300))))
        pace = float(np.clip(speeds[-1][1] * rng.choice([0.7, 1.25, 1.4, 0.8]), 0.05, 0.25))
        speeds.append((at_m - float(rng.uniform(10, 30)), pace))
    load_m = float(rng.uniform(30, 45)) if rng.random() < 0.5 else None
    ends = [25 + load_m * turn for turn in range(int(length_m / load_m))] if load_m else []
    patches = _patches(rng, length_m, [stop.at_m for stop in stops] + ends, deficit_c)
    end = Patch(25.0, float(rng.uniform(1.5, 3)), 0.0, float(rng.uniform(1.5, 3)), deficit_c, "cyclic")
    mat = Mat(
        patches=tuple(patches),
        load_length_m=load_m,
        load_end=end if load_m else None,
        after_stop_c=deficit_c if rng.random() < 0.5 else 0.0,
        drift_c_per_h=float(rng.uniform(-12, 12)),
        people=tuple(Person(float(at), width_m=0.5) for at in rng.uniform(20, length_m - 20, 6)),
    )
    side = float(rng.choice([-1, 1]))
    bend = synthetic.arc(float(rng.uniform(60, 200)), float(rng.choice([-1, 1])) * 40)
    straight = synthetic.straight((length_m + 20 - bend.length_m) / 2)
    passes = (
        PassPlan(str(rng.choice(["upstation", "downstation"])), speeds=tuple(speeds), stops=tuple(stops)),
    )
    scanner = Scanner(first_m=-2.025 * side, last_m=2.025 * side, rows_pause=bool(rng.random() < 0.3))
    return synthetic.make_lot(
        LotPlan(seed=seed, road=(straight, bend, straight), passes=passes, mat=mat, scanner=scanner,
                alignment=bool(rng.random() < 0.7))
    )  # fmt: skip


def _tally(lot: synthetic.SyntheticLot, found: model.Findings) -> np.ndarray:
    """Planted, found, given, right (found or smaller than the bar), pattern right, stops met."""
    zones, planted = found.frames["cold_zones"], [z for z in lot.truth.zones if z.polygon.area >= 1]
    hits = [(zone, [finding.overlap(zone.polygon, given) for given in zones.geometry]) for zone in planted]
    hits = [(zone, int(np.argmax(over))) for zone, over in hits if over and max(over) >= 0.5]
    named = sum(zone.kind in (zones["pattern"][i], zones["pattern_2"][i]) for zone, i in hits)
    small = [zone.polygon for zone in lot.truth.zones if zone.polygon.area < 1]
    matched = {i for _, i in hits} | {
        i for i, given in enumerate(zones.geometry) if any(given.intersects(shape) for shape in small)
    }
    return np.array([len(planted), len(hits), len(zones), len(matched), named])


def _rates(seeds: range, deficit_c: float, rule) -> tuple[float, float, float, list[str]]:
    """Recall, precision and share of right patterns, and what is wrong with stops, speeds and periods."""
    total, faults = np.zeros(5), []
    for seed in seeds:
        lot = random_lot(seed, deficit_c)
        found = finding.find(lot, rule)
        total += _tally(lot, found)
        found_wrong = [*_stop_faults(lot, found), *_speed_faults(lot, found), *_period_faults(lot, found)]
        faults += [f"lot {seed}: {text}" for text in found_wrong]
    planted, hit, given, matched, named = total
    return hit / planted, matched / given, named / hit, faults


def _stop_faults(lot: synthetic.SyntheticLot, found: model.Findings) -> list[str]:
    """Stops over 15 s without a stop found that starts and ends within 1.5 s (5 s where rows pause)."""
    bar_s = 5.0 if lot.plan.scanner.rows_pause else 1.5
    stops, second = found.frames["stops"], np.timedelta64(1, "s")
    ends = [(row.start_utc.to_datetime64(), row.end_utc.to_datetime64()) for row in stops.itertuples()]
    faults = []
    for true in lot.truth.stops:
        off = [
            max(abs((start - true.start_utc) / second), abs((end - true.end_utc) / second))
            for start, end in ends
        ]
        if (true.end_utc - true.start_utc) / second > 15 and min(off, default=np.inf) > bar_s:
            faults.append(f"stop at {true.distance_m:.1f} m is off by {min(off, default=np.inf):.1f} s")
    return faults


def _speed_faults(lot: synthetic.SyntheticLot, found: model.Findings) -> list[str]:
    """Changes of speed without an edge of a segment within 2 m."""
    edges_m = np.r_[0.0, np.cumsum(found.frames["speed_segments"]["length_m"])]
    stretches = lot.truth.speeds
    changes = [
        after.from_m
        for before, after in pairwise(stretches)
        if abs(after.speed_mps / before.speed_mps - 1) > 0.15
    ]
    return [
        f"change of speed at {place:.1f} m is off by {np.abs(edges_m - place).min():.1f} m"
        for place in changes
        if np.abs(edges_m - place).min() > 2.0
    ]


def _period_faults(lot: synthetic.SyntheticLot, found: model.Findings) -> list[str]:
    """Lots of ten loads or more whose period is missed or off by more than 3 %."""
    load_m = lot.plan.mat.load_length_m
    if load_m is None or (lot.truth.distance_m[-1] - lot.truth.distance_m[0] - 25.0) / load_m < 10:
        return []
    (cycle,) = found.counts["uniformity"]["cycle"].values()
    period_m = cycle["period_m"]
    if period_m is not None and cycle["significance"] <= 0.05 and abs(period_m / load_m - 1) <= 0.03:
        return []
    return [f"loads of {load_m:.1f} m: {cycle}"]


@pytest.mark.parametrize(
    ("seeds", "deficit_c", "rule", "bar"),
    [
        (range(0, 4), 20.0, DROP_25F, 0.95),
        (range(100, 102), 10.0, DROP_7C, 0.9),
        pytest.param(range(4, 50), 20.0, DROP_25F, 0.95, marks=pytest.mark.slow),
        pytest.param(range(102, 150), 10.0, DROP_7C, 0.9, marks=pytest.mark.slow),
    ],
)
def test_planted_zones_are_found_and_nothing_else(seeds, deficit_c, rule, bar):
    """Recall and precision at IoU 0.5 for zones of 1 m2 and more, and patterns right in nine of ten.

    In the same lots no stop over 15 s is missed or off, speed changes within 2 m, periods of ten loads within 3 %.
    """
    recall, precision, pattern, faults = _rates(seeds, deficit_c, rule)
    assert faults == []
    assert recall >= bar
    assert precision >= bar
    assert pattern >= 0.9


# ------------------------------------------------------------------------------ what must not be a zone


def _straight(mat: Mat, **changes) -> synthetic.SyntheticLot:
    return synthetic.make_lot(LotPlan(mat=mat, **changes))


def test_a_drift_of_the_plant_makes_no_zone():
    """30 degC over the day, here within 180 m, and a step of 20 degC from one load to the next: no zone."""
    lot = _straight(Mat(drift_c_per_h=60.0))
    assert np.ptp(lot.truth.temp_c[:, 14]) > 29
    assert len(finding.find(lot).frames["cold_zones"]) == 0
    swath = builders.true_swath(lot)
    step = np.where(swath.distance_m[:, None] > 90, np.float32(20), np.float32(0))
    assert len(finding.find(lot, swath={"temp_c": swath.temp_c - step}).frames["cold_zones"]) == 0


def test_a_drift_hides_no_zone():
    """A zone of 20 degC is found in that drift with the outline it has without."""
    patch = Patch(90.0, 2.5, 0.2, 1.4, 20.0)
    areas = []
    for drift in (0.0, 60.0):
        lot = _straight(Mat(patches=(patch,), drift_c_per_h=drift))
        zones = finding.find(lot).frames["cold_zones"]
        assert finding.best_overlap(lot.truth.zones[0].polygon, zones.geometry) > 0.8
        areas.append(zones["area_m2"].iloc[0])
    assert areas[0] == pytest.approx(areas[1], rel=0.05)


def test_people_stuck_and_biased_spots_make_no_zone():
    """Six people, a dead, a stuck and a biased spot: no zone anywhere."""
    faults = (SpotFault(8, "dead"), SpotFault(15, "stuck", 95.0), SpotFault(20, "biased", -18.0))
    people = tuple(Person(30.0 + 20 * i, width_m=0.3 + 0.1 * i) for i in range(6))
    found = finding.find(_straight(Mat(people=people, faults=faults)))
    assert len(found.frames["cold_zones"]) == 0
    assert found.counts["foreign_objects"] == 6


def test_a_strip_seen_by_one_spot_only_is_named_as_the_spots():
    """A spot that reads 20 degC low over 60 m, not over the whole pass: no zone, but a doubt."""
    lot = _straight(Mat(), alignment=False)  # no spot shares its cells with another
    swath = builders.true_swath(lot)
    temp = swath.temp_c.copy()
    temp[(swath.distance_m > 60) & (swath.distance_m < 120), 12] -= 20
    found = finding.find(lot, swath={"temp_c": temp})
    assert len(found.frames["cold_zones"]) == 0
    assert [doubt.kind for doubt in found.doubts if doubt.kind == "one_spot_strip"]


@pytest.mark.parametrize("colder_c", [28.0, 45.0])
def test_a_cold_shoulder_or_kerb_is_no_zone(colder_c):
    """Mat edges stated 0.2 m too far out take in shoulder at 28 degC or a kerb at 45 degC: no zone."""
    lot = _straight(Mat(shoulder_c=colder_c))
    swath = builders.true_swath(lot)
    layout = swath.layouts[0]
    edges = np.array([layout.pitch_m[:, 0].min(), layout.pitch_m[:, 1].max()])
    heading = np.radians(swath.heading_deg)[:, None]
    wide = {
        "layouts": (replace(layout, on_mat=np.ones(28, bool), edges_m=edges),),
        "edge_easting_m": lot.truth.easting_m[:, None] + edges * np.cos(heading),
        "edge_northing_m": lot.truth.northing_m[:, None] - edges * np.sin(heading),
    }
    found = finding.find(lot, swath=wide)
    assert len(found.frames["cold_zones"]) == 0
    assert found.counts["dropped"]["too_cold"] == 0  # the trim of 2 ft takes them all


def test_mat_that_cooled_in_a_stop_is_no_zone_but_a_cold_spot_in_it_is():
    """A stop of 20 min leaves a strip 40 degC colder, first seen aged: no zone; 20 degC more in it: one."""
    passes = (PassPlan(stops=(Stop(90.0, 1200.0),)),)
    lot = _straight(Mat(), passes=passes)
    assert len(finding.find(lot).frames["cold_zones"]) == 0
    swath = builders.true_swath(lot)
    spot = (np.abs(swath.distance_m - 90.45) < 0.4)[:, None] & (np.abs(swath.spot_right_m) < 0.6)
    colder = np.where(spot, swath.temp_c - np.float32(20), swath.temp_c)
    zones = finding.find(lot, swath={"temp_c": colder}).frames["cold_zones"]
    assert zones["pattern"].tolist() == ["at_stop"]
    assert zones["area_m2"].iloc[0] == pytest.approx(0.8 * 1.2, rel=0.25)


# --------------------------------------------------------------------------------------------- outlines


@pytest.mark.parametrize("make", [builders.us_curve_lot, builders.two_lane_southern])
def test_outlines_and_areas_are_those_on_the_ground(make):
    """On curves, in feet, up- and downstation: outline IoU over 0.85 and ground area within 15 %."""
    lot = make()
    zones = finding.find(lot).frames["cold_zones"]
    assert len(zones) == len(lot.truth.zones)
    for zone in lot.truth.zones:
        over = [finding.overlap(zone.polygon, given) for given in zones.geometry]
        assert max(over) > 0.85
        row = zones.iloc[int(np.argmax(over))]
        assert row["area_m2"] == pytest.approx(zone.polygon.area / lot.truth.grid_scale**2, rel=0.15)
        assert row["area_m2"] == pytest.approx(row.geometry.area / lot.truth.grid_scale**2, rel=1e-9)
        assert row["deficit_max_delta_c"] == pytest.approx(zone.deficit_c, abs=3.0)
        assert row["reference_c"] - row["temp_min_c"] == pytest.approx(row["deficit_max_delta_c"], abs=1.0)
        assert row.geometry.is_valid


def test_a_wider_spacing_of_spots_finds_the_same_zone():
    """12 spots of 1 ft, two cells of the rule each: holes are bridged and the zone keeps its outline."""
    scanner = Scanner(
        first_m=-1.6764, last_m=1.6764, count=12, mat_left_m=-1.83, mat_right_m=1.83, rate_hz=1.0
    )
    lot = _straight(Mat(patches=(Patch(90.0, 3.0, 0.2, 1.5, 22.0),)), scanner=scanner)
    zones = finding.find(lot).frames["cold_zones"]
    assert len(zones) == 1
    assert finding.overlap(lot.truth.zones[0].polygon, zones.geometry.iloc[0]) > 0.7


def test_edge_distances_are_what_a_person_with_a_tape_finds():
    """0.4 m to 1.2 m from the driver's left edge; going downstation that is the right one upstation."""
    for direction, side in (("upstation", "left"), ("downstation", "right")):
        patch = Patch(60.0, 3.0, -1.8 + 0.8, 0.8, 22.0)
        lot = _straight(Mat(patches=(patch,)), passes=(PassPlan(direction),))
        zone = finding.find(lot).frames["cold_zones"].iloc[0]
        assert zone["edge_side"] == side
        assert zone["edge_from_m"] == pytest.approx(0.4, abs=0.16)
        assert zone["edge_to_m"] == pytest.approx(1.2, abs=0.16)


def test_a_zone_is_out_of_scope_where_an_exclusion_touches_it():
    """The same zone with and without an exclusion over half of it."""
    patch = Mat(patches=(Patch(90.0, 3.0, 0.2, 1.5, 22.0),))
    inside = finding.find(_straight(patch)).frames["cold_zones"]
    outside = finding.find(_straight(patch, exclude=(synthetic.Exclude(60.0, 105.0),))).frames["cold_zones"]
    assert inside["in_scope"].tolist() == [True]
    assert outside["in_scope"].tolist() == [False]
    assert inside["area_m2"].equals(outside["area_m2"])


# --------------------------------------------------------------------------------------------- patterns


def test_patterns_name_where_and_when_with_numbers():
    """One zone of each kind gets its word; every evidence is a sentence with a number in it."""
    patches = (
        Patch(2.0, 3.0, 0.0, 2.0, 22.0, "pass_start"),
        Patch(40.0, 6.0, 1.5, 0.5, 22.0, "along_joint"),
        Patch(63.0, 6.0, -1.5, 0.5, 22.0, "along_free_edge"),
        Patch(100.0, 8.0, 0.1, 0.5, 22.0, "streak"),
        Patch(158.0, 2.0, 0.1, 1.5, 22.0, "single"),
    )
    passes = (PassPlan(stops=(Stop(130.0, 60.0),), right_edge="cold joint"),)
    lot = _straight(Mat(patches=patches, after_stop_c=22.0), passes=passes)
    zones = finding.find(lot).frames["cold_zones"]
    for zone in lot.truth.zones:
        row = zones.iloc[int(np.argmax([finding.overlap(zone.polygon, given) for given in zones.geometry]))]
        assert row["pattern"] == zone.kind
        assert any(letter.isdigit() for letter in row["evidence"])
        assert row["evidence"].endswith(".")
    assert zones.loc[zones["pattern"] == "at_stop", "stop_id"].tolist() == [1]
    assert zones.loc[zones["pattern"] != "at_stop", "stop_id"].isna().all()


@pytest.mark.parametrize("jitter", [0.0, 0.03])
@pytest.mark.parametrize("period_m", [28.0, 41.3, 55.0])
def test_a_period_is_found_within_3_percent_in_ten_loads(period_m, jitter):
    """Ten load ends, each load's length varying by 3 %, two foreign zones between: period within 3 %."""
    rng = np.random.default_rng(int(period_m))
    middle = np.cumsum(np.r_[20.0, period_m * (1 + jitter * rng.standard_normal(9))])
    middle = np.sort(np.r_[middle, 20 + 1.4 * period_m, 20 + 5.7 * period_m])
    zones = middle - 1, middle + 1, np.ones(12, bool)
    found = recurrence(*zones, (0.0, 20 + 10 * period_m))
    assert found is not None
    assert found.period_m == pytest.approx(period_m, rel=0.03)
    assert 9 <= len(members(*zones, found.period_m)) <= 12


def test_zones_at_random_rarely_recur():
    """Of 200 random placings of 8 zones at most 10 % pass at a significance of 5 % (binomial, p < 0.001)."""
    rng = np.random.default_rng(11)
    hits = 0
    for _ in range(200):
        middle = np.sort(rng.uniform(0, 400, 8))
        hits += recurrence(middle - 1, middle + 1, np.ones(8, bool), (0.0, 400.0)) is not None
    assert hits <= 20


def test_few_zones_never_recur():
    """Three zones at one distance are too few to speak of a period."""
    middle = np.array([20.0, 60.0, 100.0])
    assert recurrence(middle - 1, middle + 1, np.ones(3, bool), (0.0, 150.0)) is None


# ------------------------------------------------------------------------------------------------ signs


def test_column_order_changes_nothing():
    """The same mat seen by columns from right to left: the same zones, classes and verdicts."""
    lot = builders.us_curve_lot()
    swath, stations = builders.true_swath(lot), builders.true_stations(lot)
    turned = {
        name: getattr(swath, name)[:, ::-1]
        for name in ("easting_m", "northing_m", "sigma_along_m", "sigma_across_m", "temp_c", "bad_spot")
    } | {"layouts": (builders.mirrored(swath.layouts[0]),)}
    places = {name: getattr(stations, name)[:, ::-1] for name in ("frame_m", "offset_m", "inside")}
    one, other = finding.find(lot), finding.find(lot, swath=turned, stations=places)
    assert np.array_equal(one.reason, other.reason[:, ::-1])
    for name in ("cold_zones", "profiles", "dropped"):
        mine, theirs = one.frames[name], other.frames[name]
        numbers = mine.select_dtypes("number").columns
        assert np.allclose(
            mine[numbers].astype(float), theirs[numbers].astype(float), equal_nan=True, rtol=1e-9
        )
        assert all(
            finding.overlap(a, b) > 1 - 1e-9 for a, b in zip(mine.geometry, theirs.geometry, strict=True)
        )


def test_a_mirrored_lot_has_mirrored_zones():
    """Offsets change sign and sides change name when the lot is mirrored in its line; sizes stay."""
    patches = (Patch(50.0, 3.0, 0.8, 1.1, 22.0), Patch(110.0, 2.0, -0.5, 1.3, 25.0))
    mirrored = tuple(replace(patch, right_m=-patch.right_m) for patch in patches)
    quiet = {"texture_c": 0.0}
    scanner = Scanner(noise_c=0.0)
    one, other = (
        finding.find(_straight(Mat(patches=part, **quiet), scanner=scanner, alignment=False)).frames[
            "cold_zones"
        ]
        for part in (patches, mirrored)
    )
    assert np.allclose(one["area_m2"], other["area_m2"], rtol=0.02)
    assert np.allclose(one["offset_from_m"], -other["offset_to_m"], atol=0.16)
    assert (one["edge_side"] != other["edge_side"]).all()
    assert np.allclose(one["edge_from_m"], other["edge_from_m"], atol=0.16)


def test_a_reversed_pass_finds_the_same_ground():
    """The same patch of ground, laid going the other way, gives the same outline."""
    plan = LotPlan(alignment=True, scanner=Scanner(noise_c=0.0))
    up = synthetic.make_lot(
        replace(plan, mat=Mat(patches=(Patch(60.0, 3.0, 0.6, 1.2, 22.0),), texture_c=0.0))
    )
    length = up.truth.distance_m[-1]
    back = Patch(length - 60.0, 3.0, -0.6, 1.2, 22.0)
    shift = up.plan.rig.non_slip_forward_m
    passes = (PassPlan("downstation"),)
    down = synthetic.make_lot(replace(plan, passes=passes, mat=Mat(patches=(back,), texture_c=0.0)))
    there = [finding.find(lot).frames["cold_zones"].geometry.iloc[0] for lot in (up, down)]
    for lot, shape in zip((up, down), there, strict=True):
        assert finding.overlap(lot.truth.zones[0].polygon, shape) > 0.85
    assert shapely.distance(there[0].centroid, there[1].centroid) < 2 * shift + 0.3
