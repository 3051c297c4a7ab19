"""Every number of the profiles that readings can give, from spots.parquet and lot_info by pandas alone.

Nothing of the program computes here: limits, percentiles and cells are written out from the rule's own text
(150 ft, 1 ft, P98.5 less P1 by R-7, 25 and 50 degF, 4 degF, 85 %). Layers are read with fiona.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import fiona
import numpy as np
import pandas as pd
import pytest

import builders
from thermosaic.opening import load_config
from thermosaic.results import explain_result
from thermosaic.run import run_lot
from thermosaic.synthetic import (
    Exclude,
    LotPlan,
    Mat,
    PassPlan,
    Patch,
    Person,
    SpotFault,
    Stop,
    SyntheticLot,
    make_lot,
    straight,
)

FOOT_M, DEGREE_F, CELL_M = 0.3048, 1 / 1.8, 0.3048
TRIM_M, LEAST_COVERAGE = 2 * FOOT_M, 0.85
BY_WILL = ["aged_look", "replaced", "excluded", "start_up", "stop", "edge_trim"]


def all_classes() -> SyntheticLot:
    """Make 225 m without an alignment: none, moderate, severe, and a profile half too cold, so insufficient.

    With a person, a dead spot, two stops and a lump too cold to keep.
    """
    mat = Mat(
        patches=(Patch(70.0, 4.0, 0.3, 2.0, 20.0), Patch(115.0, 4.0, 0.0, 2.4, 38.0),
                 Patch(118.0, 1.0, 0.0, 1.0, 80.0), Patch(160.0, 22.0, 0.0, 3.8, 120.0)),
        people=(Person(30.0),), faults=(SpotFault(9, "dead"),), texture_c=1.0,
    )  # fmt: skip
    passes = (PassPlan(stops=(Stop(20.0, 60.0), Stop(100.0, 90.0)), right_edge="hot joint"),)
    return make_lot(LotPlan("SYN-ALL", road=(straight(245.0),), passes=passes, mat=mat, alignment=False))


def excluded() -> SyntheticLot:
    """Make a lot with an intersection left out."""
    return make_lot(LotPlan("SYN-OUT", exclude=(Exclude(100.0, 118.0),)))


LOTS: dict[str, Callable[[], SyntheticLot]] = {
    "all classes": all_classes,
    "excluded": excluded,
    "lanes": builders.two_lane_southern,
    "curve in feet": builders.us_curve_lot,
}


@dataclass(frozen=True, eq=False)
class Product:
    """What a reader of the result has: readings, profiles in SI, zeros of the mat frames."""

    folder: Path
    spots: pd.DataFrame
    profiles: pd.DataFrame
    lot: pd.DataFrame
    stops: pd.DataFrame
    zero_m: dict[str, float]

    def readings(self, profile: pd.Series) -> pd.DataFrame:
        """Readings whose own station lies in [from, to) of a profile, with their cell."""
        mine = self.spots[self.spots["pass_id"] == profile["pass_id"]]
        station_m = mine["station_m"]
        inside = (station_m >= profile["station_from_m"] - 1e-7) & (
            station_m < profile["station_to_m"] - 1e-7
        )
        return self.with_cells(mine[inside])

    def with_cells(self, readings: pd.DataFrame) -> pd.DataFrame:
        zero_m = readings["pass_id"].map(self.zero_m).astype(float)
        return readings.assign(
            col=np.floor((readings["station_m"] - zero_m).round(6) / CELL_M),
            row=np.floor(readings["offset_m"].astype(float) / CELL_M),
        )


def read(folder: Path) -> Product:
    """Read a result as a stranger would, lengths and temperatures brought back to SI."""
    spots = pd.read_parquet(folder / "spots.parquet")
    spots = spots.assign(pass_id=spots["pass_id"].astype(str), temp_c=spots["temp_c"].astype(float))
    layers = {}
    for name in ("profiles", "lot", "stops"):
        with fiona.open(folder / "lot.gpkg", layer=name) as source:
            rows = [dict(item.properties) for item in source]
            layers[name] = pd.DataFrame(rows, columns=list(source.schema["properties"]))
    with closing(sqlite3.connect(f"file:{folder / 'lot.gpkg'}?mode=ro", uri=True)) as package:
        info = dict(package.execute("select key, value from lot_info").fetchall())
    us = "low_f" in layers["profiles"]
    foot_m = 1200 / 3937 if us else 1.0  # the foot of EPSG:6551
    zeros = {
        key.split(".")[1]: float(value) * foot_m
        for key, value in info.items()
        if key.startswith("pass.") and ".frame_zero_" in key
    }
    for name, frame in layers.items():
        layers[name] = _in_si(frame, foot_m) if us else frame
    return Product(folder, spots, layers["profiles"], layers["lot"], layers["stops"], zeros)


def _in_si(frame: pd.DataFrame, foot_m: float) -> pd.DataFrame:
    """Undo US units by the endings of the columns' names."""
    found = {}
    for name, column in frame.items():
        if name.endswith("_delta_f"):
            found[name[:-1] + "c"] = column * DEGREE_F
        elif name.endswith("_f"):
            found[name[:-1] + "c"] = (column - 32) * DEGREE_F
        elif name.endswith("_ftpmin"):
            found[name[:-6] + "mps"] = column * FOOT_M / 60
        elif name.endswith("_ft2"):
            found[name[:-3] + "m2"] = column * foot_m**2
        elif name.endswith("_ft"):
            found[name[:-2] + "m"] = column * foot_m
        else:
            found[name] = column
    return pd.DataFrame(found)


