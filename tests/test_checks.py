"""check names what is wrong in plain words, and raises nothing about a sound lot.

Each fault is seeded alone into a lot that has everything to hold against each other. What cannot be seen
from such data is said in `UNSEEN`, and a test holds that check stays quiet about it rather than guessing.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

import builders
import sound_lot
from thermosaic.checks import LotCheck, check_lot, check_so_far, explain_formats, spots
from thermosaic.errors import MismatchError, ThermosaicError
from thermosaic.opening import load_config
from thermosaic.synthetic import BackUp, Episode, Gnss, Mat, PassPlan, Rig, SpotFault, Stop

Edit = Callable[[str], str]


@dataclass(frozen=True)
class Fault:
    """One fault: what is changed in the plan or the files, and what check must say."""

    name: str
    words: str  # regular expression in one item's name, finding and advice
    verdict: str = "look"
    plan: dict[str, object] = field(default_factory=dict)
    edits: dict[str, Edit] = field(default_factory=dict)


FURTHER = """
[[further]]
key = "rig.antenna_right"
measured = "-0.1 m"
tolerance = "0.05 m"
"""


def lot_toml(old: str, new: str) -> dict[str, Edit]:
    """Change one statement of lot.toml."""
    return {"lot.toml": lambda text: text.replace(old, new, 1)}


def columns(change: Callable[[np.ndarray], np.ndarray]) -> dict[str, Edit]:
    """Change the numbers of the scan: an array (line, spot) of its readings."""

    def edit(text: str) -> str:
        head, *rows = text.splitlines()
        cells = [row.split(",") for row in rows]
        temp = np.array([[float(cell or "nan") for cell in row[2:]] for row in cells])
        temp = change(temp)
        body = (
            ",".join([*row[:2], *("" if np.isnan(v) else f"{v:.2f}" for v in line)])
            for row, line in zip(cells, temp, strict=True)
        )
        return "\n".join([head, *body]) + "\n"

    return {"scan.csv": edit}


def exchanged(text: str) -> str:
    """Exchange the names of columns 9 and 22, as two exchanged plugs do."""
    return text.replace("t_09", "t_xx").replace("t_22", "t_09").replace("t_xx", "t_22")


def noisy(temp: np.ndarray) -> np.ndarray:
    """Let column 15 jump by 8 degC from line to line."""
    temp[:, 14] += np.random.default_rng(1).normal(0.0, 8.0, len(temp))
    return temp


def blinded(temp: np.ndarray) -> np.ndarray:
    """Take away 60 % of the readings of column 15."""
    temp[np.random.default_rng(1).random(len(temp)) < 0.6, 14] = np.nan
    return temp


def turned_alignment(text: str) -> str:
    """Let the vertices of the alignment run the other way."""
    data = json.loads(text)
    shape = data["features"][0]["geometry"] if "features" in data else data["geometry"]
    shape["coordinates"] = shape["coordinates"][::-1]
    return json.dumps(data)


def crossed_alignment(text: str) -> str:
    """Write latitude before longitude."""
    data = json.loads(text)
    shape = data["features"][0]["geometry"] if "features" in data else data["geometry"]
    shape["coordinates"] = [[point[1], point[0], *point[2:]] for point in shape["coordinates"]]
    return json.dumps(data)


def later(hours: float) -> dict[str, Edit]:
    """Shift the times of the scan."""

    def shift(match: re.Match[str]) -> str:
        moment = np.datetime64(match[1], "ms") + np.timedelta64(round(hours * 3_600_000), "ms")
        return f"{moment}Z"

    return {"scan.csv": lambda text: re.sub(r"(\d{4}-\d\d-\d\dT[\d:.]+)Z", shift, text)}


def backwards(text: str) -> str:
    """Let the wheel's counter fall."""
    head, *rows = text.splitlines()
    cells = [row.split(",") for row in rows]
    return "\n".join([head, *(",".join([row[0], str(-int(row[1])), *row[2:]]) for row in cells)]) + "\n"


