"""A thermometer's correction, applied by name only: what is taken off, what is kept, what is said."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

import builders
from thermosaic import synthetic
from thermosaic.errors import ConfigError
from thermosaic.files.evidence import write_evidence
from thermosaic.model import EquipmentCheck
from thermosaic.opening import load_config
from thermosaic.run import run_lot
from thermosaic.synthetic import LotPlan

BIAS = {1: 1.5, 2: -2.0}


def _lot(folder: Path, subject: str = "thermometer", until: date = date(2026, 12, 31)) -> Path:
    """Write a short lot that names evidence: spots 1 and 2 of their own bias, 0.5 degC over all."""
    lot = builders.write_lot(folder, synthetic.make_lot(LotPlan(road=(synthetic.straight(60.0),))))
    check = EquipmentCheck(subject, 0.5, "degC", 2.0, "degC", "look", "bias +0.50 degC")
    numbers = {f"spot_{spot}_bias_delta_c": bias for spot, bias in BIAS.items()}
    write_evidence(folder / "thermo.toml", check, (date(2026, 1, 1), until), "pairs", numbers)
    text = (lot / "lot.toml").read_text()
    (lot / "lot.toml").write_text(text.replace("[scanner]\n", '[scanner]\ncorrection = "thermo.toml"\n'))
    return lot


def test_each_spot_loses_its_own_bias_and_the_raw_reading_stays(tmp_path):
    """temp_raw_c is the log's reading; temp_c is that less the spot's bias, or less the mean bias without one."""
    lot = _lot(tmp_path / "lot")
    run_lot(load_config(lot), tmp_path / "out", report=False)
    rows = pq.read_table(tmp_path / "out" / "spots.parquet").to_pandas()
    logged = np.genfromtxt(lot / "scan.csv", delimiter=",", skip_header=1)[:, 2:]
    raw = logged[rows["line"] - 1, rows["spot"] - 1]
    np.testing.assert_allclose(rows["temp_raw_c"], raw, atol=1e-4)
    bias = rows["spot"].map(BIAS).fillna(0.5)
    np.testing.assert_allclose(rows["temp_c"], raw - bias, atol=1e-4)


def test_the_result_says_that_and_by_how_much(tmp_path):
    """Doubt, lot_info and manifest name the evidence; the manifest holds its digest."""
    lot = _lot(tmp_path / "lot")
    run_lot(load_config(lot), tmp_path / "out", report=False)
    quality = json.loads((tmp_path / "out" / "quality.json").read_text())
    said = [doubt["text"] for doubt in quality["doubts"] if doubt["kind"] == "corrected_readings"]
    assert len(said) == 1
    assert "thermo.toml: -2.00 degC to 1.50 degC is taken off" in said[0]
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text())
    assert [item["path"] for item in manifest["inputs"] if item["role"] == "correction"] == ["thermo.toml"]


def test_stale_evidence_is_named(tmp_path):
    """Evidence that ended the day before is applied and named as stale (the lot's date is 2026-05-14)."""
    from thermosaic.checks import check_lot

    found = check_lot(load_config(_lot(tmp_path / "lot", until=date(2026, 5, 13))))
    assert any("thermo.toml is valid 2026-01-01 to 2026-05-13" in item.found for item in found.items)


def test_other_evidence_is_no_correction(tmp_path):
    """A wheel's evidence is refused by the key that names it."""
    config = load_config(_lot(tmp_path / "lot", subject="wheel"))
    with pytest.raises(ConfigError, match=r"\[scanner\] correction: thermo.toml is evidence of the wheel"):
        run_lot(config, tmp_path / "out", report=False)


def test_nothing_is_corrected_unasked(tmp_path):
    """Without the key the raw column is empty and the readings are the log's."""
    lot = _lot(tmp_path / "lot")
    text = (lot / "lot.toml").read_text().replace('correction = "thermo.toml"\n', "")
    (lot / "lot.toml").write_text(text)
    run_lot(load_config(lot), tmp_path / "out", report=False)
    rows = pq.read_table(tmp_path / "out" / "spots.parquet", columns=["temp_raw_c", "temp_c"])
    assert rows["temp_raw_c"].null_count == rows.num_rows
