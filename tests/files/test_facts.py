"""What lot_info tells beyond what is stated."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import builders
from thermosaic.files.facts import lot_info
from thermosaic.model import WeatherReading
from true_record import true_record


def test_the_mass_placed_follows_the_stated_spread_rate(tmp_path: Path) -> None:
    """Mass is area times rate, and rate of placing speed times width times rate, in short tons on a US lot.

    A short ton is 907.18474 kg by definition of the pound; 220 lb/yd2 is 119.36 kg/m2.
    """
    record = true_record(tmp_path, builders.us_curve_lot())
    assert not lot_info(record)["key"].str.startswith("yield.").any()
    lot = record.config.lot.model_copy(update={"spread_rate_kg_m2": 119.36})
    told = lot_info(replace(record, config=record.config.model_copy(update={"lot": lot}))).set_index("key")
    frame = record.findings.frames["lot"]
    whole = frame[frame["pass_id"].isna()].iloc[0]
    width_m = np.ptp(record.swath.edges_m[0])
    assert float(told.value["yield.mass"]) == pytest.approx(whole.area_m2 * 119.36 / 907.18474, rel=1e-3)
    per_hour = whole.speed_mean_mps * width_m * 119.36 * 3600 / 907.18474
    assert float(told.value["yield.placed"]) == pytest.approx(per_hour, rel=5e-3)
    assert list(told.unit[["yield.mass", "yield.placed"]]) == ["ton", "ton/h"]


def test_files_are_named_by_their_place_in_the_lot_folder(tmp_path: Path) -> None:
    """Evidence stands in lot_info as lot.toml names it, so that one lot gives the same bytes in every folder."""
    record = true_record(tmp_path, builders.us_curve_lot())
    config = record.config
    rig = config.rig.model_copy(update={"evidence": (config.folder / "checks" / "wheel.toml",)})
    told = lot_info(replace(record, config=config.model_copy(update={"rig": rig}))).set_index("key")
    assert told.value["rig.evidence"] == "checks/wheel.toml"
    assert not told.value.str.contains(config.folder.as_posix(), regex=False).any()


@pytest.mark.parametrize(
    ("make", "row"),
    [
        (builders.us_curve_lot, ("weather.start.wind_mph", "8.95", "mph")),
        (builders.bend_and_stop_lot, ("weather.start.wind_mps", "4", "m/s")),
    ],
)
def test_wind_is_told_in_the_weather_services_unit(make, row, tmp_path: Path) -> None:
    """4.0 m/s is 8.95 mph (1 mph = 0.44704 m/s exactly, NIST SP 811 B.8): a US lot tells no wind in ft/min."""
    record = true_record(tmp_path, make())
    reading = WeatherReading(record.swath.seen_utc[0], 12.0, 4.0, "clear")
    told = lot_info(replace(record, inputs=replace(record.inputs, weather=(reading,))))
    key, value, unit = row
    found = told[told["key"].str.startswith("weather.start.wind")]
    assert found[["key", "value", "unit"]].to_numpy().tolist() == [[key, value, unit]]