FAULTS = (
    Fault("antenna_behind", r"ahead and behind look exchanged", edits=lot_toml('"1.98 m ahead"', '"1.98 m behind"')),
    Fault("antenna_stated_behind", r"stated 1.98 m behind the scan line",
          edits=lot_toml('"1.98 m ahead"', '"1.98 m behind"')),
    Fault("antenna_other_side", r"left and right look exchanged in \[rig\] antenna_right",
          plan={"rig": Rig(antenna_right_m=-0.6)}, edits=lot_toml('"0.6 m left"', '"0.6 m right"')),
    Fault("antenna_in_feet", r"farther than a paver", edits=lot_toml('"1.98 m ahead"', '"19.8 m ahead"')),
    Fault("antenna_height_in_metres", r"antenna height.*11.0 m above", edits=lot_toml('"3.35 m"', '"11 m"')),
    Fault("screed_behind", r"screed.*behind the scan line", edits=lot_toml('"0.9 m ahead"', '"0.9 m behind"')),
    Fault("non_slip_behind", r"non-slip point", edits=lot_toml('"2.74 m ahead"', '"2.74 m behind"')),
    Fault("scan_in_fahrenheit", r"look like degF.*temperature_unit", "stop", edits=columns(lambda t: t * 1.8 + 32)),
    Fault("clock_stated_wrong", r"the motion says.*clock_offset", edits=lot_toml('"auto"', '"40 s"')),
    Fault("clock_by_hand", r"clock.*set the logger's clock", edits=later(25 / 3600)),
    Fault("clock_of_gps", r"GPS", edits=later(18 / 3600)),
    Fault("clock_of_another_zone", r"time zone or daylight saving", "stop", edits=later(-6.0)),
    Fault("logs_of_two_days", r"whole day: a wrong date", "stop", edits=later(24.0)),
    Fault("dead_spot", r"spot 12 is dead", plan={"mat": Mat(texture_c=1.5, faults=(SpotFault(12, "dead"),))}),
    Fault("stuck_spot", r"spot 12 is dead, stuck",
          plan={"mat": Mat(texture_c=1.5, faults=(SpotFault(12, "stuck", 141.0),))}),
    Fault("biased_spot", r"spot 12 is .* off by a constant",
          plan={"mat": Mat(texture_c=1.5, faults=(SpotFault(12, "biased", -9.0),))}),
    Fault("noisy_spot", r"spot 15 jumps", edits=columns(noisy)),
    Fault("loose_cable", r"spot 15 gave no reading in 6\d %", edits=columns(blinded)),
    Fault("exchanged_columns", r"spots 9 and 22 look exchanged", edits={"scan.csv": exchanged}),
    Fault("spots_mirrored", r"left and right look exchanged: first and last of spots_right",
          edits=lot_toml('first = "-2.325 m", last = "2.175 m"', 'first = "2.175 m", last = "-2.325 m"')),
    Fault("edges_mirrored", r"left and right look exchanged: mat_left and mat_right",
          edits=lot_toml('mat_left = "-1.95 m"\nmat_right = "1.5 m"', 'mat_left = "-1.5 m"\nmat_right = "1.95 m"')),
    Fault("edge_off_by_a_foot", r"measure the mat's edges", edits=lot_toml('"1.5 m"', '"1.8048 m"')),
    Fault("spots_in_feet", r"a unit looks wrong",
          edits=lot_toml('first = "-2.325 m", last = "2.175 m"', 'first = "-2.325 ft", last = "2.175 ft"')),
    Fault("paved_width", r"paved_width is 3.05 m", edits=lot_toml('"3.45 m"', '"10 ft"')),
    Fault("wheel_constant_2_percent", r"wheel: true length.*wheel_per_count would be",
          edits=lot_toml('"0.5 mm"', '"0.51 mm"')),
    Fault("wheel_not_as_checked", r"the lot uses wheel_per_count = 0.5100 mm", edits=lot_toml('"0.5 mm"', '"0.51 mm"')),
    Fault("wheel_factor_ten", r"factor of ten", "stop", edits=lot_toml('"0.5 mm"', '"5 mm"')),
    Fault("wheel_in_feet", r"metres were read as feet|feet were read as metres", "stop",
          edits=lot_toml('"0.5 mm"', '"0.1524 mm"')),
    Fault("wheel_reversed", r"counts backwards", "stop", edits={"scan.csv": backwards}),
    Fault("evidence_stale", r"valid 2026-05-01 to 2026-05-10, the lot was paved on 2026-05-14",
          edits={"wheel-0501.toml": lambda text: text.replace("2026-07-30", "2026-05-10")}),
    Fault("evidence_failed", r"says fail", edits={"wheel-0501.toml": lambda text: text.replace('"pass"', '"fail"')}),
    Fault("antenna_not_as_checked", r"the lot uses antenna_right = 0.600 m, wheel-0501.toml measured -0.100 m",
          edits=lot_toml('antenna_right = "0.1 m left"', 'antenna_right = "0.6 m right"')
          | {"wheel-0501.toml": lambda text: text + FURTHER}),
    Fault("cross_slope_unstated", r"the cross slope is not stated: on a usual crown of 2 % the antenna leans 0.07 m",
          edits=lot_toml('cross_slope = "0 %"\n', "")),
    Fault("evidence_missing", r"wheel-0601.toml: cannot be read", edits=lot_toml("wheel-0501", "wheel-0601")),
    Fault("map_of_another_state", r"EPSG:6347|UTM zone 18N", "stop", edits=lot_toml("EPSG:6340", "EPSG:6347")),
    Fault("alignment_in_nad_27", r"NAD27|accuracy|alignment", "stop",
          edits=lot_toml('alignment = "EPSG:6318"', 'alignment = "EPSG:4267"')),
    Fault("alignment_crossed", r"order of its coordinates|latitude|longitude", "stop",
          edits={"centreline.geojson": crossed_alignment}),
    Fault("alignment_turned", r"the other side.*vertices do not run upstation",
          edits={"centreline.geojson": turned_alignment}),
    Fault("mark_off_by_100_ft", r"1 x 100 ft", edits=lot_toml('"10+12.26"', '"10+42.74"')),
    Fault("alignment_start_off", r"1 x 100 m.*alignment's start", edits=lot_toml('start = "10+00', 'start = "11+00')),
    Fault("wrong_lane", r"about a lane",
          edits=lot_toml('["0.050 m left", "3.400 m right"]', '["3.400 m right", "6.850 m right"]')),
    Fault("other_side", r"on the other side",
          edits=lot_toml('["0.050 m left", "3.400 m right"]', '["3.400 m left", "0.050 m right"]')),
    Fault("wrong_direction", r"stated downstation but travelled upstation", "stop",
          edits=lot_toml("[stationing]\n", '[stationing]\ndirection = "downstation"\n')),
    Fault("thickness_unit", r"thickness.*check the unit", edits=lot_toml('"50 mm"', '"50 cm"')),
    Fault("target_unit", r"no mix is laid at this", edits=lot_toml('"145 degC"', '"145 degF"')),
    Fault("target_far", r"but the target is 105", edits=lot_toml('"145 degC"', '"105 degC"')),
    Fault("zone_of_another_continent", r"Europe/Berlin", edits=lot_toml("America/Boise", "Europe/Berlin")),
    Fault("named_for_another_day", r"named for 2026-05-15", edits=lot_toml("SYN-20260514", "SYN-20260515")),
    Fault("autonomous", r"autonomous.*correction link", "stop", plan={"gnss": Gnss(quality="autonomous")}),
    Fault("float_half_of_the_time", r"fix quality.*float", plan={"gnss": Gnss(episodes=(Episode("float", 10, 60),))}),
    Fault("outage", r"placed by wheel", plan={"gnss": Gnss(episodes=(Episode("outage", 20, 40),))}),
    Fault("limits_elsewhere", r"no reading lies inside the lot's limits",
          edits=lot_toml("[files]\n", 'limits = { from = "50+00.00", to = "60+00.00" }\n\n[files]\n')),
    Fault("files_exchanged", r"gnss.nmea.* are two files of \[files\] exchanged", "stop",
          edits=lot_toml('scan = "scan.csv"\nfixes = "gnss.nmea"', 'scan = "gnss.nmea"\nfixes = "scan.csv"')),
    Fault("decimal_commas", r"state delimiter = \";\", and decimal", "stop",
          edits={"scan.csv": lambda text: text.replace(",", ";").replace(".", ",")}),
    Fault("rows_repeated", r"repeated time",
          edits={"scan.csv": lambda text: text + text.splitlines()[-1] + "\n"}),
)  # fmt: skip

