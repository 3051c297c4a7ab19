"""run_lot against the truth of synthetic lots, from the files to the products on disk.

Layers are read back by fiona, spots by pandas: the program writes them with pyogrio and pyarrow.
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from pathlib import Path

import fiona
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.geometry import shape

import builders
import flow
from thermosaic import synthetic
from thermosaic.opening import load_config
from thermosaic.run import run_lot
from thermosaic.stages.s1_ingest import read_lot
from thermosaic.synthetic import (
    Gnss,
    LotPlan,
    Mat,
    PassPlan,
    Patch,
    Person,
    SpotFault,
    Stop,
    SyntheticLot,
    make_lot,
)

TIME = np.timedelta64(1, "s")


@dataclass(frozen=True, eq=False)
class Run:
    """A published result beside the truth of its lot."""

    lot: SyntheticLot
    folder: Path
    spots: pd.DataFrame

    def layer(self, name: str) -> pd.DataFrame:
        """Read a layer with fiona; geometries in metres of the map CRS, times as datetime64."""
        with fiona.open(self.folder / "lot.gpkg", layer=name) as source:
            rows = [dict(item.properties) | {"geometry": shape(item.geometry)} for item in source]
        frame = pd.DataFrame(rows)
        for column in frame.columns:
            if column.endswith("_utc"):
                frame[column] = pd.to_datetime(frame[column], utc=True, format="ISO8601").dt.tz_convert(None)
        if len(frame):
            factor = self.lot.site.factor
            frame["geometry"] = [_scaled(geometry, factor) for geometry in frame["geometry"]]
        return frame


def _scaled(geometry: shapely.Geometry, factor: float) -> shapely.Geometry:
    return shapely.transform(geometry, lambda coordinates: coordinates * factor)


def run(
    lot: SyntheticLot, folder: Path, edit: Callable[[str], str] = lambda text: text, report: bool = False
) -> Run:
    """Write the lot, run it, read the spots."""
    builders.write_lot(folder / "lot", lot)
    toml = folder / "lot" / "lot.toml"
    toml.write_text(edit(toml.read_text()))
    run_lot(load_config(folder / "lot"), folder / "result", report=report)
    spots = pd.read_parquet(folder / "result" / "spots.parquet")
    for column in ("seen_utc", "laid_utc"):
        spots[column] = spots[column].dt.tz_convert(None)
    return Run(lot, folder / "result", spots)


def busy_lot() -> SyntheticLot:
    """Make a straight 250 m in SI with load ends, a streak, a person, a dead and a stuck spot, two stops."""
    end = Patch(22.0, 2.4, -0.5, 1.5, 20.0)
    patches = (Patch(140.0, 20.0, 1.05, 0.6, 18.0, "streak"),)
    mat = Mat(
        load_length_m=32.0,
        load_end=end,
        patches=patches,
        people=(Person(75.0),),
        faults=(SpotFault(8, "dead"), SpotFault(20, "stuck", 96.0)),
        drift_c_per_h=8.0,
    )
    passes = (PassPlan(stops=(Stop(40.0, 70.0), Stop(170.0, 240.0)), speeds=((0.0, 0.12), (100.0, 0.16))),)
    return make_lot(LotPlan(lot_id="SYN-BUSY", road=(synthetic.straight(270.0),), passes=passes, mat=mat))


LOTS = {
    "bend": builders.bend_and_stop_lot,
    "southern": builders.two_lane_southern,
    "us": builders.us_curve_lot,
    "busy": busy_lot,
}


@pytest.fixture(scope="module")
def runs(tmp_path_factory) -> Callable[[str], Run]:
    """Give the run of a lot by name, with all products, made when first asked for; read it, never write it."""
    return cache(lambda name: run(LOTS[name](), tmp_path_factory.mktemp(name), report=True))


@pytest.fixture(scope="module", params=LOTS)
def result(request, runs) -> Run:
    """Give the run of each lot in turn."""
    return runs(request.param)


# --------------------------------------------------------------------------------------- against truth


def test_spots_are_where_the_truth_has_them(result):
    """On clean RTK every spot on the mat has a row, within 0.05 m RMSE of its true place."""
    truth, spots = result.lot.truth, result.spots
    line, spot = spots["line"].to_numpy() - 1, spots["spot"].to_numpy() - 1
    on_mat = builders.true_swath(result.lot).on_mat
    assert len(spots) == on_mat.sum()
    east = spots["easting_m"] - truth.spot_easting_m[line, spot]
    north = spots["northing_m"] - truth.spot_northing_m[line, spot]
    assert np.sqrt(np.mean(east**2 + north**2)) <= 0.05
    stations = builders.true_stations(result.lot)
    assert np.sqrt(np.mean((spots["station_m"] - stations.frame_m[line, spot]) ** 2)) <= 0.05
    assert np.sqrt(np.mean((spots["offset_m"] - stations.offset_m[line, spot]) ** 2)) <= 0.05


def test_readings_and_times_are_those_of_the_log(result):
    """Each row carries its own reading; seen and laid times are the true ones within 1.5 s."""
    truth, spots = result.lot.truth, result.spots
    line, spot = spots["line"].to_numpy() - 1, spots["spot"].to_numpy() - 1
    assert np.array_equal(spots["temp_c"], result.lot.logged.temp_c[line, spot], equal_nan=True)
    assert np.max(np.abs((spots["seen_utc"].to_numpy() - truth.time_utc[line]) / TIME)) < 0.1
    laid = truth.laid_utc[line]
    known = ~np.isnat(laid) & spots["laid_utc"].notna().to_numpy()
    assert known.mean() > 0.9
    # where the paver stood, a place a millimetre off was laid before instead of after the stop
    assert np.median(np.abs((spots["laid_utc"].to_numpy() - laid)[known] / TIME)) < 0.5
    assert np.quantile(np.abs((spots["laid_utc"].to_numpy() - laid)[known] / TIME), 0.99) < 1.5


def test_every_stop_within_two_seconds(result):
    """Stops begin and end within 2 s of the truth; there is no other."""
    stops = result.layer("stops").sort_values("start_utc")
    assert len(stops) == len(result.lot.truth.stops)
    unit = 0.3048 if result.lot.plan.units == "us" else 1.0
    for (_, found), true in zip(stops.iterrows(), result.lot.truth.stops, strict=True):
        assert abs((found["start_utc"] - true.start_utc).total_seconds()) <= 2
        assert abs((found["end_utc"] - true.end_utc).total_seconds()) <= 2
        station = found["station_ft"] * result.lot.site.factor if unit != 1 else found["station_m"]
        assert station == pytest.approx(true.station_m, abs=0.1)


def test_speeds_within_two_per_cent(result):
    """Each speed segment's mean is the true way by the time within 2 %, and they cover all paving."""
    truth = result.lot.truth
    segments = result.layer("speed_segments")
    us = result.lot.plan.units == "us"
    total = 0.0
    for _, segment in segments.iterrows():
        times = np.array([segment["start_utc"], segment["end_utc"]], dtype="datetime64[ns]")
        ways = np.interp(times.astype("i8"), truth.time_utc.astype("i8"), truth.distance_m)
        seconds = (times[1] - times[0]) / TIME
        speed = segment["speed_mean_ftpmin"] * 0.3048 / 60 if us else segment["speed_mean_mps"]
        assert speed == pytest.approx((ways[1] - ways[0]) / seconds, rel=0.02)
        total += ways[1] - ways[0]
    assert total == pytest.approx(sum(motion.length_m for motion in result.lot.motions), rel=0.01)


