"""Lots in awkward places, from their files to positions: what a grid does to lengths, headings, degrees and epochs.

The truth is the synthetic lot's closed form; ground lengths are measured once more on the ellipsoid by
GeographicLib (pyproj.Geod), which knows no map projection.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pyproj
import pytest

import builders
from sections import sections
from thermosaic import config, model, synthetic
from thermosaic.opening import load_config
from thermosaic.stages.s1_ingest import read_lot
from thermosaic.stages.s2_trajectory import solve_trajectory
from thermosaic.stages.s3_georeference import georeference_scan
from thermosaic.synthetic import Gnss, LotPlan, PassPlan, Stop
from thermosaic.track import plane

EARTH_M = 6_371_000.0
US_FOOT_M = 1200 / 3937
LOW_DISTORTION = pyproj.CRS.from_user_input(
    "+proj=tmerc +lat_0=43.5 +lon_0=-116.2 +k=1.00012 +x_0=30000 +y_0=20000 +ellps=GRS80 +units=us-ft +type=crs"
).to_json_dict()
LOW_DISTORTION["name"] = "Invented County Ground"
LOW_DISTORTION["base_crs"] = pyproj.CRS("EPSG:6318").to_json_dict()
PLACES = {
    "UTM zone edge, 3 deg from the meridian": {"start_lon_deg": -114.02},
    "antimeridian, from east to west": {
        "start_lon_deg": -179.9995, "start_lat_deg": 52.0, "map_crs": "EPSG:6330", "start_bearing_deg": 260.0,
    },
    "southern hemisphere": {
        "start_lon_deg": 151.2, "start_lat_deg": -31.9, "fixes_crs": "EPSG:7844", "map_crs": "EPSG:7856",
    },
    "US survey feet": {"start_lon_deg": -83.0, "start_lat_deg": 40.1, "map_crs": "EPSG:6551", "units": "us",
                       "labels": "100 ft"},
    "custom WKT, ground scale, in feet": {"map_crs": pyproj.CRS.from_json_dict(LOW_DISTORTION).to_wkt("WKT2_2019")},
    "epoch: ITRF2014 fixes on a NAD 83 map": {"fixes_crs": "EPSG:7912", "epoch": 2026.4},
    "two kilometres up": {"gnss": Gnss(fixed_m=0.005, height_m=2000.0)},
}  # fmt: skip


def lot_at(place: dict) -> synthetic.SyntheticLot:
    """Make 80 m of a slight bend with a stop, clean RTK."""
    road = (synthetic.straight(40.0), synthetic.clothoid(10.0, 0.0, 1 / 90), synthetic.arc(90.0, 20.0))
    passes = (PassPlan(stops=(Stop(30.0, 30.0),)),)
    return synthetic.make_lot(
        LotPlan(**{"road": road, "passes": passes, "gnss": Gnss(fixed_m=0.005)} | place)
    )


@pytest.mark.parametrize("name", PLACES)
def test_spots_distances_and_headings_hold_wherever_the_lot_lies(name, tmp_path):
    """Spots within 2.5 cm RMS, heading 0.3 deg, path length 0.1 %; the line of spots as long on the ellipsoid."""
    lot = lot_at(PLACES[name])
    loaded = load_config(builders.write_lot(tmp_path, lot))
    inputs = read_lot(loaded)
    path = solve_trajectory(inputs, loaded.crs, loaded.rig, loaded.accept)
    swath = georeference_scan(inputs.scan, path, loaded.rig, loaded.scanner)
    placed = swath.placed > 0
    assert placed.mean() > 0.98
    off = np.hypot(swath.easting_m - lot.truth.spot_easting_m, swath.northing_m - lot.truth.spot_northing_m)
    assert np.sqrt(np.mean(off[placed] ** 2)) < 0.025
    turn = (swath.heading_deg - lot.truth.heading_deg + 180) % 360 - 180
    assert np.sqrt(np.mean(turn[placed] ** 2)) < 0.3
    assert swath.distance_m[-1] == pytest.approx(lot.truth.distance_m[-1], rel=1e-3)
    assert path.point_scale == pytest.approx(lot.truth.grid_scale, abs=2e-5)
    assert path.convergence_deg == pytest.approx(lot.truth.convergence_deg, abs=0.01)
    lines = np.flatnonzero(placed)[:: len(placed) // 7]
    factor = lot.site.factor
    back = pyproj.Transformer.from_crs(path.crs, path.crs.geodetic_crs, always_xy=True)
    ends = [
        back.transform(swath.easting_m[lines, k] / factor, swath.northing_m[lines, k] / factor)
        for k in (0, -1)
    ]
    azimuth, _, length = pyproj.Geod(ellps="GRS80").inv(*ends[0], *ends[1])
    ground = length * (EARTH_M + lot.plan.gnss.height_m) / EARTH_M
    assert ground == pytest.approx(lot.plan.scanner.last_m - lot.plan.scanner.first_m, abs=2e-3)
    true_heading = azimuth - 90.0
    grid = (swath.heading_deg[lines] + lot.truth.convergence_deg - true_heading + 180) % 360 - 180
    assert np.abs(grid).max() < 0.02  # grid bearing = true bearing - convergence


def test_a_grid_that_is_not_the_ground_would_show():
    """At the zone edge the scale is 1.0004 or so above 1: 0.4 m in a kilometre that ground lengths do not have."""
    lot = lot_at(PLACES["UTM zone edge, 3 deg from the meridian"])
    crs, rig, _ = sections(lot.plan)
    path = solve_trajectory(builders.true_inputs(lot), crs, rig, config.AcceptSection())
    map_m = np.hypot(np.diff(path.knot_easting_m), np.diff(path.knot_northing_m)).sum()
    assert path.point_scale > 1.0003
    assert map_m / np.ptp(path.knot_distance_m) == pytest.approx(path.point_scale, abs=1e-4)
    assert path.wheel_scale == pytest.approx(1.0, abs=3e-4)


def plane_at(height_m: float) -> plane.Plane:
    """Give the plane of two fixes in Idaho at a height."""
    two = {"lon_deg": np.full(2, -116.2), "lat_deg": np.full(2, 43.6), "height_m": np.full(2, height_m)}
    fixes = model.Fixes(
        crs="EPSG:6318", time_utc=np.array(["2026-05-14T13:20", "2026-05-14T13:21"], "datetime64[ns]"),
        quality=np.full(2, 4, np.int8), sigma_m=np.full(2, 0.01), heading_deg=np.full(2, np.nan), **two,
    )  # fmt: skip
    return plane.make_plane(fixes, config.CrsSection(fixes="EPSG:6318", map="EPSG:6340"))


@pytest.mark.parametrize(
    ("height_m", "factor"), [(200, 0.999969), (500, 0.9999215), (1000, 0.999843), (2000, 0.999686)]
)
def test_elevation_factors_are_the_published_ones(height_m, factor):
    """R / (R + h) with R = 6371 km, as surveying tables print it; ellipsoidal height; none known counts as 0."""
    found = plane_at(height_m).grid_per_ground / plane_at(np.nan).grid_per_ground
    assert found == pytest.approx(factor, abs=6e-7)


def test_ground_is_the_longer_where_the_published_example_has_it_longer():
    """Line factor (a + 4 b + c) / 6 of 1.000133747228 (twice) and 1.000125721090: 5314.116 grid, 5314.820 ground.

    An example of ashgps.com (October 2013), in US survey feet; its factor is ground by grid.
    """
    factor = (1.000133747228 + 4 * 1.000133747228 + 1.000125721090) / 6
    assert factor == pytest.approx(1.000132409, abs=1e-9)  # printed cut short
    level = dataclasses.replace(plane_at(0.0), grid_per_ground=1 / factor)
    east_m, _ = level.to_map(np.array([0.0, 5314.820 * US_FOOT_M]), np.zeros(2))
    assert np.diff(east_m)[0] / US_FOOT_M == pytest.approx(5314.116, abs=0.0015)