@pytest.fixture(scope="module", params=LOTS)
def product(request, tmp_path_factory) -> Product:
    """Give the published files of each lot in turn."""
    folder = tmp_path_factory.mktemp("lot")
    builders.write_lot(folder / "lot", LOTS[request.param]())
    return read(run_lot(load_config(folder / "lot"), folder / "result", report=False).folder)


def statistic(kept: pd.DataFrame) -> dict[str, float]:
    """Numbers of the sample of cell means."""
    sample = kept.groupby(["col", "row"])["temp_c"].mean()
    if sample.empty:
        return {}
    low, high = np.percentile(sample, [1.0, 98.5])
    return {
        "low_c": low, "high_c": high, "differential_delta_c": high - low, "mean_c": sample.mean(),
        "sd_delta_c": sample.std(), "share_cold_frac": (sample < sample.mean() - 25 * DEGREE_F).mean(),
    }  # fmt: skip


def word_of(differential_c: float) -> str:
    """Class by the TxDOT Pavement Manual 7.5, rounded to 0.1 degF first (common practice, no source)."""
    tenths = np.floor(differential_c * 18 + 0.5 + 1e-6)
    return "none" if tenths <= 250 else "moderate" if tenths <= 500 else "severe"


def test_counts_and_balance(product):
    """Kept, dropped, too cold, excluded; readings = kept + dropped by reason, in every profile and over the lot."""
    for _, profile in product.profiles.iterrows():
        mine = product.readings(profile)
        by_reason = mine["dropped_reason"].astype(object).value_counts()
        assert profile["reading_count"] == mine["kept"].sum()
        assert profile["dropped_count"] == by_reason.sum()
        assert len(mine) == profile["reading_count"] + by_reason.sum()
        assert profile["dropped_low_count"] == by_reason.get("too_cold", 0)
        assert profile["excluded_frac"] == pytest.approx(by_reason.get("excluded", 0) / len(mine), abs=1e-9)
        assert not (mine["kept"] & mine["dropped_reason"].notna()).any()
    total = product.profiles[["reading_count", "dropped_count"]].sum()
    assert total.sum() == len(product.spots)
    assert total["reading_count"] == product.spots["kept"].sum()
    for _, row in product.lot.iterrows():
        mine = product.spots
        mine = mine if pd.isna(row["pass_id"]) else mine[mine["pass_id"] == row["pass_id"]]
        assert row["reading_kept_count"] == mine["kept"].sum()
        assert row["reading_dropped_count"] == (~mine["kept"]).sum()


def test_statistic_class_and_margin(product):
    """Low, high, differential, mean, sd, share; class, rank, margin and borderline; insufficient under 85 %."""
    words = ["none", "moderate", "severe"]
    for _, profile in product.profiles.iterrows():
        mine = product.readings(profile)
        expected = statistic(mine[mine["kept"]])
        for key, value in expected.items():
            assert profile[key] == pytest.approx(value, abs=1e-6), key
        difference = expected["differential_delta_c"]
        if profile["coverage_frac"] < LEAST_COVERAGE:
            assert profile["profile_class"] == "insufficient"
            assert pd.isna(profile[["class_rank", "margin_delta_c", "class_agree_frac"]].astype(float)).all()
            assert not profile["borderline"]
            continue
        margin = min(abs(difference - limit * DEGREE_F) for limit in (25, 50))
        assert profile["profile_class"] == word_of(difference) == words[int(profile["class_rank"])]
        assert profile["margin_delta_c"] == pytest.approx(margin, abs=1e-6)
        assert bool(profile["borderline"]) == (margin <= 4 * DEGREE_F)


