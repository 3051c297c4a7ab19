"""A lot on a design with a station equation: labels follow it, nothing else does."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import builders
from thermosaic.errors import ConfigError
from thermosaic.opening import load_config
from thermosaic.results import Result, explain_result, open_result
from thermosaic.run import run_lot

EQUATION = '<StaEquation staInternal="1080" staBack="1080" staAhead="1030"/>'  # 10+30 to 10+80 twice


def run_on_design(folder: Path, more: str) -> Result:
    """Run the session's kind of lot on its own line as LandXML, with `more` in the alignment."""
    lot = builders.bend_and_stop_lot()
    road = builders.true_alignment(lot)
    builders.write_lot(folder / "lot", lot)
    points = " ".join(
        f"{n!r} {e!r}" for e, n in zip(road.easting_m.tolist(), road.northing_m.tolist(), strict=True)
    )
    (folder / "lot" / "design.xml").write_text(
        '<LandXML><Units><Metric linearUnit="meter"/></Units><Alignments><Alignment name="CL" '
        f'staStart="{float(road.station_m[0])}"><CoordGeom><IrregularLine><PntList2D>{points}</PntList2D>'
        f"</IrregularLine></CoordGeom>{more}</Alignment></Alignments></LandXML>"
    )
    toml = folder / "lot" / "lot.toml"
    text = toml.read_text().replace("centreline.geojson", "design.xml")
    head, _, rest = text.partition("[crs]\n")
    frames, _, tail = rest.partition("\n[")
    kept = [line for line in frames.split("\n") if not line.startswith("alignment")]
    map_crs = next(line.partition("=")[2].strip() for line in kept if line.startswith("map"))
    toml.write_text(head + "[crs]\n" + "\n".join([*kept, f"alignment = {map_crs}"]) + "\n[" + tail)
    return open_result(run_lot(load_config(folder / "lot"), folder / "result", report=False).folder)


@pytest.fixture(scope="module")
def plain(tmp_path_factory) -> Result:
    """Give the result on the design without equations."""
    return run_on_design(tmp_path_factory.mktemp("plain"), "")


@pytest.fixture(scope="module")
def jumped(tmp_path_factory) -> Result:
    """Give the result with the equation."""
    return run_on_design(tmp_path_factory.mktemp("jumped"), EQUATION)


def test_only_labels_change(plain, jumped):
    """Stations, positions, cuts and classes are the same bit for bit; labels carry their region."""
    for name in ("profiles", "cold_zones", "stops", "speed_segments", "mat"):
        one, other = plain.layers[name], jumped.layers[name]
        assert one.geometry.equals(other.geometry)
        labels = [column for column in one.columns if column.endswith("_label")]
        assert one.drop(columns=[*labels, "geometry"]).equals(other.drop(columns=[*labels, "geometry"]))
        for column in labels:
            assert not one[column].str.contains(":").any()
            assert other[column].str.fullmatch(r"[0-9]+\+[0-9.]+:[12]").all()
    assert plain.spots(["station_m"])["station_m"].equals(jumped.spots(["station_m"])["station_m"])


def test_labels_are_the_hand_made_ones(jumped):
    """Beyond station 1080 a label is 50 m smaller and stands in region 2."""
    profiles = jumped.layers["profiles"]
    for station, label in zip(profiles["station_to_m"], profiles["station_to_label"], strict=True):
        number, region = label.split(":")
        hundreds, rest = number.split("+")
        assert region == ("2" if station >= 1080 else "1")
        assert 100 * int(hundreds) + float(rest) == pytest.approx(
            station - (50 if station >= 1080 else 0), abs=0.0051
        )


def test_ticks_stand_at_whole_labels(jumped):
    """Every 20 m by the label: region 2 counts from 1030 m at station 1080, so its ticks are 10 m aside."""
    ticks = jumped.layers["station_ticks"]
    beyond = ticks["station_m"] > 1080.001
    assert beyond.any()
    assert (~beyond).any()
    assert np.allclose(ticks.loc[~beyond, "station_m"] % 20, 0, atol=1e-3)
    assert np.allclose(ticks.loc[beyond, "station_m"] % 20, 10, atol=1e-3)
    assert ticks["station_label"].str.fullmatch(r"[0-9]+\+(00|20|40|60|80)\.00:[12]").all()


def test_the_result_states_its_equation(jumped):
    """lot_info writes back and ahead; the manifest keeps the equation, so that labels can be read later."""
    info = jumped.lot_info.set_index("key")["value"]
    assert info["stations.equation.1"] == "10+80.00:1 back = 10+30.00:2 ahead"
    (kept,) = jumped.manifest["configuration"]["labels"]["equations"]
    assert kept["internal_m"] == pytest.approx(1080.0, abs=1e-3)


def test_places_are_asked_for_by_region(jumped):
    """10+60:2 is station 1110; 10+60 alone is refused with both regions."""
    found = explain_result(jumped.folder, at="10+60:2, 1.9 m right")
    facts = {fact.key: fact.value for fact in found.steps[0].facts}
    assert facts["station_m"] == pytest.approx(1110.0, abs=1e-3)
    with pytest.raises(ConfigError, match=r"10\+60:1 or 10\+60:2"):
        explain_result(jumped.folder, at="10+60, 1.9 m right")
