"""Checks of the rig from the command's tables to the evidence that a lot refers to."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import click.testing
import numpy as np
import pytest

import builders
import sound_lot
import test_rig_antenna as antenna
from thermosaic import beside
from thermosaic.checks import check_lot
from thermosaic.cli.entry import app
from thermosaic.errors import ConfigError, InputError
from thermosaic.files.catalogue import load_evidence
from thermosaic.opening import load_config

MAY = (date(2026, 5, 1), date(2026, 7, 30))
RUNS = "course_ft,count,gnss_ft\n150,91440,150.1\n150,91395,149.9\n150,91485,150.0\n"


def written(path: Path, text: str) -> Path:
    """Write a table."""
    path.write_text(text, encoding="utf-8")
    return path


def wheel_of(folder: Path, text: str = RUNS, evidence: Path | None = None):
    """Run the wheel check on a table."""
    return beside.rig_wheel(written(folder / "runs.csv", text), None, None, 0.01, MAY, evidence)


def test_wheel_evidence_is_what_a_lot_refers_to(tmp_path):
    """The evidence of three runs over 150 ft reads back, and check finds the lot's constant in agreement."""
    folder = builders.write_lot(tmp_path / "lot", sound_lot.sound_lot())
    wheel_of(tmp_path, evidence=folder / "wheel-0501.toml")
    stored = load_evidence(folder / "wheel-0501.toml")
    assert stored.verdict == "pass"
    assert stored.valid_to == date(2026, 7, 30)
    items = {item.name: item for item in check_lot(load_config(folder)).items}
    assert items["wheel evidence"].verdict == "ok"


def test_feet_and_metres_of_a_table_are_told_by_the_column(tmp_path):
    """course_ft and course_m of the same course give the same constant."""
    metres = "course_m,count\n45.72,91440\n45.72,91395\n45.72,91485\n"
    assert wheel_of(tmp_path).per_count_m == pytest.approx(wheel_of(tmp_path, metres).per_count_m, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("course,count\n150,9\n", 'no column "course_m"; it has course, count'),
        ("course_ft,count\n150,many\n", 'runs.csv:2: count: "many" is not a number'),
        ("course_ft,count\n150,-9\n", "check the counter's sign"),
        ("course_ft,count\n", "holds no row"),
    ],
)
def test_tables_that_cannot_be_are_refused(tmp_path, text, words):
    """A table without its columns, numbers or rows is refused by file, line and column."""
    with pytest.raises(InputError, match=words):
        wheel_of(tmp_path, text)


def thermometer_of(path: Path, config=None, evidence: Path | None = None, drawing: Path | None = None):
    """Run the thermometer check on a table."""
    return beside.rig_thermometer(path, config, 2.0, None, MAY, evidence, drawing)


def test_fahrenheit_pairs_are_compared_in_celsius(tmp_path):
    """302 degF read for 300.2 degF is 1 degC off (by hand); the drawing is a picture that was written."""
    rows = "".join(f"{spot},302,300.2\n" for spot in range(1, 13))
    path = written(tmp_path / "pairs.csv", "spot,scanner_f,reference_f\n" + rows)
    found = thermometer_of(path, drawing=tmp_path / "agreement.svg", evidence=tmp_path / "thermometer.toml")
    assert found.agreement.bias == pytest.approx(1.0, abs=1e-9)
    assert (tmp_path / "agreement.svg").read_text().count("<svg") == 1
    assert load_evidence(tmp_path / "thermometer.toml").subject == "thermometer"


def test_readings_are_found_in_the_scan_by_time(tmp_path):
    """Reference readings 1.5 degC below what the scan logged at those times and spots give that bias."""
    lot = sound_lot.sound_lot()
    config = load_config(builders.write_lot(tmp_path / "lot", lot))
    rows = ["time_utc,spot,reference_c"]
    for line, spot in zip(range(200, 2600, 160), range(6, 21), strict=True):
        near = lot.logged.temp_c[line - 8 : line + 8, spot - 1]
        moment = np.datetime_as_string(lot.logged.scan_time_utc[line], unit="ms")
        rows.append(f"{moment}Z,{spot},{np.median(near) - 1.5:.3f}")
    found = thermometer_of(written(tmp_path / "reference.csv", "\n".join(rows) + "\n"), config)
    assert found.agreement.count == 15
    assert found.agreement.bias == pytest.approx(1.5, abs=0.05)
    assert found.check.verdict == "pass"


def test_times_need_their_zone_and_a_lot(tmp_path):
    """A time without zone is refused; times without a lot cannot be matched."""
    path = written(tmp_path / "a.csv", "time_utc,spot,reference_c\n2026-05-14T13:00:00,1,140\n")
    with pytest.raises(InputError, match="needs its zone"):
        thermometer_of(path)
    path = written(tmp_path / "b.csv", "time_utc,spot,reference_c\n2026-05-14T13:00:00Z,1,140\n")
    with pytest.raises(ConfigError, match="--lot"):
        thermometer_of(path)


def test_reach_of_a_shipped_rig_is_drawn(tmp_path):
    """The shipped mast of 3.5 m with 38 deg to each side reaches 3.5 tan 38 = 2.7345 m, and is drawn."""
    found = beside.rig_reach("scanner-on-mast", None, 24, None, 3.5, tmp_path / "reach.png")
    assert found.spots["right_m"].abs().max() == pytest.approx(3.5 * np.tan(np.radians(38)), rel=1e-9)
    assert (tmp_path / "reach.png").read_bytes()[:4] == b"\x89PNG"


