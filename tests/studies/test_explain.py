"""Every number of an explanation against pandas and NumPy on the published files, and against the layers."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

import builders
from command_line import thermosaic as command
from thermosaic.beside import explain
from thermosaic.errors import ConfigError
from thermosaic.files.catalogue import shipped
from thermosaic.opening import load_config
from thermosaic.results import explain_result, open_result, tell
from thermosaic.run import run_lot
from thermosaic.studies.explain.places import parse_place
from thermosaic.studies.explain.steps import Explanation, Step
from thermosaic.synthetic import SyntheticLot
from thermosaic.units import StationEquation, StationLabels

pytestmark = pytest.mark.usefixtures("sheets_read_once")

KINDS = {
    "R-6 of readings": [
        ('percentile_method = "R-7"', 'percentile_method = "R-6"'),
        ('sample = "cell_mean"', 'sample = "reading"'),
    ],
    "max minus min": [('kind = "percentile_pair"', 'kind = "max_minus_min"')],
    "below target": [
        ('kind = "percentile_pair"', 'kind = "below_target"'),
        ("[zone]", '[zone]\nreference = "laydown_target"'),
    ],
    "share": [
        ('kind = "percentile_pair"', 'kind = "share_below_reference"'),
        ('cell = "1 ft"', 'cell = "1 ft"\nreference_frac = 0.95\nreference_window = "100 ft"'),
        ('rounded_to = "0.1 degF"', "rounded_to_frac = 0.001"),
        ('up_to = "25 degF"', "up_to_frac = 0.01"),
        ('up_to = "50 degF"', "up_to_frac = 0.1"),
        ('"classes.rounded_to"', '"classes.rounded_to_frac"'),
        ('"classes.none.up_to"', '"classes.none.up_to_frac"'),
        ('"classes.moderate.up_to"', '"classes.moderate.up_to_frac"'),
        ('[sources]', '[sources]\n"statistic.reference_frac" = { source = "a test", standing = "derived" }\n'
         '"statistic.reference_window" = { source = "a test", standing = "derived" }'),
    ],
}  # fmt: skip


def published(folder: Path, lot: SyntheticLot, edit: Callable[[str], str] = lambda text: text) -> Path:
    """Run a synthetic lot, its lot.toml changed by `edit`; its logs stay in `folder/lot`."""
    builders.write_lot(folder / "lot", lot)
    toml = folder / "lot" / "lot.toml"
    toml.write_text(edit(toml.read_text()))
    return run_lot(load_config(folder / "lot"), folder / "result", report=False).folder


@pytest.fixture(scope="module")
def south(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a metric result of two lanes laid in opposite directions."""
    return published(tmp_path_factory.mktemp("south"), builders.two_lane_southern())