UNSEEN = (  # faults that these data cannot show; each needs what is said
    (
        "antenna 0.1 m left, not right",
        lot_toml('"0.1 m left"', '"0.1 m right"'),
        "`rig antenna`, or a larger arm",
    ),
    ("the lift's number", lot_toml("lift = 1", "lift = 2"), "another lift of the same lane"),
    ("the lane's name", lot_toml('lane = "1"', 'lane = "2"'), "mat_offsets of the plans for that lane"),
    ("the fixes' frame", lot_toml('fixes = "EPSG:6318"', 'fixes = "EPSG:6319"'), "a rover point"),
)


def judged(folder) -> LotCheck:
    """Check a lot folder."""
    return check_lot(load_config(folder))


def said(report: LotCheck, verdict: str) -> list[str]:
    """Give the items of one verdict as text."""
    return [f"{item.name}: {item.found} -> {item.advice}" for item in report.items if item.verdict == verdict]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_seeded_fault_is_named(fault, tmp_path):
    """Each fault alone is named by check in plain words, with the verdict that it deserves."""
    folder = sound_lot.write_with(tmp_path / "lot", sound_lot.sound_lot(**fault.plan), fault.edits)
    try:
        report = judged(folder)
    except ThermosaicError as error:
        pytest.fail(f"load_config refused it before check could say so: {error}")
    texts = said(report, fault.verdict)
    assert any(re.search(fault.words, text) for text in texts), texts
    assert (report.exit_code > 0) == (fault.verdict == "stop")


