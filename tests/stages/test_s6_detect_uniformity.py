"""Uniformity numbers against pandas on the readings, planted loads and worked yields."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

import builders
import finding
from thermosaic import synthetic
from thermosaic.files.manifest import plain
from thermosaic.findings.uniformity import tonnage
from thermosaic.synthetic import LotPlan, PassPlan

FOOT_M, US_TON_T = 0.3048, 0.90718474


@pytest.fixture(scope="module")
def two_lanes():
    """Give the findings of a lot of two lanes."""
    return finding.find(builders.two_lane_southern())


def test_variogram_recomputed_from_the_readings():
    """Cells by pandas groupby, pairs by joining shifted cells: counts and semivariances of both directions."""
    lot = builders.bend_and_stop_lot()
    found = finding.find(lot)
    spots = finding.spots(lot, found)
    numbers = found.counts["uniformity"]
    cell_m = numbers["cell_m"]
    used = spots[spots["reason"].isin(["", "too_cold", "too_hot"])]
    zero_m = builders.true_stations(lot).zero_m[used["pass_code"]]
    cells = used.assign(
        col=np.floor((used["station_m"] - zero_m).round(6) / cell_m).astype(int),
        row=np.floor(used["offset_m"] / cell_m).astype(int),
    )
    mean = cells.groupby(["pass_code", "row", "col"])["temp_c"].mean().reset_index()
    for name, key in (("along", "col"), ("across", "row")):
        part = numbers[name]
        assert part["every"] == 1
        for lag_m, pairs, semivariance in zip(
            part["lag_m"], part["pairs"], part["semivariance_delta_c2"], strict=True
        ):
            shifted = mean.assign(**{key: mean[key] - round(lag_m / cell_m)})
            both = mean.merge(shifted, on=["pass_code", "row", "col"])
            assert pairs == len(both)
            assert semivariance == pytest.approx(
                ((both["temp_c_x"] - both["temp_c_y"]) ** 2).mean() / 2, rel=1e-6
            )


def test_share_colder_is_the_planted_patches(two_lanes):
    """Two patches of 3.6 m2 on mats of so many square metres, deficits above the drop of 13.9 degC."""
    colder = two_lanes.counts["uniformity"]["colder"]
    area_m2 = two_lanes.frames["mat"]["area_m2"].sum()
    assert colder["drop_delta_c"] == pytest.approx(25 / 1.8)
    assert colder["share_frac"] == pytest.approx((3.0 * 1.2 + 2.4 * 1.5) / area_m2, rel=0.2)


@pytest.mark.parametrize(("length_m", "deficit_c"), [(24.0, 9.0), (41.6, 9.0), (41.6, 20.0)])
def test_load_cycle(length_m, deficit_c):
    """Planted loads, ten or more: their length within 3 %, also where their ends are too warm for a zone."""
    plan = LotPlan(
        road=(synthetic.straight(12.5 * length_m),),
        passes=(PassPlan(speeds=((0.0, 0.3),)),),
        mat=synthetic.Mat(
            load_length_m=length_m, load_end=synthetic.Patch(6.0, 2.0, 0.0, 2.4, deficit_c, kind="cyclic")
        ),
    )
    found = finding.find(synthetic.make_lot(plan))
    cycle = found.counts["uniformity"]["cycle"]["1"]
    assert cycle["period_m"] == pytest.approx(length_m, rel=0.03)
    assert cycle["significance"] <= 0.01
    assert (len(found.frames["cold_zones"]) == 0) == (deficit_c < 13.9)


def test_even_mat_has_no_cycle(two_lanes):
    """A mat without loads: no period is significant at 0.01."""
    for cycle in two_lanes.counts["uniformity"]["cycle"].values():
        assert cycle["period_m"] is None or cycle["significance"] > 0.01


def test_numbers_reach_quality_json(two_lanes):
    """Everything is plain JSON, method and fit stated, nugget not above sill."""
    numbers = json.loads(json.dumps(plain(two_lanes.counts["uniformity"]), allow_nan=False))
    assert "pairs / lag^2" in numbers["method"]
    assert "shufflings" in numbers["cycle_method"]
    for name in ("along", "across"):
        assert 0 <= numbers[name]["nugget_delta_c2"] <= numbers[name]["sill_delta_c2"]
        assert numbers[name]["range_m"] > 0


def test_tonnage_of_a_worked_speed():
    """28.4 ft/min, 12 ft, 2 in at 110 lb/yd2 and inch: 250 short tons an hour (a worked example)."""
    speed_mps, width_m = 28.4 * FOOT_M / 60, 12 * FOOT_M
    rate_kg_m2 = 220 * 0.45359237 / (9 * FOOT_M**2)
    length_m = 163.6 * FOOT_M
    lots = pd.DataFrame({
        "pass_id": ["1", None], "area_m2": [width_m * length_m] * 2, "measured_m": [length_m] * 2,
        "speed_mean_mps": [speed_mps] * 2,
    })  # fmt: skip
    found = tonnage(lots, rate_kg_m2)
    assert list(found) == ["1"]
    assert found["1"]["placed_t_per_h"] / US_TON_T == pytest.approx(250, rel=0.001)
    assert found["1"]["mass_t"] / US_TON_T == pytest.approx(24.0, rel=0.001)
    assert found["1"]["width_m"] == pytest.approx(width_m)


def test_tonnage_only_with_a_rate():
    """Without a stated spread rate no mass is made up."""
    lot = builders.one_stop_lot()
    assert "tonnage" not in finding.find(lot).counts
    assert finding.find(lot, spread_rate_kg_m2=120.0).counts["tonnage"]["1"]["mass_t"] > 0