@pytest.fixture(scope="module")
def ours(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a result in US survey feet, paved downstation, with a stop."""
    return published(tmp_path_factory.mktemp("ours"), builders.us_curve_lot())


def facts(step: Step) -> dict[str, object]:
    return {fact.key: fact.value for fact in step.facts}


def step_of(explanation: Explanation, name: str) -> dict[str, object]:
    return facts(next(step for step in explanation.steps if step.name == name))


def kept_in(result: Path, number: int) -> tuple[pd.DataFrame, pd.Series, float]:
    """Kept readings of a profile in SI straight from the files, its row, and the frame's zero."""
    opened = open_result(result)
    profiles = opened.layers["profiles"]
    row = profiles[profiles["profile_id"] == number].iloc[0]
    foot = opened.manifest["delivery"]["foot_m"] if opened.units == "us" else 1.0
    unit = "ft" if opened.units == "us" else "m"
    low, high = (row[f"station_{end}_{unit}"] * foot for end in ("from", "to"))
    spots = pd.DataFrame(opened.spots().drop(columns="geometry"))
    mine = (spots["pass_id"].astype(str) == row["pass_id"]) & (spots["station_m"] >= low - 1e-6)
    mine &= spots["station_m"] < high - 1e-6
    return spots[mine & spots["kept"]], row, opened.quality["mat_frames"][row["pass_id"]]["zero_m"]


def cell_means(kept: pd.DataFrame, zero_m: float, cell_m: float) -> pd.Series:
    along = np.floor((kept["station_m"] - zero_m).round(6) / cell_m)
    return (
        kept["temp_c"]
        .astype(float)
        .groupby([along, np.floor(kept["offset_m"].astype(float) / cell_m)])
        .mean()
    )


class TestProfiles:
    @pytest.mark.parametrize("name", ["south", "ours"])
    def test_every_step_equals_numpy_and_the_layer(self, name, request):
        """Sample, both percentiles with their neighbours, differential: numpy.percentile on pandas' cell means."""
        result = request.getfixturevalue(name)
        cell_m = open_result(result).manifest["configuration"]["rules"]["statistic"]["cell_m"]
        for number in open_result(result).layers["profiles"]["profile_id"]:
            found = explain_result(result, profile=int(number))
            assert found.differences == ()
            kept, _, zero_m = kept_in(result, number)
            values = np.sort(cell_means(kept, zero_m, cell_m).to_numpy())
            assert step_of(found, "sample")["value_count"] == len(values)
            ends = np.percentile(values, [1.0, 98.5])
            for end, percent, expected in zip(("low", "high"), (1.0, 98.5), ends, strict=True):
                step = step_of(found, end)
                place = 1 + percent / 100 * (len(values) - 1)
                assert step[f"{end}_c"] == pytest.approx(expected, abs=1e-9)
                assert step["place"] == pytest.approx(place)
                assert step["below_c"] == pytest.approx(values[int(place) - 1])
                assert step["above_c"] == pytest.approx(values[int(place)])
            assert step_of(found, "differential")["differential_delta_c"] == pytest.approx(ends[1] - ends[0])

    def test_the_class_is_the_layers(self, ours):
        """Rounding, limit and word as delivered; the readings kept and left out balance."""
        profiles = open_result(ours).layers["profiles"]
        for _, row in profiles.iterrows():
            found = explain_result(ours, profile=int(row["profile_id"]))
            assert step_of(found, "class")["profile_class"] == row["profile_class"]
            step = next(step for step in found.steps if step.name == "readings")
            assert sum(item["reading_count"] for item in step.rows) == row["dropped_count"]
            assert facts(step)["reading_count"] == row["reading_count"]

    def test_what_is_repeated_is_not_passed_off_as_recomputed(self, ours):
        """Coverage, agreement, stops, speed and a zone's pattern are marked `<` and named so in JSON, never `=`."""
        profile, zone = explain_result(ours, profile=1), explain_result(ours, zone=1)
        repeated = ("coverage_frac", "class_agree_frac", "stop_count", "stop_time_s", "speed_mean_mps")
        for found, keys in ((profile, repeated), (zone, ("area_m2", "pattern", "pattern_2", "evidence"))):
            read = found.as_dict()["steps"]
            taken = {key for step in read for key in step["taken_from_product"]}
            assert set(keys) <= taken
            assert all(not set(step["taken_from_product"]) & set(step["stated_by_product"]) for step in read)
        (line,) = [row for row in tell(profile, ours).splitlines() if "neighbouring placements" in row]
        assert line.split()[0] == "<"
        (line,) = [row for row in tell(zone, ours).splitlines() if "second pattern" in row]
        assert line.split()[0] == "<"

    @pytest.mark.parametrize("kind", list(KINDS))
    def test_other_statistics(self, kind, tmp_path):
        """Each statistic that a rule can state is explained to the layer's own number."""
        text = (shipped("configs/rules") / "differential-150ft.toml").read_text()
        for old, new in KINDS[kind]:
            assert old in text
            text = text.replace(old, new)
        (tmp_path / "lot").mkdir()
        (tmp_path / "lot" / "own.toml").write_text(text.replace('id = "differential-150ft"', 'id = "own"'))

        def edit(lot: str) -> str:
            lot = lot.replace("[lot]", '[lot]\nlaydown_target = "300 degF"')
            head, _, rest = lot.partition("profile = ")
            return f'{head}profile = "own.toml"\n' + rest.partition("\n")[2]

        result = published(tmp_path, builders.us_curve_lot(), edit)
        for number in open_result(result).layers["profiles"]["profile_id"]:
            found = explain_result(result, profile=int(number))
            assert found.differences == ()
            kept, row, zero_m = kept_in(result, number)
            cells = cell_means(kept, zero_m, 0.3048)
            if kind == "max minus min":
                assert row["differential_delta_f"] == pytest.approx(1.8 * np.ptp(cells.to_numpy()))
            if kind == "below target":
                assert row["differential_delta_f"] == pytest.approx(
                    300 - (1.8 * np.percentile(cells, 1) + 32)
                )
            if kind == "R-6 of readings":
                temp = kept["temp_c"].astype(float)
                low, high = np.percentile(temp, [1, 98.5], method="weibull")
                assert row["differential_delta_f"] == pytest.approx(1.8 * (high - low))
            if kind == "share":
                assert step_of(found, "share")["share_cold_frac"] == pytest.approx(row["share_cold_frac"])
        for number in open_result(result).layers["cold_zones"]["zone_id"] if kind == "below target" else ():
            found = explain_result(result, zone=int(number))
            assert found.differences == ()
            assert step_of(found, "reference")["reference_c"] == pytest.approx((300 - 32) / 1.8)
        assert kind != "share" or 0 < open_result(result).layers["profiles"]["share_cold_frac"].max() < 1


class TestZones:
    @pytest.mark.parametrize("name", ["south", "ours"])
    def test_cells_reference_and_deficit(self, name, request):
        """From the published readings the zone's coldest cell, its mat and its deficit come out again."""
        result = request.getfixturevalue(name)
        zones = open_result(result).layers["cold_zones"]
        assert len(zones) >= 2
        for number in zones["zone_id"]:
            found = explain_result(result, zone=int(number))
            assert found.differences == ()
            cells, deficit = step_of(found, "cells"), step_of(found, "deficit")
            assert cells["temp_min_c"] <= cells["temp_mean_c"] < step_of(found, "reference")["reference_c"]
            assert deficit["deficit_max_delta_c"] >= deficit["drop_delta_c"]
            assert deficit["deficit_min_delta_c"] >= deficit["release_delta_c"]

    def test_its_readings_lie_in_its_outline(self, ours):
        """The readings shown lie inside the layer's polygon (shapely), coldest first."""
        opened = open_result(ours)
        zone = opened.layers["cold_zones"].iloc[0]
        found = explain_result(ours, zone=int(zone["zone_id"]))
        step = next(step for step in found.steps if step.name == "readings")
        factor = opened.crs.axis_info[0].unit_conversion_factor
        outline = zone.geometry.buffer(0.05)
        for row in step.rows:
            assert outline.covers(shapely.Point(row["easting_m"] / factor, row["northing_m"] / factor))
        temps = [row["temp_c"] for row in step.rows]
        assert temps == sorted(temps)


class TestPlaces:
    def test_from_file_and_row_to_the_class(self, ours, tmp_path):
        """The nearest reading is pandas' nearest; its row in the scan log holds its temperature."""
        opened = open_result(ours)
        spots = pd.DataFrame(opened.spots().drop(columns="geometry"))
        spots = spots[spots["dropped_reason"].astype(str) != "second_look"]
        aim = spots[spots["kept"]].iloc[len(spots) // 3]
        labels = StationLabels("100 ft", 1200 / 3937)
        label = labels.text(aim["station_m"])
        offset_ft = round(float(aim["offset_m"]) / 0.3048, 1)
        text = f"{label}, {abs(offset_ft)} ft {'right' if offset_ft >= 0 else 'left'}"
        found = explain(ours, ours.parent / "lot", at=text)
        assert found.differences == ()
        away = np.hypot(spots["station_m"] - labels.parse(label), spots["offset_m"] - offset_ft * 0.3048)
        nearest = spots.loc[away.idxmin()]
        (row,) = next(step for step in found.steps if step.name == "place").rows
        assert (row["line"], row["spot"]) == (nearest["line"], nearest["spot"])
        logged = pd.read_csv(ours.parent / "lot" / row["file"])
        assert logged[f"t_{row['spot']:02d}"].iloc[row["row"] - 1] == pytest.approx(row["temp_c"], abs=0.06)
        assert {"cell", "rank", "low", "high", "class", "logs"} <= {step.name for step in found.steps}

    def test_a_place_in_a_zone_names_it(self, ours):
        """The place of a zone's worst cell is covered by that zone."""
        deficit = step_of(explain_result(ours, zone=1), "deficit")
        place = f"{deficit['station_label']}, {deficit['offset_m']:.3f} m right"
        if deficit["offset_m"] < 0:
            place = f"{deficit['station_label']}, {-deficit['offset_m']:.3f} m left"
        found = explain_result(ours, at=place)
        assert "cold_zones 1" in step_of(found, "layers")["covered_by"]

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("112+40", "is not a place: write a station, a comma and an offset"),
            ("112+4, 6 ft right", "is not a station"),
            ("112+40, 6", "is not a length with a unit"),
            ("112+40, 6 ft ahead", '"ahead" is not understood'),
            (
                "900+00, 6 ft right",
                r"within 3\.3 ft of 900\+00\.0, 6\.0 ft right: .* pass 1 .*offsets -1",
            ),
        ],
    )
    def test_what_is_no_place(self, ours, text, words):
        """Each fault says what is expected, or where the mat is."""
        with pytest.raises(ConfigError, match=words):
            explain_result(ours, at=text)

    def test_a_textbook_place(self):
        """11+68.26 82.40R: 1168.26 ft along and 82.40 ft right looking upstation (open-access surveying text)."""
        station_m, offset_m = parse_place("11+68.26, 82.40 ft right", StationLabels("100 ft"))
        assert (station_m / 0.3048, offset_m / 0.3048) == pytest.approx((1168.26, 82.40))

    def test_regions_of_station_equations(self):
        """A place takes the region of its label; an ambiguous one is refused naming both."""
        labels = StationLabels("1000 m", equations=(StationEquation(550.725, 450.725),))
        assert parse_place("0+500:2, 1.5 m left", labels) == (pytest.approx(600.0), -1.5)
        with pytest.raises(ValueError, match=r"0\+500:1 or 0\+500:2"):
            parse_place("0+500, 1.5 m left", labels)

    def test_several_passes(self, south):
        """Lanes that lie side by side are told apart by the offset; a wrong pass names where its mat is."""
        mats = open_result(south).layers["mat"]
        station = (mats["station_from_m"].max() + mats["station_to_m"].min()) / 2
        label = StationLabels("100 m").text(station)
        for offset, pass_id in ((-1.9, "1"), (1.9, "2")):
            side = "left" if offset < 0 else "right"
            found = explain_result(south, at=f"{label}, {abs(offset)} m {side}")
            assert step_of(found, "place")["pass_id"] == pass_id
        with pytest.raises(
            ConfigError,
            match=r"no reading of pass 2 lies within 1\.0 m of .*, 3\.00 m left",
        ):
            explain_result(south, at=f"{label}, 3 m left", pass_id="2")