GOOD = {
    "sound": lambda: sound_lot.sound_lot(),
    "sound_downstation": lambda: sound_lot.sound_lot(
        passes=(PassPlan("downstation", stops=(Stop(30.0, 40.0),)),)
    ),
    "bend_and_stop": builders.bend_and_stop_lot,
    "two_lanes": builders.two_lane_southern,
    "us_curve": builders.us_curve_lot,
    "one_back_up": lambda: sound_lot.sound_lot(passes=(PassPlan(back_ups=(BackUp(40.0, 2.0),)),)),
}


@pytest.mark.parametrize("name", GOOD)
def test_a_good_lot_raises_nothing(name, tmp_path):
    """Lots without a fault are all ok: upstation, downstation, curved, in feet, with two lanes, with a back-up."""
    report = judged(builders.write_lot(tmp_path / "lot", GOOD[name]()))
    assert said(report, "look") == []
    assert report.exit_code == 0


@pytest.mark.parametrize(
    ("name", "edits", "needs"), UNSEEN, ids=lambda value: value if isinstance(value, str) else ""
)
def test_what_cannot_be_seen_is_not_guessed(name, edits, needs, tmp_path):
    """A fault that the data cannot show is not named: nothing is raised that a sound lot would raise too."""
    assert needs
    folder = sound_lot.write_with(tmp_path / "lot", sound_lot.sound_lot(), edits)
    assert said(judged(folder), "look") == []


def test_an_arm_on_the_wrong_side_shows_between_two_lanes(tmp_path):
    """Two lanes laid in opposite directions meet; with antenna_right on the wrong side they do not."""
    lot = builders.two_lane_southern(rig=Rig(antenna_right_m=-0.15))
    assert said(judged(builders.write_lot(tmp_path / "good", lot)), "look") == []
    edits = lot_toml('"0.15 m left"', '"0.15 m right"')
    texts = said(judged(sound_lot.write_with(tmp_path / "bad", lot, edits)), "look")
    assert any(re.search(r"passes 1 and 2 (overlap|lie).*check antenna_right", text) for text in texts), texts


def test_a_pass_is_called_as_the_lot_calls_it(tmp_path):
    """Stations of a stated pass stand under its own id, as in every product; spots in the plural where several."""
    passes = (PassPlan(id="night", lane="2"),)
    folder = builders.write_lot(tmp_path / "lot", sound_lot.sound_lot(passes=passes))
    stations = next(item.found for item in judged(folder).items if item.name == "stations")
    assert stations.startswith("pass night: ")
    chosen = np.array([False, True, True])
    assert spots.name_spots(chosen, "is", "are") == "spots 2, 3 are"
    assert spots.name_spots(chosen[:2], "is", "are") == "spot 2 is"


