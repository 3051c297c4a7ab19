"""Signs, as properties: mirror, reverse or turn the lot and the results are mirrored, reversed, turned.

The truth is the synthetic lot's closed form; the receiver is nearly free of noise here, so that a wrong
sign (at least the width of a spot) cannot hide.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import flow as flows
from thermosaic import synthetic
from thermosaic.model import PLACED
from thermosaic.synthetic import (
    Gnss,
    LotPlan,
    Mat,
    PassPlan,
    Patch,
    Rig,
    Scanner,
    Stop,
    SyntheticLot,
    Wheel,
    make_lot,
)

ROAD = (synthetic.straight(40.0), *synthetic.bend(60.0, 25.0, lead_m=12.0), synthetic.straight(35.0))
MIRRORED_ROAD = tuple(
    replace(s, curvature_from=-s.curvature_from, curvature_to=-s.curvature_to) for s in ROAD
)
PATCHES = (Patch(25.0, 2.4, 0.75, 1.2, 22.0), Patch(75.0, 3.0, -0.9, 1.2, 24.0))
SCANNER = Scanner(noise_c=0.0, mat_right_m=1.5)
GNSS = Gnss(fixed_m=0.001)
NEAR_M = 0.01  # positions of two runs that differ by a sign only


def quiet_plan(**changes: object) -> LotPlan:
    """Plan a lot whose only unevenness is planted, on the central meridian of UTM zone 11 (117 W)."""
    plan = {
        "road": ROAD,
        "start_lon_deg": -117.0,
        "scanner": SCANNER,
        "gnss": GNSS,
        "mat": Mat(texture_c=0.0, patches=PATCHES),
        "passes": (PassPlan(stops=(Stop(50.0, 40.0),)),),
        "wheel": Wheel(quantum_m=0.0001),
    }
    return LotPlan(**{**plan, **changes})


def mirrored(plan: LotPlan) -> LotPlan:
    """Mirror a plan about the central meridian: every right becomes a left."""
    rig, scanner = plan.rig, plan.scanner
    edges = {"mat_left_m": -scanner.mat_right_m, "mat_right_m": -scanner.mat_left_m}
    return replace(
        plan,
        road=MIRRORED_ROAD,
        start_bearing_deg=-plan.start_bearing_deg,
        rig=replace(rig, antenna_right_m=-rig.antenna_right_m),
        scanner=replace(scanner, first_m=-scanner.first_m, last_m=-scanner.last_m, **edges),
        passes=tuple(replace(item, offset_m=-item.offset_m) for item in plan.passes),
        mat=replace(plan.mat, patches=tuple(replace(p, right_m=-p.right_m) for p in plan.mat.patches)),
    )


@pytest.fixture(scope="module")
def upright(tmp_path_factory) -> flows.Flow:
    """Give the lot that all others are compared with."""
    return flows.flow(make_lot(quiet_plan()), tmp_path_factory.mktemp("upright"))


def zone_table(result: flows.Flow) -> np.ndarray:
    """Return station and offset ranges of the zones, in order of station."""
    zones = result.findings.frames["cold_zones"]
    columns = ["station_from_m", "station_to_m", "offset_from_m", "offset_to_m"]
    return zones.sort_values("station_from_m")[columns].to_numpy()


def profile_numbers(result: flows.Flow) -> np.ndarray:
    """Return the differentials in order of station."""
    profiles = result.findings.frames["profiles"].sort_values("station_from_m")
    return profiles["differential_delta_c"].to_numpy()


def assert_true(result: flows.Flow) -> None:
    """Check every spot, station and offset against the truth."""
    assert np.all(result.swath.placed == PLACED.index("fixes"))
    assert result.errors_m().max() < NEAR_M
    assert np.max(np.abs(result.stations.line_frame_m - result.truth.station_m)) < NEAR_M
    assert np.max(np.abs(result.stations.line_offset_m - result.truth.offset_m)) < NEAR_M


def test_the_upright_lot_is_true(upright):
    """The lot that the others are compared with is itself placed right and has its two zones."""
    assert_true(upright)
    assert len(zone_table(upright)) == 2


def test_a_mirrored_lot_gives_mirrored_results(upright, tmp_path):
    """Mirrored about the central meridian: eastings from 500 km and offsets change sign only."""
    other = flows.flow(make_lot(mirrored(quiet_plan())), tmp_path)
    assert_true(other)
    assert np.allclose(other.swath.easting_m - 500_000, 500_000 - upright.swath.easting_m, atol=NEAR_M)
    assert np.allclose(other.swath.northing_m, upright.swath.northing_m, atol=NEAR_M)
    assert np.allclose(other.stations.offset_m, -upright.stations.offset_m, atol=NEAR_M)
    zones, mirror = zone_table(upright), zone_table(other)
    assert np.allclose(mirror[:, :2], zones[:, :2], atol=0.31)
    assert np.allclose(mirror[:, 2:], -zones[:, :1:-1], atol=0.31)
    assert np.allclose(profile_numbers(other), profile_numbers(upright), atol=0.5)
    sides = [
        r.findings.frames["cold_zones"].sort_values("station_from_m")["edge_side"] for r in (upright, other)
    ]
    assert all({left, right} == {"left", "right"} for left, right in zip(*sides, strict=True))


@pytest.mark.parametrize("turn_deg", [90.0, 137.0, 250.0])
def test_a_turned_lot_gives_turned_results(upright, tmp_path, turn_deg):
    """Turned about its first point the lot's spots turn with it; stations, zones and profiles stay."""
    plan = quiet_plan(start_bearing_deg=quiet_plan().start_bearing_deg + turn_deg)
    other = flows.flow(make_lot(plan), tmp_path)
    assert_true(other)
    turn = np.exp(-1j * np.radians(turn_deg))
    first = make_lot(replace(plan, road=(synthetic.straight(30.0),))).site
    origin = first.east0_m + 1j * first.north0_m
    there = (upright.swath.easting_m + 1j * upright.swath.northing_m - origin) * turn + origin
    assert np.max(np.abs(there - other.swath.easting_m - 1j * other.swath.northing_m)) < 2 * NEAR_M
    assert np.allclose(zone_table(other), zone_table(upright), atol=0.31)
    assert np.allclose(profile_numbers(other), profile_numbers(upright), atol=0.5)