def test_every_planted_zone_and_no_other(result):
    """Every planted cold zone is found with an IoU over 0.5, and every zone found was planted."""
    zones, planted = result.layer("cold_zones"), list(result.lot.truth.zones)
    outlines = list(zones["geometry"]) if len(zones) else []
    overlap = np.array([[_iou(found, true.polygon) for true in planted] for found in outlines])
    assert overlap.shape == (len(planted), len(planted))
    assert np.all(overlap.max(axis=0) > 0.5)
    assert np.all(overlap.max(axis=1) > 0.5)


def _iou(left: shapely.Geometry, right: shapely.Geometry) -> float:
    return left.intersection(right).area / left.union(right).area


def test_the_person_and_the_faulty_spots_are_dropped(runs):
    """A person, a dead and a stuck spot leave the statistics, each with its own reason."""
    result = runs("busy")
    truth, spots = result.lot.truth, result.spots
    hidden = truth.foreign[spots["line"] - 1, spots["spot"] - 1]
    sound = ~spots["spot"].isin([8, 20])
    assert not spots["kept"][hidden].any()
    assert (spots["dropped_reason"][hidden & sound] == "foreign").mean() > 0.9
    assert set(spots["dropped_reason"][spots["spot"] == 20]) <= {"bad_spot"}
    assert set(spots["dropped_reason"][spots["spot"] == 8]) <= {"bad_spot", "no_reading"}


# --------------------------------------------------------------------------- numbers, from the products