def test_several_scan_files(tmp_path):
    """A line counts over all files; an explanation names the file and the row in it."""
    folder = tmp_path / "cut"
    builders.write_lot(folder / "lot", builders.one_stop_lot())
    scan = folder / "lot" / "scan.csv"
    head, *rows = scan.read_text().splitlines(keepends=True)
    scan.write_text("".join([head, *rows[:700]]))
    (folder / "lot" / "scan2.csv").write_text("".join([head, *rows[700:]]))
    toml = folder / "lot" / "lot.toml"
    toml.write_text(toml.read_text().replace('scan = "scan.csv"', 'scan = ["scan.csv", "scan2.csv"]'))
    result = run_lot(load_config(folder / "lot"), folder / "result", report=False).folder
    found = explain(result, folder / "lot", profile=1)
    assert found.differences == ()
    step = next(step for step in found.steps if step.name == "low")
    for row in step.rows:
        logged = pd.read_csv(folder / "lot" / row["file"])
        assert 1 <= row["row"] <= len(logged)
    seen = {row["file"] for step in found.steps for row in step.rows if "file" in row}
    assert seen <= {"scan.csv", "scan2.csv"}
    assert "scan2.csv" in step_of(found, "readings")["scan_rows"]


class TestDisputes:
    def test_a_changed_number_is_named(self, ours, tmp_path):
        """A differential changed in the layer differs from the readings: named, and exit code 5."""
        copy = Path(shutil.copytree(ours, tmp_path / "copy"))
        with closing(sqlite3.connect(copy / "lot.gpkg")) as package:
            for trigger in package.execute(
                "select name from sqlite_master where type = 'trigger'"
            ).fetchall():
                package.execute(f'drop trigger "{trigger[0]}"')
            package.execute(
                "update profiles set differential_delta_f = differential_delta_f + 1 where profile_id = 1"
            )
            package.commit()
        (text,) = explain_result(copy, profile=1).differences
        assert text.startswith("differential: temperature differential is")
        done = command("explain", copy, "--profile", "1")
        assert done.returncode == 5
        assert "DIFFERS: differential" in done.stdout

    def test_changed_logs_are_named(self, ours, tmp_path):
        """A reading changed in the scan log: its digest and its temperature differ."""
        lot = Path(shutil.copytree(ours.parent / "lot", tmp_path / "lot"))
        found = explain(ours, lot, profile=1)
        assert found.differences == ()
        item = found.looked_at[0]
        table = pd.read_csv(lot / "scan.csv", dtype=str)
        table.loc[item.line - 1, f"t_{item.spot:02d}"] = "100.0"
        table.to_csv(lot / "scan.csv", index=False)
        texts = explain(ours, lot, profile=1).differences
        assert any("digest of scan.csv" in text for text in texts)
        assert any("difference of a reading from its log" in text for text in texts)

    def test_another_lot(self, ours, south):
        """The logs of another lot are refused by name."""
        with pytest.raises(ConfigError, match="is lot SYN-SOUTH, the result is of lot SYN-US"):
            explain(ours, south.parent / "lot", profile=1)

    @pytest.mark.parametrize(
        ("asked", "words"),
        [
            ({}, "name one of a profile, a zone or a place"),
            ({"profile": 1, "zone": 1}, "name one of"),
            ({"profile": 99}, "there is no profile 99: the lot has 1 to"),
            ({"zone": 0}, "there is no zone 0"),
        ],
    )
    def test_what_is_asked(self, ours, asked, words):
        """One thing is asked, and it is there."""
        with pytest.raises(ConfigError, match=words):
            explain_result(ours, **asked)