def test_columns_right_to_left_change_nothing(upright, tmp_path):
    """The logger's column order does not matter: the same reading lies at the same place."""
    scanner = replace(SCANNER, first_m=SCANNER.last_m, last_m=SCANNER.first_m)
    other = flows.flow(make_lot(quiet_plan(scanner=scanner)), tmp_path)
    assert np.allclose(other.swath.easting_m[:, ::-1], upright.swath.easting_m, atol=1e-6)
    assert np.allclose(other.swath.temp_c[:, ::-1], upright.swath.temp_c)
    assert np.array_equal(other.swath.on_mat[:, ::-1], upright.swath.on_mat)
    assert np.allclose(zone_table(other), zone_table(upright), atol=1e-6)
    assert np.allclose(profile_numbers(other), profile_numbers(upright))
    assert np.array_equal(other.findings.reason[:, ::-1], upright.findings.reason)


def replanted(reference: SyntheticLot, plan: LotPlan) -> LotPlan:
    """Plan the other direction with the reference's patches at the same stations and offsets."""
    there, here = reference.motions[0], make_lot(plan).motions[0]
    place = np.linspace(0, here.length_m, 2000)
    station, offset = synthetic.line_stations(plan, here, place)
    patches = []
    for patch in reference.plan.mat.patches:
        wanted = synthetic.line_stations(reference.plan, there, np.array([patch.at_m]))
        at = np.interp(-wanted[0][0], -station, place)
        right = np.interp(at, place, offset) - (wanted[1][0] + patch.right_m)
        patches.append(replace(patch, at_m=float(at), right_m=float(right)))
    return replace(plan, mat=replace(plan.mat, patches=tuple(patches)))


def test_the_same_mat_paved_downstation(upright, tmp_path):
    """Paved the other way round, the mat has its zones at the same stations and offsets."""
    scanner = replace(SCANNER, mat_left_m=-SCANNER.mat_right_m, mat_right_m=-SCANNER.mat_left_m)
    back = quiet_plan(passes=(PassPlan("downstation", stops=(Stop(50.0, 40.0),)),), scanner=scanner)
    other = flows.flow(make_lot(replanted(make_lot(quiet_plan()), back)), tmp_path)
    assert_true(other)
    for result, word in ((upright, "upstation"), (other, "downstation")):
        assert set(result.findings.frames["cold_zones"]["travel"]) == {word}
    assert np.allclose(zone_table(other), zone_table(upright), atol=0.35)