def test_reach_asks_for_what_it_lacks(tmp_path):
    """Without a number of spots, a height, or with another kind of picture the command says what to give."""
    with pytest.raises(ConfigError, match="--spots"):
        beside.rig_reach("scanner-on-mast", None, None, None, 1.0, None)
    with pytest.raises(ConfigError, match="--height"):
        beside.rig_reach("bar-on-screed", None, 12, None, 1.0, None)
    with pytest.raises(ConfigError, match=r".png or .svg"):
        beside.rig_reach("scanner-on-mast", None, 24, None, 3.5, tmp_path / "reach.pdf")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('valid_to = "2026-07-30"', 'valid_to = "2026-04-01"', "valid_to must not be earlier"),
        ('verdict = "pass"', 'verdict = "fine"', "verdict"),
        ('valid_from = "2026-05-01"', "valid_from = 2026-05-01", "is not a date"),
        ("subject", "subjekt", 'did you mean "subject"'),
    ],
)
def test_damaged_evidence_is_named_with_its_line(tmp_path, old, new, words):
    """Evidence edited by hand into something else is refused by key and line."""
    path = written(tmp_path / "wheel.toml", sound_lot.EVIDENCE.replace(old, new))
    with pytest.raises(ConfigError, match=words):
        load_evidence(path)


METRIC = re.compile(r"[0-9] (m|mm|m/min|degC)\b|_(m|c)\b")
FEET = re.compile(r"[0-9] (ft|in|ft/min|degF)\b|_(ft|f)\b")
PAIRS = "spot,scanner_f,reference_f\n" + "".join(f"{spot},302,300.2\n" for spot in range(1, 13))


def said(*words: object) -> str:
    """What a check of the rig prints."""
    found = click.testing.CliRunner().invoke(app, ["rig", *map(str, words)], catch_exceptions=False)
    assert found.exit_code == 0, found.output
    return found.output


def test_wheel_and_thermometer_speak_the_units_of_their_tables(tmp_path):
    """Tables in feet and degF are answered so, --units turns it; 0.5 mm is 0.019685 in, 1 degC 1.80 degF (by hand)."""
    runs, pairs = written(tmp_path / "runs.csv", RUNS), written(tmp_path / "pairs.csv", PAIRS)
    wheel = ("wheel", runs, "--date", "2026-05-01", "--in-use", "0.6 mm", "--per-turn", "4000")
    thermometer = ("thermometer", pairs, "--date", "2026-05-01", "--emissivity", "0.9")
    for words, feet, metric in (
        (wheel, ("0.019685 in a count", 'wheel_per_count = "0.019685 in"'), ("0.5 mm a count", "radius 318.3 mm")),
        (thermometer, ("bias +1.80 degF", "with 68 degF reflected"), ("bias +1.00 degC", "with 20 degC reflected")),
    ):  # fmt: skip
        told, turned = said(*words), said(*words, "--units", "si")
        assert not METRIC.search(told)
        assert not FEET.search(turned)
        assert all(text in told for text in feet)
        assert all(text in turned for text in metric)


def test_reach_and_antenna_speak_the_units_of_their_lot(tmp_path):
    """On a lot in US units no line says metres, on the same lot in SI none says feet, but for the tape's inches."""
    lot = antenna.drive()
    folder = antenna.written(tmp_path / "drive", lot, antenna.FORWARD_M + 0.3048, antenna.RIGHT_M)
    seen = antenna.table(tmp_path, lot, antenna.marks_of(lot))
    for units, told, other in (("us", FEET, METRIC), ("si", METRIC, FEET)):
        text = (folder / "lot.toml").read_text()
        (folder / "lot.toml").write_text(re.sub('units = ".."', f'units = "{units}"', text))
        reach = said("reach", "--lot", folder, "--height", "12 ft", "--plot", tmp_path / f"reach_{units}.svg")
        marks = said(
            "antenna", folder, seen, "--date", "2026-05-01", "--plot", tmp_path / f"seen_{units}.svg"
        )
        for output in (reach, re.sub(r"[(][0-9.]+ in[)]", "", marks)):
            assert told.search(output)
            assert not other.search(output)
    shown = (tmp_path / "reach_us.svg").read_text(), (tmp_path / "reach_si.svg").read_text()
    assert "<!-- +5.91 ft -->" in shown[0]  # the mat's edge, 1.8 m
    assert "<!-- +1.80 m -->" in shown[1]


def test_evidence_stays_in_si_and_is_read_in_feet(tmp_path):
    """The file of a check in feet holds mm and degC; check on a US lot tells the same numbers in inches and degF."""
    folder = builders.write_lot(tmp_path / "lot", sound_lot.sound_lot())
    for name, text in (("wheel", RUNS), ("thermometer", PAIRS)):
        table = written(tmp_path / f"{name}.csv", text)
        said(name, table, "--date", "2026-05-01", "-o", folder / f"{name}-0501.toml")
    assert load_evidence(folder / "wheel-0501.toml").finding.startswith("0.5 mm a count from 3 runs")
    assert load_evidence(folder / "thermometer-0501.toml").finding.startswith("bias +1.00 degC")
    text = (folder / "lot.toml").read_text()
    named = re.sub("evidence = .*", 'evidence = ["wheel-0501.toml", "thermometer-0501.toml"]', text)
    (folder / "lot.toml").write_text(re.sub('units = ".."', 'units = "us"', named))
    items = {item.name: item.found for item in check_lot(load_config(folder)).items}
    assert "0.019685 in a count" in items["wheel evidence"]
    assert "bias +1.80 degF, 95 % limits of agreement +1.80 degF to" in items["thermometer evidence"]