def test_local_times(ours):
    """Beside each UTC time stands the site's own with its offset; the scanner's own clock has none.

    The lot is paved in New York's summer, four hours behind UTC (Energy Policy Act of 2005, in force from 2007).
    """
    found = explain_result(ours, profile=1)
    facts = next(item for item in found.as_dict()["steps"] if item["step"] == "readings")["facts"]
    utc, local = (pd.Timestamp(facts[f"seen_from_{name}"]) for name in ("utc", "local"))
    assert local == utc
    assert local.utcoffset() == pd.Timedelta(hours=-4)
    assert list(facts).index("seen_from_local") == list(facts).index("seen_from_utc") + 1
    told = tell(found, ours)
    assert f"{utc:%Y-%m-%d %H:%M:%S}" in told
    assert f"UTC = {local:%H:%M:%S}" in told
    assert "-04:00 local" in told
    assert re.search(r"seen UTC +seen local", told)


def test_text_and_json(ours):
    """Text in the delivery's units, JSON in SI without NaN, both from one explanation; exit 0."""
    found = explain_result(ours, profile=1)
    text = tell(found, ours)
    difference = step_of(found, "differential")["differential_delta_c"]
    assert f"{1.8 * difference:.2f} degF" in text
    assert text.endswith("Every checked number equals the product's (=).")
    assert "Marked (<): taken from the product as it stands, not computed anew." in text
    done = command("explain", ours, "--profile", "1", "--json")
    assert done.returncode == 0
    read = json.loads(done.stdout)
    assert read == json.loads(json.dumps(found.as_dict(), allow_nan=False))
    step = next(item for item in read["steps"] if item["step"] == "differential")
    assert step["facts"]["differential_delta_c"] == pytest.approx(difference)