def test_profile_numbers_by_pandas(result):
    """Counts, percentiles, differential and class recompute from spots.parquet by the rule's sample."""
    profiles = result.layer("profiles")
    foot = result.lot.site.factor if result.lot.plan.units == "us" else 1.0
    suffix, degree, shift = ("ft", 1 / 1.8, -32 / 1.8) if foot != 1 else ("m", 1.0, 0.0)
    temp = "f" if foot != 1 else "c"
    zero = _frame_zeros(result.folder, foot)
    for _, profile in profiles.iterrows():
        mine = result.spots[result.spots["pass_id"] == profile["pass_id"]]
        ends = [profile[f"station_{end}_{suffix}"] * foot for end in ("from", "to")]
        inside = mine[(mine["station_m"] >= ends[0] - 1e-7) & (mine["station_m"] < ends[1] + 1e-7)]
        assert profile["reading_count"] == pytest.approx(inside["kept"].sum(), abs=1)
        kept = inside[inside["kept"]]
        along = np.floor((kept["station_m"] - zero[profile["pass_id"]]) / 0.3048)
        across = np.floor(kept["offset_m"].astype(float) / 0.3048)
        means = kept["temp_c"].astype(float).groupby([along, across]).mean()
        low, high = np.percentile(means, [1.0, 98.5])
        assert profile[f"low_{temp}"] * degree + shift == pytest.approx(low, abs=0.01)
        assert profile[f"high_{temp}"] * degree + shift == pytest.approx(high, abs=0.01)
        differential = profile[f"differential_delta_{temp}"] * degree
        assert differential == pytest.approx(high - low, abs=0.01)
        assert profile["profile_class"] == _word(round((high - low) * 1.8, 1))


def _word(differential_f: float) -> str:
    """Class word by the limits of the TxDOT Pavement Manual 7.5: over 25 and over 50 degF."""
    return "none" if differential_f <= 25.0 else "moderate" if differential_f <= 50.0 else "severe"


def _frame_zeros(folder: Path, foot: float) -> dict[str, float]:
    """Return the zero of each pass's mat frame, metres, as the result states it."""
    with sqlite3.connect(f"file:{folder / 'lot.gpkg'}?mode=ro", uri=True) as connection:
        query = "SELECT * FROM lot_info WHERE key LIKE 'pass.%.frame_zero_%'"
        rows = pd.read_sql_query(query, connection)
    return {row["key"].split(".")[1]: float(row["value"]) * foot for _, row in rows.iterrows()}


def test_readings_balance(result):
    """lines x spots = rows + off_mat + no_position + outside_limits, and rows = kept + dropped by reason."""
    spots, logged = result.spots, result.lot.logged
    quality = json.loads((result.folder / "quality.json").read_text())
    text = json.dumps(quality)
    reasons = spots["dropped_reason"].dropna()
    assert len(spots) == spots["kept"].sum() + len(reasons)
    off_mat = (~builders.true_swath(result.lot).on_mat).sum()
    assert logged.temp_c.size == len(spots) + off_mat
    for reason, count in reasons.value_counts().items():
        assert f'"{reason}": {count}' in text


@pytest.fixture(scope="module")
def read(lot_folder):
    """Give the session's lot, read."""
    config = load_config(lot_folder)
    return config, read_lot(config)


def test_the_middle_stages_open_no_file(lot, read, no_files):
    """Stages s2 to s6 work from what was read and touch no file, by Python or by GDAL."""
    assert flow.middle(lot.truth, *read).errors_m().max() < 0.1


# -------------------------------------------------------------------------------------- several passes


def test_two_lanes_in_opposite_directions(runs):
    """Each pass keeps its lane and travel; offsets lie on the lane's own side of the alignment."""
    result = runs("southern")
    rows = result.layer("mat").set_index("pass_id")
    assert dict(rows["travel"]) == {"1": "upstation", "2": "downstation"}
    assert dict(rows["lane"]) == {"1": "1", "2": "2"}
    sides = result.spots.groupby("pass_id")["offset_m"].agg(["min", "max"])
    assert sides.loc["1", "max"] < 0 < sides.loc["2", "min"]
    profiles = result.layer("profiles")
    first = profiles.groupby("pass_id").first()
    assert first.loc["1", "station_from_m"] < first.loc["2", "station_from_m"]


def test_lanes_ten_minutes_apart(tmp_path):
    """A return pass right after the first is a pass, not a back-up."""
    passes = (PassPlan("upstation", offset_m=-1.9), PassPlan("downstation", offset_m=1.9, wait_s=600.0))
    lot = make_lot(LotPlan(road=(synthetic.straight(90.0),), passes=passes))
    result = run(lot, tmp_path)
    line, spot = result.spots["line"] - 1, result.spots["spot"] - 1
    east = result.spots["easting_m"] - lot.truth.spot_easting_m[line, spot]
    assert np.abs(east).max() < 0.1