def test_times_sigma_placing_and_stops(product):
    """Laid times to 1.5 s, root mean square of the readings' sigmas, ways of placing, stops and time standing."""
    for _, profile in product.profiles.iterrows():
        mine = product.readings(profile)
        fresh = mine[mine["dropped_reason"].astype(object) != "second_look"]
        laid = fresh["laid_utc"].dropna()
        for end, found in (("from", laid.min()), ("to", laid.max())):
            stated = pd.Timestamp(profile[f"laid_{end}_utc"]).tz_localize(None)
            assert abs((stated - found.tz_localize(None)).total_seconds()) < 1.5, end
        assert {str(profile["placed"])} == set(fresh["placed"].astype(str))
        sigma_m = np.sqrt(np.mean(fresh["position_sigma_m"].astype(float) ** 2))
        assert profile["position_sigma_m"] == pytest.approx(sigma_m, rel=0.005)
        stops = product.stops[product.stops["pass_id"] == profile["pass_id"]]
        within = stops["station_m"].between(profile["station_from_m"], profile["station_to_m"])
        assert profile["stop_count"] == within.sum()
        assert profile["stop_time_s"] == pytest.approx(stops["duration_s"][within].sum())
    assert product.profiles["stop_count"].sum() == len(product.stops)


@pytest.mark.usefixtures("sheets_read_once")
def test_explanations_of_every_class_give_the_layer_s_numbers(product):
    """Each profile, insufficient ones too: all that `explain` marks equal is the layer's own number, none differs."""
    for _, profile in product.profiles.iterrows():
        found = explain_result(product.folder, profile=int(profile["profile_id"]))
        assert found.differences == ()
        checked = {fact.key: fact.value for step in found.steps for fact in step.facts if fact.is_checked}
        wanted = {
            "reading_count",
            "dropped_count",
            "mean_c",
            "sd_delta_c",
            "low_c",
            "high_c",
            "profile_class",
        }
        assert wanted | {"differential_delta_c"} <= set(checked)
        for key, value in checked.items():
            given = profile[key]
            assert value == given if isinstance(given, str) else value == pytest.approx(given, abs=1e-6), key


def in_scope(readings: pd.DataFrame, rows: np.ndarray, cols: np.ndarray) -> pd.DataFrame:
    """Cells asked for of a stretch: all but those whose first looks all left by the rule's own will."""
    cells = pd.MultiIndex.from_product([cols, rows], names=["col", "row"])
    fresh = readings[readings["dropped_reason"].astype(object) != "second_look"]
    by_cell = fresh.assign(willed=fresh["dropped_reason"].isin(BY_WILL)).groupby(["col", "row"])
    told = by_cell.agg(willed=("willed", "sum"), kept=("kept", "sum"), number=("kept", "size"))
    told = told.reindex(cells, fill_value=0)
    return told[(told["number"] == 0) | (told["willed"] < told["number"])]


def whole_columns(from_m: float, to_m: float) -> np.ndarray:
    """Columns of cells whose middle lies in [from, to) of the frame."""
    return np.arange(np.ceil(from_m / CELL_M - 0.5), np.ceil(to_m / CELL_M - 0.5))


def rows_between(left_m: float, right_m: float) -> np.ndarray:
    """Rows of cells whose middle lies between two offsets."""
    rows = np.arange(-40, 40)
    middle_m = (rows + 0.5) * CELL_M
    return rows[(middle_m >= left_m) & (middle_m <= right_m)].astype(float)


STRAIGHT = {"all classes": (-1.8 + TRIM_M, 1.8), "excluded": (0.1 + TRIM_M, 3.7 - TRIM_M)}  # trimmed edges


@pytest.mark.parametrize("product", STRAIGHT, indirect=True)
def test_coverage_length_and_width(product, request):
    """Share of cells in scope with a kept reading; on a straight also length, and width 3.6 m as stated."""
    edges_m = STRAIGHT[request.node.callspec.params["product"]]
    for _, profile in product.profiles.iterrows():
        mine = product.readings(profile)
        zero_m = product.zero_m[profile["pass_id"]]
        ends_m = [profile[f"station_{end}_m"] - zero_m for end in ("from", "to")]
        scope = in_scope(mine, rows_between(*edges_m), whole_columns(*ends_m))
        assert profile["coverage_frac"] == pytest.approx((scope["kept"] > 0).mean(), abs=1e-9)
        assert profile["length_m"] == pytest.approx(ends_m[1] - ends_m[0], abs=0.03)
        assert profile["width_mean_m"] == pytest.approx(3.6, abs=0.002)
        assert profile["area_m2"] == pytest.approx(profile["width_mean_m"] * profile["length_m"], rel=1e-3)
        assert profile["speed_mean_mps"] == pytest.approx(0.1, rel=0.01)


