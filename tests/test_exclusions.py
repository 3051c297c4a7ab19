"""Stretches that the rule leaves out, by station and side, from lot.toml to the verdicts."""

from __future__ import annotations

import numpy as np
import pytest

import flow as flows
from test_station_equations import EQUATION, run_on_design
from thermosaic import synthetic
from thermosaic.findings.verdicts import CODE
from thermosaic.opening import load_config
from thermosaic.stages.s1_ingest import read_lot
from thermosaic.synthetic import Exclude, LotPlan, PassPlan

FIRST_M = 1000.0  # station of the alignment's first vertex
ROAD = (synthetic.straight(60.0), synthetic.arc(120.0, 25.0), synthetic.straight(40.0))


@pytest.mark.parametrize("side", ["left", "right", "full"])
@pytest.mark.parametrize("direction", ["upstation", "downstation"])
@pytest.mark.parametrize("alignment", [True, False])
def test_a_stretch_and_side_leave_out_just_what_they_say(tmp_path, side, direction, alignment):
    """Station range half open, side seen looking upstation, whichever way the paver went.

    With an alignment the side is that of the alignment, which runs 0.3 m left of the machine's axis here;
    without one that of C's path. Expected from the truth's own stations and offsets.
    """
    passes = (PassPlan(direction, offset_m=0.3, speeds=((0.0, 0.15),)),)
    low, high = (50.0, 70.0) if alignment or direction == "upstation" else (-70.0, -50.0)
    exclude = (Exclude(low, high, side, "bridge joint"),)
    lot = synthetic.make_lot(LotPlan(road=ROAD, passes=passes, exclude=exclude, alignment=alignment))
    found = flows.flow(lot, tmp_path)
    (only,) = found.inputs.exclusions
    assert (only.from_m, only.to_m, only.side, only.reason) == (
        FIRST_M + low,
        FIRST_M + high,
        side,
        "bridge joint",
    )
    station, offset = true_places(lot)
    expected = (station >= only.from_m) & (station < only.to_m)
    clear = (np.abs(station - only.from_m) > 0.03) & (np.abs(station - only.to_m) > 0.03)
    if side != "full":
        expected &= (offset < 0) if side == "left" else (offset >= 0)
        clear &= np.abs(offset) > 0.03  # the path is known to a centimetre or two
    reason = found.findings.reason
    stronger = np.isin(
        reason, [CODE[word] for word in ("no_reading", "bad_spot", "second_look", "aged_look")]
    )
    judged = (reason >= 0) & clear & ~stronger
    assert np.array_equal((reason == CODE["excluded"])[judged], expected[judged])
    assert expected[judged].any()
    profiles = found.findings.frames["profiles"]
    share = float((profiles["excluded_frac"] * (profiles["reading_count"] + profiles["dropped_count"])).sum())
    assert share == pytest.approx((reason == CODE["excluded"]).sum(), abs=0.5)


def true_places(lot: synthetic.SyntheticLot) -> tuple[np.ndarray, np.ndarray]:
    """Station and offset of every spot by the road's closed form, or along C's own path."""
    from builders import true_stations

    stations = true_stations(lot)
    return stations.zero_m[0] + stations.frame_m, stations.offset_m


@pytest.mark.parametrize(
    ("stated", "expected"),
    [
        (("10+40:1", "10+60:1"), (1040.0, 1060.0)),
        (("10+40:2", "10+60:2"), (1090.0, 1110.0)),
        (("10+70:1", "10+40:2"), (1070.0, 1090.0)),
    ],
)
def test_labels_of_an_exclusion_follow_a_station_equation(tmp_path, stated, expected):
    """Labels 10+30 to 10+80 exist twice: region 1 as they stand, region 2 50 m further on, or across the equation."""
    run_on_design(tmp_path, EQUATION)
    toml = tmp_path / "lot" / "lot.toml"
    more = f'\n[[exclude]]\nfrom = "{stated[0]}"\nto = "{stated[1]}"\nreason = "bridge"\n'
    toml.write_text(toml.read_text() + more)
    (only,) = read_lot(load_config(tmp_path / "lot")).exclusions
    assert (only.from_m, only.to_m) == pytest.approx(expected, abs=1e-3)


def test_a_label_that_exists_twice_asks_for_its_region(tmp_path):
    """10+60 alone is refused with both regions, line and key."""
    from thermosaic.errors import ConfigError

    run_on_design(tmp_path, EQUATION)
    toml = tmp_path / "lot" / "lot.toml"
    toml.write_text(f'{toml.read_text()}\n[[exclude]]\nfrom = "10+60"\nto = "10+70:2"\nreason = "bridge"\n')
    with pytest.raises(ConfigError, match=r"exclude\[1\]\.from: .*10\+60:1 or 10\+60:2"):
        load_config(tmp_path / "lot")