# ------------------------------------------------------------------------------ while the paver moves


def first_part(folder, lot, metres: float):
    """Write a lot as it stands after some metres: logs that end in the middle of a row."""
    builders.write_lot(folder, lot)
    moment = lot.truth.time_utc[np.searchsorted(lot.truth.distance_m, metres)]
    seconds = float((moment - lot.truth.time_utc[0]) / np.timedelta64(1, "s"))
    share = seconds / float((lot.truth.time_utc[-1] - lot.truth.time_utc[0]) / np.timedelta64(1, "s"))
    for name in ("scan.csv", "gnss.nmea"):
        raw = (folder / name).read_bytes()
        cut = raw[: int(len(raw) * share)]
        (folder / name).write_bytes(cut[: cut.rfind(b"\n") - 7])
    return folder


def test_so_far_takes_logs_that_are_still_written(tmp_path):
    """After 100 ft, with the last rows cut, so-far tells station, travel, side, spots and clock, and raises nothing."""
    lot = sound_lot.sound_lot()
    report = check_so_far(load_config(first_part(tmp_path / "lot", lot, 30.48)))
    assert said(report, "look") == []
    assert report.exit_code == 0
    names = {item.name for item in report.items}
    assert {"now", "station now", "lane", "mat edges", "fresh mat", "clock", "wheel", "temperature"} <= names
    now = next(item.found for item in report.items if item.name == "station now")
    label = re.match(r"10\+([0-9.]+), travel upstation", now)
    truth = lot.truth.station_m[np.searchsorted(lot.truth.distance_m, 30.48)] - 1000
    assert label
    assert float(label[1]) == pytest.approx(truth, abs=0.3)


@pytest.mark.parametrize("name", [
    "antenna_behind", "antenna_other_side", "wrong_direction", "wrong_lane", "other_side", "spots_mirrored",
    "wheel_factor_ten", "paved_width",
])  # fmt: skip
def test_so_far_names_faults_from_the_first_100_ft(name, tmp_path):
    """Swapped arms, a wrong direction and a wrong lane are named from the first 100 ft."""
    fault = next(item for item in FAULTS if item.name == name)
    folder = first_part(tmp_path / "lot", sound_lot.sound_lot(**fault.plan), 30.48)
    for file, edit in fault.edits.items():
        text = (folder / file).read_text()
        (folder / file).write_text(edit(text))
    texts = said(check_so_far(load_config(folder)), fault.verdict)
    assert any(re.search(fault.words, text) for text in texts), texts


def test_so_far_says_what_cannot_be_decided_yet(tmp_path):
    """Without a mark and without offsets of the plans, so-far says that arms and lane cannot be told."""
    lot = builders.bend_and_stop_lot()
    report = check_so_far(load_config(first_part(tmp_path / "lot", lot, 12.0)))
    undecided = [item.found for item in report.items if item.name == "not decided yet"]
    assert [text.split(":")[0] for text in undecided] == [
        "the direction", "antenna ahead or behind", "the lane and antenna left or right"
    ]  # fmt: skip


def test_so_far_looks_at_the_end_of_a_long_log(tmp_path):
    """Of a log longer than its bounds only the end is read: header kept, whole rows, the station is the last."""
    lot = sound_lot.sound_lot()
    folder = builders.write_lot(tmp_path / "lot", lot)
    assert (folder / "scan.csv").stat().st_size > 400_000
    report = check_so_far(load_config(folder))
    now = next(item.found for item in report.items if item.name == "station now")
    assert float(re.match(r"10\+([0-9.]+)", now)[1]) == pytest.approx(lot.truth.station_m[-1] - 1000, abs=0.3)
    assert said(report, "look") == []