@pytest.mark.parametrize("product", ["all classes"], indirect=True)
def test_agreement_of_other_placements(product):
    """20 placements slid by 1/20 .. 10/20 of a profile both ways, over whole columns of cells, classed anew."""
    (lot,) = product.lot[product.lot["pass_id"].isna()].to_dict("records")
    zero_m, whole = product.zero_m["1"], product.with_cells(product.spots)
    last_m = lot["station_to_m"] - zero_m
    scope = in_scope(whole, rows_between(*STRAIGHT["all classes"]), whole_columns(0, last_m)).reset_index()
    for _, profile in product.profiles.iterrows():
        words = []
        for slide in np.r_[-10:0, 1:11] / 20 * profile["length_m"]:
            ends_m = [profile[f"station_{end}_m"] - zero_m + slide for end in ("from", "to")]
            if ends_m[0] < 0 or ends_m[1] > last_m + 1e-3:
                continue
            columns = whole_columns(*ends_m)
            asked = scope[scope["col"].isin(columns)]
            if (asked["kept"] > 0).mean() >= LEAST_COVERAGE:
                kept = whole[whole["kept"] & whole["col"].isin(columns)]
                words.append(word_of(statistic(kept)["differential_delta_c"]))
        if profile["profile_class"] != "insufficient":
            share = np.mean([word == profile["profile_class"] for word in words])
            assert profile["class_agree_frac"] == pytest.approx(share)
    assert 0 < product.profiles["class_agree_frac"].min() < 1


@pytest.mark.parametrize("product", ["all classes"], indirect=True)
def test_all_classes_and_insufficient_occur(product):
    """The lot of all classes holds each word of the rule and `insufficient`, and readings too cold to keep."""
    assert set(product.profiles["profile_class"]) == {"none", "moderate", "severe", "insufficient"}
    assert product.profiles["dropped_low_count"].sum() > 0
    counts = product.profiles["profile_class"].value_counts()
    (lot,) = product.lot[product.lot["pass_id"].isna()].to_dict("records")
    for rank, word in enumerate(("none", "moderate", "severe")):
        assert lot[f"class_{rank}_count"] == counts[word]
        assert lot[f"class_{rank}_frac"] == pytest.approx(counts[word] / (len(product.profiles) - 1))
    assert lot["insufficient_count"] == counts["insufficient"]


def test_mat_beyond_the_alignment_is_off_and_never_clamped(tmp_path):
    """A centre line cut at its half: readings beyond it are no rows, counted and doubted; none piles up at the end.

    Lines x spots = rows + off_mat + no_position + outside_limits still holds.
    """
    lot = make_lot(LotPlan("SYN-OFF"))
    folder = builders.write_lot(tmp_path / "lot", lot)
    line = json.loads((folder / "centreline.geojson").read_text())
    points = line["features"][0]["geometry"]["coordinates"]
    line["features"][0]["geometry"]["coordinates"] = points[: len(points) // 2]
    (folder / "centreline.geojson").write_text(json.dumps(line))
    result = run_lot(load_config(folder), tmp_path / "result", report=False).folder
    spots, quality = (
        pd.read_parquet(result / "spots.parquet"),
        json.loads((result / "quality.json").read_text()),
    )
    end_m = lot.plan.first_station_m + 100.0
    assert spots["station_m"].max() < end_m + 1.0
    last_metre = spots["station_m"].between(end_m - 1.0, end_m).sum()
    before = spots["station_m"].between(end_m - 2.0, end_m - 1.0).sum()
    assert (spots["station_m"] >= end_m).sum() < last_metre
    assert last_metre == pytest.approx(before, rel=0.1)
    on_mat = builders.true_swath(lot).on_mat
    beyond = on_mat & (builders.true_stations(lot).frame_m > end_m + 0.6)
    counts = quality["readings"]
    assert beyond.sum() <= counts["no_position"] == on_mat.sum() - len(spots)
    assert counts["off_mat"] + counts["no_position"] + counts["outside_limits"] + len(spots) == on_mat.size
    assert "have no station" in json.dumps(quality)