def test_a_night_between_two_passes(tmp_path):
    """A restart after ten hours of nothing goes on in the same lane; the night is no stop."""
    passes = (PassPlan(to_m=100.0), PassPlan(from_m=100.0, wait_s=36_000.0, stops=(Stop(20.0, 30.0),)))
    lot = make_lot(LotPlan(road=(synthetic.straight(170.0),), passes=passes))
    result = run(lot, tmp_path)
    line, spot = result.spots["line"] - 1, result.spots["spot"] - 1
    error = np.hypot(
        result.spots["easting_m"] - lot.truth.spot_easting_m[line, spot],
        result.spots["northing_m"] - lot.truth.spot_northing_m[line, spot],
    )
    assert np.sqrt(np.mean(error**2)) <= 0.05
    assert len(result.layer("stops")) == 1
    assert set(result.layer("profiles")["pass_id"]) == {"1", "2"}
    assert result.layer("speed_segments")["start_utc"].nunique() >= 3


def test_one_log_cut_into_two_lots(runs, tmp_path):
    """Two lots with limits on the same logs share the path of the whole bit for bit, and no reading."""
    lot, whole = runs("bend").lot, runs("bend").spots
    middle = str(lot.truth.time_utc[len(lot.truth.time_utc) // 2].astype("datetime64[ms]")) + "Z"
    limits = {"first": f'limits = {{ to = "{middle}" }}', "second": f'limits = {{ from = "{middle}" }}'}
    parts = [
        run(
            lot, tmp_path / name, lambda text, line=line: text.replace("\n[files]", f"{line}\n\n[files]")
        ).spots
        for name, line in limits.items()
    ]
    joined = pd.concat(parts, ignore_index=True)
    columns = ["line", "spot", "seen_utc", "laid_utc", "easting_m", "northing_m", "station_m", "offset_m",
               "temp_c", "sigma_along_m", "sigma_across_m", "speed_mps"]  # fmt: skip
    pd.testing.assert_frame_equal(joined[columns], whole[columns], check_exact=True)
    assert parts[0]["line"].max() < parts[1]["line"].min()


# ------------------------------------------------------------------------------- a mark, no alignment


def test_one_mark_and_no_alignment(tmp_path):
    """Stations run from the mark along C's own path; another mark moves stations only."""
    lot = builders.bend_and_stop_lot(alignment=False)
    result = run(lot, tmp_path / "a")
    moved = run(
        lot, tmp_path / "b", lambda text: text.replace('station = "10+00.00"', 'station = "20+00.00"')
    )
    truth = builders.true_stations(lot)
    line, spot = result.spots["line"] - 1, result.spots["spot"] - 1
    station = truth.zero_m[0] + truth.frame_m[line, spot]
    assert np.max(np.abs(result.spots["station_m"] - station)) < 0.05
    assert np.allclose(result.spots["offset_m"], truth.offset_m[line, spot], atol=1e-6)
    same = [name for name in result.spots.columns if name != "station_m"]
    pd.testing.assert_frame_equal(result.spots[same], moved.spots[same], check_exact=True)
    assert np.allclose(moved.spots["station_m"] - result.spots["station_m"], 1000.0)
    for name in ("differential_delta_c", "profile_class", "length_m", "geometry"):
        assert list(result.layer("profiles")[name]) == list(moved.layer("profiles")[name])


# --------------------------------------------------------------------------------------------- repeats


RUN = (
    "import os, sys; os.sched_setaffinity(0, {cores}); from pathlib import Path\n"
    "from thermosaic.opening import load_config; from thermosaic.run import run_lot\n"
    "run_lot(load_config(Path(sys.argv[1])), Path(sys.argv[2]))"
)


def digests(folder: Path) -> dict[str, str]:
    """Return the digest of every file of a folder."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.mark.slow
def test_a_second_run_gives_the_same_bytes(tmp_path):
    """Time zone, locale, hash seed, folder and cores changed, all products but run.json keep their bytes."""
    lot = builders.two_lane_southern(gnss=Gnss(rate_hz=2.0))
    surroundings = {
        "one": ({"TZ": "America/Boise", "LC_ALL": "C", "PYTHONHASHSEED": "1"}, "{0}"),
        "other place": (
            {"TZ": "Pacific/Auckland", "LC_ALL": "C.UTF-8", "PYTHONHASHSEED": "77"},
            "set(range(os.cpu_count()))",
        ),
    }
    results = []
    for name, (variables, cores) in surroundings.items():
        folder = builders.write_lot(tmp_path / name / "lot", lot)
        before = digests(folder)
        command = [
            sys.executable,
            "-c",
            RUN.format(cores=cores),
            str(folder),
            str(tmp_path / name / "result"),
        ]
        subprocess.run(command, check=True, env=os.environ | variables, cwd=tmp_path / name)
        assert digests(folder) == before
        results.append({k: v for k, v in digests(tmp_path / name / "result").items() if k != "run.json"})
    assert results[0] == results[1]