def test_so_far_looks_at_as_large_a_share_of_each_log(tmp_path):
    """With fixes at 20 Hz, four times the bytes of the scan, the path is as long as the end of the scan."""
    lot = sound_lot.sound_lot(
        gnss=Gnss(fixed_m=0.008, rate_hz=20.0), passes=(PassPlan(stops=(Stop(70.0, 40.0),)),)
    )
    folder = builders.write_lot(tmp_path / "lot", lot)
    assert (folder / "gnss.nmea").stat().st_size > 4 * (folder / "scan.csv").stat().st_size
    report = check_so_far(load_config(folder))
    found = {item.name: item.found for item in report.items}
    share = 400_000 / (folder / "scan.csv").stat().st_size
    assert float(re.search(r"([0-9]+) m looked at", found["now"])[1]) == pytest.approx(75 * share, rel=0.15)
    assert "no position" not in found
    assert float(re.search(r"UTC: ([-+.0-9]+) s", found["clock"])[1]) == pytest.approx(
        lot.truth.clock_offset_s, abs=0.2
    )


def test_so_far_loads_no_library_that_it_can_do_without(tmp_path):
    """A look while the paver moves loads no pandas, no compiler, no image filters and no writer of anything."""
    heavy = "pandas geopandas numba scipy.ndimage scipy.special rasterio pyogrio matplotlib jinja2"
    code = f"""
import sys
from thermosaic.cli import app
try:
    app(["check", "--so-far", sys.argv[1]])
except SystemExit as done:
    assert not done.code
print("loaded:", [name for name in {heavy.split()} if name in sys.modules])
"""
    folder = builders.write_lot(tmp_path / "lot", sound_lot.sound_lot())
    done = subprocess.run([sys.executable, "-c", code, str(folder)], capture_output=True, text=True)
    assert done.stdout.splitlines()[-1:] == ["loaded: []"], done.stderr


def test_a_check_is_data(tmp_path):
    """The findings are plain JSON: verdict, name, finding, advice, exit code."""
    report = judged(builders.write_lot(tmp_path / "lot", sound_lot.sound_lot()))
    data = json.loads(json.dumps(report.as_dict(), allow_nan=False))
    assert data["exit_code"] == 0
    assert all(set(item) == {"verdict", "name", "found", "advice"} for item in data["items"])


def test_the_first_rows_are_shown_as_understood(tmp_path):
    """--explain-format shows time, place, unit and temperature of the first rows, and why a log is not read."""
    lot = sound_lot.sound_lot()
    folder = builders.write_lot(tmp_path / "lot", lot)
    lines = explain_formats(load_config(folder))
    text = "\n".join(lines)
    assert f"{np.datetime_as_string(lot.logged.scan_time_utc[0], unit='ms')}Z  first spot" in text
    assert f"lon {lot.logged.lon_deg[0]:.7f}, lat {lot.logged.lat_deg[0]:.7f}" in text
    assert 'delimiter ",", decimal mark "."' in text
    (folder / "scan.csv").write_text((folder / "scan.csv").read_text().replace(",", ";"))
    assert any("cannot be read so: scan.csv" in line for line in explain_formats(load_config(folder)))


def test_what_stops_a_run_is_told_in_the_lots_units(tmp_path):
    """A wheel that counts backwards on a lot in US units: `check`, its look at the end and `run` tell the feet."""
    from click.testing import CliRunner

    from thermosaic.cli import entry as cli

    lot = sound_lot.sound_lot()
    head, *rows = lot.files["scan.csv"].decode().splitlines()
    place = head.split(",").index("wheel_count")
    cells = [row.split(",") for row in rows]
    most = max(int(row[place]) for row in cells)
    back = [",".join([*row[:place], str(most - int(row[place])), *row[place + 1 :]]) for row in cells]
    lot.files["scan.csv"] = "\n".join([head, *back, ""]).encode()
    lot.files["lot.toml"] = lot.files["lot.toml"].replace(b'units = "si"', b'units = "us"')
    folder = builders.write_lot(tmp_path / "lot", lot)
    config = load_config(folder)
    for found in (check_lot(config), check_so_far(config)):
        (text,) = [item.found for item in found.items if item.verdict == "stop"]
        assert re.search(r"backwards \(-[0-9]+ ft\) while the fixes go on \([0-9]+ ft\)", text), text
    with pytest.raises(MismatchError, match=r"backwards \(-[0-9]+ ft\)"):
        CliRunner().invoke(
            cli.app, ["run", str(folder), "-o", str(tmp_path / "result")], catch_exceptions=False,
            standalone_mode=False,
        )  # fmt: skip
