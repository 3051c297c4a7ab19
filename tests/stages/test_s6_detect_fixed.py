"""A local reference against a fixed one, on a day that drifts."""

from __future__ import annotations

import pytest

import finding
from thermosaic import synthetic
from thermosaic.errors import ConfigError
from thermosaic.synthetic import LotPlan, PassPlan, SyntheticLot

TARGET_C = 145.0
FIXED = finding.rules("below-target-150ft")


def drifting(*patches: synthetic.Patch) -> SyntheticLot:
    """Make 300 m laid within the hour, cooling evenly by 30 degC from the target on."""
    laid_m, speed_mps = 280.0, 0.1
    hours = laid_m / speed_mps / 3600
    mat = synthetic.Mat(base_c=TARGET_C, drift_c_per_h=-30.0 / hours, patches=patches)
    return synthetic.make_lot(
        LotPlan(road=(synthetic.straight(300.0),), passes=(PassPlan(speeds=((0.0, speed_mps),)),), mat=mat)
    )


def test_drift_alone_makes_no_zone():
    """30 degC over the day, evenly: no zone against the mat around, though its end is 54 degF below the target."""
    found = finding.find(drifting())
    assert len(found.frames["cold_zones"]) == 0


def test_a_fixed_threshold_differs():
    """Against the target the last metres, 50 degF and more below it, are one zone across the mat."""
    lot = drifting()
    found = finding.find(lot, FIXED, laydown_target_c=TARGET_C)
    zones = found.frames["cold_zones"]
    assert len(zones) >= 1
    assert zones["area_m2"].sum() > 10
    assert zones["reference_c"].to_numpy() == pytest.approx(TARGET_C)
    stations = finding.spots(lot, found)["station_m"]
    begins = zones["station_from_m"].min()
    share = (begins - stations.min()) / (stations.max() - stations.min())
    assert share == pytest.approx(40 / 54, abs=0.06)  # the release of 40 degF, on an even fall of 54


def test_a_cold_patch_is_found_by_both():
    """30 degC colder than the mat around, early in the day: a zone either way, with the planted deficit."""
    lot = drifting(synthetic.Patch(40.0, 3.0, 0.0, 1.5, 30.0))
    for rule, target_c in ((finding.rules(), None), (FIXED, TARGET_C)):
        zones = finding.find(lot, rule, laydown_target_c=target_c).frames["cold_zones"]
        first = zones.sort_values("station_from_m").iloc[0]
        assert first["area_m2"] == pytest.approx(4.5, rel=0.25)
        assert first["deficit_max_delta_c"] == pytest.approx(30 + (40 / 280 * 30 if target_c else 0), abs=4.5)


def test_the_class_falls_with_the_day():
    """The differential below the target grows from profile to profile by the drift of 150 ft."""
    profiles = finding.find(drifting(), FIXED, laydown_target_c=TARGET_C).frames["profiles"]
    grown = profiles.sort_values("station_from_m")["differential_delta_c"].diff().dropna()
    assert grown.iloc[:-1].to_numpy() == pytest.approx(30 * 45.72 / 280, abs=1.5)
    assert profiles["class_rank"].iloc[0] == 0
    assert profiles["class_rank"].max() == 1


def test_without_a_target():
    """A rule against the target needs one."""
    with pytest.raises(ConfigError, match="laydown_target is missing"):
        finding.find(drifting(), FIXED)