def test_an_alignment_drawn_the_other_way(upright, tmp_path):
    """Reversed vertices turn stations, offsets and travel round, and move no spot."""
    lot = make_lot(quiet_plan())
    drawing = json.loads(lot.files["centreline.geojson"])
    drawing["features"][0]["geometry"]["coordinates"].reverse()
    files = lot.files | {"centreline.geojson": json.dumps(drawing).encode()}
    other = flows.flow(replace(lot, files=files), tmp_path)
    assert np.array_equal(other.swath.easting_m, upright.swath.easting_m)
    length = lot.site.grid_scale * lot.site.road.length_m
    first = lot.plan.first_station_m
    assert np.allclose(other.stations.frame_m + upright.stations.frame_m, 2 * first + length, atol=NEAR_M)
    assert np.allclose(other.stations.offset_m, -upright.stations.offset_m, atol=NEAR_M)
    assert not other.stations.upstation[0]
    assert set(other.findings.frames["cold_zones"]["travel"]) == {"downstation"}
    assert np.allclose(profile_numbers(other)[::-1], profile_numbers(upright))


# ------------------------------------------------------------------------------------------ the antenna


@pytest.mark.parametrize("forward_m", [-1.6, 0.0, 1.98, 3.0])
@pytest.mark.parametrize("right_m", [-1.0, 0.8])
def test_the_antenna_may_sit_anywhere(tmp_path, forward_m, right_m):
    """Ahead or behind, left or right: the spots are where the truth has them, on bends too."""
    plan = quiet_plan(rig=Rig(antenna_forward_m=forward_m, antenna_right_m=right_m))
    assert_true(flows.flow(make_lot(plan), tmp_path))


def moved_m(result: flows.Flow, reference: flows.Flow) -> tuple[np.ndarray, np.ndarray]:
    """Return how far spots moved along and to the right of travel (line)."""
    heading = np.radians(reference.swath.heading_deg)
    east = (result.swath.easting_m - reference.swath.easting_m).mean(axis=1)
    north = (result.swath.northing_m - reference.swath.northing_m).mean(axis=1)
    along = east * np.sin(heading) + north * np.cos(heading)
    return along, east * np.cos(heading) - north * np.sin(heading)


def test_an_antenna_72_in_ahead_moves_the_spots_6_ft_back(tmp_path):
    """Stating 72 in ahead instead of 0 moves every spot 6 ft against travel (common practice, no source)."""
    lot = make_lot(quiet_plan(road=(synthetic.straight(80.0),)))
    stated = {"over": "0 in ahead", "ahead": "72 in ahead"}
    over, ahead = (
        flows.flow(lot, tmp_path / name, lambda text, to=to: text.replace('"1.98 m ahead"', f'"{to}"'))
        for name, to in stated.items()
    )
    along, right = moved_m(ahead, over)
    assert np.allclose(along, -6 * 0.3048, atol=NEAR_M)
    assert np.allclose(right, 0.0, atol=NEAR_M)


def test_a_wrong_lateral_sign_moves_spots_twice_and_swaps_sides_on_the_return(tmp_path):
    """0.4 m left stated as right puts spots 0.8 m left of travel, whichever way that is on the map."""
    passes = (PassPlan("upstation", offset_m=-1.9), PassPlan("downstation", offset_m=1.9, wait_s=600.0))
    plan = quiet_plan(passes=passes, rig=Rig(antenna_right_m=-0.4), road=(synthetic.straight(80.0),))
    right = flows.flow(make_lot(plan), tmp_path / "right")
    wrong = flows.flow(
        make_lot(plan), tmp_path / "wrong", lambda text: text.replace("0.4 m left", "0.4 m right")
    )
    along, across = moved_m(wrong, right)
    assert np.allclose(across, -0.8, atol=NEAR_M)
    assert np.allclose(along, 0.0, atol=NEAR_M)
    shift = wrong.stations.line_offset_m - right.stations.line_offset_m
    up = right.truth.pass_code == 0
    assert np.allclose(shift[up], -0.8, atol=NEAR_M)
    assert np.allclose(shift[~up], 0.8, atol=NEAR_M)
