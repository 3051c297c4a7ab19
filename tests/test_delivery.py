"""Sentences in the reader's units: SI inside, feet and degF where the lot is delivered so."""

from __future__ import annotations

import json
import pickle
import re

import pytest

import builders
import finding
from thermosaic.checks import check_lot
from thermosaic.cli.entry import closing_table
from thermosaic.delivery import Sentence, deliver, in_units, tell, together
from thermosaic.opening import load_config

FOOT_M = 0.3048  # exact: international yard and pound agreement, 1959
METRIC = re.compile(r"[0-9] (m|m2|m/min|degC)\b")


@pytest.mark.parametrize(
    ("name", "value", "form", "si", "us"),
    [
        ("length_m", 45.72, ".1f", "45.7 m", "150.0 ft"),
        ("width_m", 0.6096, ".2f", "0.61 m", "2.0 ft"),
        ("area_m2", 0.09290304, ".2f", "0.09 m2", "1.0 ft2"),
        ("low_c", 79.4444, ".0f", "79 degC", "175 degF"),
        ("drop_delta_c", 13.8889, ".1f", "13.9 degC", "25.0 degF"),
        ("pace_mps", 0.1524, ".1f", "9.1 m/min", "30.0 ft/min"),
    ],
)
def test_amounts_in_both_units(name, value, form, si, us):
    """150 ft, 2 ft, 1 ft2, 175 degF, 25 degF of difference, 30 ft/min: exact conversions of feet and degrees."""
    text = tell("{" + name + ":" + form + "}", **{name: value})
    assert text == si
    assert in_units(text, "si", FOOT_M) == si
    assert in_units(text, "us", FOOT_M) == us


def test_sentences_join_nest_and_travel():
    """Joined, nested, added to and pickled, a sentence keeps its numbers; a plain text is never touched."""
    size = tell("{length_m:.1f} long", length_m=3.048)
    whole = together(["First.", tell("It is {size}, {count} spots.", size=size, count=3)]) + " Last."
    assert whole == "First. It is 3.0 m long, 3 spots. Last."
    again = pickle.loads(pickle.dumps(whole))
    assert in_units(again, "us", FOOT_M) == "First. It is 10.0 ft long, 3 spots. Last."
    assert isinstance("a " + size, Sentence)
    assert in_units("5 m stay 5 m", "us", FOOT_M) == "5 m stay 5 m"
    assert json.dumps(whole) == '"First. It is 3.0 m long, 3 spots. Last."'


def test_the_maps_own_foot_counts():
    """In US survey feet 1200/3937 m is one foot (US Coast and Geodetic Survey, 1893)."""
    assert deliver(1200 / 3937, "length_m", "us", 1200 / 3937) == pytest.approx(1.0)


def test_evidence_of_zones_speaks_feet_in_a_us_delivery():
    """The same numbers in feet: every evidence loses its metres, and keeps its SI text inside."""
    zones = finding.find(builders.us_curve_lot()).frames["cold_zones"]
    assert len(zones) > 0
    for text in zones["evidence"]:
        assert METRIC.search(text)
        told = in_units(text, "us", FOOT_M)
        assert not METRIC.search(told)
        metres, feet = (
            [float(n) for n in re.findall(rf"([0-9.]+) {unit}\b", words)]
            for words, unit in ((text, "m"), (told, "ft"))
        )
        assert [n * FOOT_M for n in feet] == pytest.approx(metres, abs=0.06)


def test_check_speaks_the_lots_units(tmp_path):
    """On a lot in US units no item says metres or degC; on the same lot in SI none says feet or degF."""
    folder = builders.write_lot(tmp_path / "lot", builders.us_curve_lot())
    report = check_lot(load_config(folder))
    texts = [f"{item.found} {item.advice}" for item in report.items if item.name != "datum"]
    assert [text for text in texts if METRIC.search(text)] == []
    assert any(re.search(r"[0-9] ft\b", text) for text in texts)
    assert any(re.search(r"[0-9] degF\b", text) for text in texts)
    path = folder / "lot.toml"
    path.write_text(path.read_text().replace('units = "us"', 'units = "si"'))
    texts = [f"{item.found} {item.advice}" for item in check_lot(load_config(folder)).items]
    assert [text for text in texts if re.search(r"[0-9] (ft|ft2|ft/min|degF)\b", text)] == []


def test_the_closing_table_speaks_the_lots_units():
    """304.8 m are 1,000 ft, 9.290304 m2 100 ft2, 0.1524 m/s 30 ft/min, 0.03048 m 0.10 ft (exact feet)."""
    summary = {
        "lot_id": "A", "class_counts": {"none": 2}, "insufficient_count": 0, "paved_m": 304.8, "unmeasured_m": 0.0,
        "zone_count": 3, "zone_area_m2": 9.290304, "stop_count": 1, "stopped_s": 90.0, "speed_mean_mps": 0.1524,
        "sigma_p50_m": 0.03048, "sigma_p95_m": 0.06096, "kept": 1000, "rows": 2000, "doubts": [],
    }  # fmt: skip
    feet, metres = closing_table(summary, "us"), closing_table(summary, "si")
    for text in ("1,000 ft", "3, 100 ft2", "30.0 ft/min", "0.10 ft typical, 0.20 ft for 95 %"):
        assert text in feet
    for text in ("305 m", "3, 9.3 m2", "9.1 m/min", "0.030 m typical, 0.061 m for 95 %"):
        assert text in metres
