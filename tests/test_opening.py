"""Opening a lot: the complete example of a lot file, what it resolves to, and each fault as a named case."""

from __future__ import annotations

import json
import os
import pickle
import re
import shutil
import subprocess
import sys
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from thermosaic.config import config_as_used
from thermosaic.errors import ConfigError
from thermosaic.files.catalogue import shipped, shipped_names
from thermosaic.opening import config_schema, config_show, demo_lots, load_config

EXAMPLE = """[lot]
id = "KR12-L2-20260514"             # becomes file names: letters, digits, . _ -
revision = 1                        # optional: supersedes, reason
route = "County Road 12"
lane = "1"
lift = 2                            # counted from the bottom
thickness = "2 in"                  # compacted
time_zone = "America/Boise"
# optional: course, mix, warm_mix, laydown_target, spread_rate, paved_width, shift, note
[lot.agency]                        # free keys that an agency pattern may require (contract, bid item, ...)
[files]                             # a path, or a list read in order as one log
scan = "scan.csv"
fixes = "gnss.nmea"
wheel = "wheel.csv"                 # optional; else the wheel column of the scan
alignment = "centreline.geojson"    # optional, as are exclusions
[formats]                           # names of configs/formats/*.toml, or paths to your own
scan = "wide-csv"
fixes = "nmea-0183"
[crs]
fixes = "EPSG:6318"                 # reference frame of the fixes: must be stated (NMEA does not say it)
epoch = 2026.37                     # optional; default from the fixes' date where the frame needs one
map = "EPSG:6448"                   # projected CRS of the products; any linear unit
alignment = "EPSG:6318"             # true frame of the numbers in alignment, exclusions
accuracy = "0.1 m"                  # worst datum operation taken
[rig]
antenna_forward = "78 in ahead"
antenna_right = "4 in left"
antenna_up = "11 ft"
screed_forward = "3 ft"
non_slip_forward = "9 ft"
heading_offset = "0 deg"            # two-antenna heading minus body heading; only with a heading sensor
fix_sigma = { fixed = "0.02 m", float = "0.3 m", differential = "1 m", autonomous = "3 m" }
max_sigma = "1 m"                   # optional: position_sigma_m above this makes a gap; never a stop
wheel_per_count = "0.5 mm"          # only with wheel_count
clock_offset = "auto"               # scan clock minus UTC: "auto", or a time
evidence = ["wheel-0501.toml"]      # optional: files written by `rig ...`
[scanner]
spots_right = { first = "-6.5 ft", last = "4.5 ft" }   # centres, column order; or a list; or by angle
mat_left = "-7 ft"                  # edges of the paved mat from C, right +
mat_right = "5 ft"
[[pass]]                            # optional
id = "north"
from = "2026-05-14T13:20:00-06:00"
to = "2026-05-14T18:00:00-06:00"
direction = "downstation"
left_edge = "cold joint"
[[exclude]]                         # optional
from = "105+00"
to = "106+50.5"
side = "left"
reason = "side street"
[[mark]]                            # stations from the ground
station = "100+00"
at = "first line"
pass = "north"
point = "screed"
distance = "50 ft before"
[stationing]
direction = "downstation"
alignment = "CL"                    # optional: its name, if the file holds several
start = "100+00"                    # optional: station of its first vertex where the file has none, else 0
labels = "100 ft"                   # optional: "100 ft" (default us), "100 m" (default si), "1000 m"
[rules]
profile = "differential-150ft"      # configs/rules/*.toml, or a path
[grid]
map_cell = "0.1 m"
mat_cell = "1 ft"                   # the picture's cell in the mat frame; the rule owns the statistic's cell
[accept]                            # optional, defaults shown: when to stop rather than go on
rejected_frac = 0.2
autonomous_frac = 0.1
wheel_gnss_frac = 0.03
alignment_distance = "30 m"
[delivery]
units = "us"                        # "us" or "si"
"""
NO_ALIGNMENT = re.sub(r'(?m)^(alignment = "(centreline|CL).*|start = .*)\n', "", EXAMPLE)


@pytest.fixture
def lot(tmp_path: Path):
    """Write a lot file into a folder and return the folder."""

    def _lot(text: str | bytes = EXAMPLE) -> Path:
        (tmp_path / "lot.toml").write_bytes(text.encode() if isinstance(text, str) else text)
        return tmp_path

    return _lot


def changed(old: str, new: str, text: str = EXAMPLE) -> str:
    """Replace one place of the example."""
    assert text.count(old) == 1, old
    return text.replace(old, new)


def refusals(folder: Path) -> list[str]:
    """Return the lines of the ConfigError that a lot raises, without the folder's name."""
    with pytest.raises(ConfigError) as caught:
        load_config(folder)
    return str(caught.value).replace(f"{folder}{os.sep}", "").split("\n")


def test_the_complete_example_loads(lot):
    """Every key of the lot file together: values in SI, paths absolute, rule and formats resolved."""
    folder = lot()
    config = load_config(folder)
    assert (config.lot.id, config.lot.lift, config.lot.thickness_m) == (
        "KR12-L2-20260514",
        2,
        pytest.approx(0.0508),
    )
    assert config.files.scan == (folder / "scan.csv",)
    assert config.files.wheel == (folder / "wheel.csv",)
    assert config.files.alignment == folder / "centreline.geojson"
    assert (config.scan_format.id, config.fixes_format.id) == ("wide-csv", "nmea-0183")
    assert config.wheel_format.id == "wheel-csv"
    assert (config.rules.id, config.crs.epoch, config.labels.unit) == (
        "differential-150ft",
        2026.37,
        "100 ft",
    )
    assert config.passes[0].from_.astimezone(UTC) == datetime(2026, 5, 14, 19, 20, tzinfo=UTC)
    assert config.exclude[0].to_m == pytest.approx(10_650.5 * 0.3048)
    assert config.marks[0].distance_m == pytest.approx(50 * 0.3048)
    assert config.stationing.start_m == pytest.approx(3048.0)
    assert (config.folder, config.source_text) == (folder, EXAMPLE)


def test_a_lot_is_its_folder_or_its_file(lot, monkeypatch):
    """Folder, file and relative path open the same lot."""
    folder = lot()
    monkeypatch.chdir(folder.parent)
    opened = [load_config(path) for path in (folder, folder / "lot.toml", Path(folder.name))]
    assert opened[0] == opened[1] == opened[2]


def test_the_least_lot_needs_only_what_is_required(lot):
    """The required keys alone load, with an alignment or with one mark and a direction."""
    least = re.sub(
        r"(?ms)^\[(\[pass|\[exclude|\[mark|stationing|grid|accept|delivery).*?(?=^\[(?!\[)|\Z)", "", EXAMPLE
    )
    least = re.sub(
        r"(?m)^(revision|wheel|epoch|accuracy|heading|fix_sigma|max_sigma|evidence)\b.*\n", "", least
    )
    config = load_config(lot(least))
    assert (config.delivery.units, config.labels.unit, config.wheel_format) == ("si", "100 m", None)
    assert (config.grid.map_cell_m, config.grid.mat_cell_m, config.passes, config.marks) == (
        0.1,
        0.3048,
        (),
        (),
    )


def test_stations_use_the_foot_of_the_map(lot):
    """Station 100+00 is 10,000 feet: US survey feet where the map has them (EPSG:6505)."""
    survey = load_config(lot(changed('map = "EPSG:6448"', 'map = "EPSG:6505"')))
    assert survey.stationing.start_m == pytest.approx(10_000 * 1200 / 3937, rel=1e-12)
    assert load_config(lot()).stationing.start_m == pytest.approx(3048.0, rel=1e-12)


@pytest.mark.parametrize(("units", "unit"), [("us", "100 ft"), ("si", "100 m")])
def test_labels_follow_the_delivery_where_they_are_not_stated(lot, units, unit):
    """100 ft for us, 100 m for si."""
    text = re.sub(r"(?m)^labels = .*\n", "", EXAMPLE).replace('units = "us"', f'units = "{units}"')
    assert load_config(lot(text)).labels.unit == unit


REQUIRED = {
    "lot": "id route lane lift thickness time_zone",
    "files": "scan fixes",
    "formats": "scan fixes",
    "crs": "fixes map",
    "rig": "antenna_forward antenna_right antenna_up screed_forward non_slip_forward clock_offset",
    "scanner": "spots_right mat_left mat_right",
    "rules": "profile",
}


@pytest.mark.parametrize(
    "key", [f"{section}.{key}" for section, keys in REQUIRED.items() for key in keys.split()]
)
def test_each_required_key_is_missed_by_name(lot, key):
    """Without it the lot is refused and the key named, with the table's line."""
    section, name = key.split(".")
    start = EXAMPLE.index(f"[{section}]")
    text = EXAMPLE[:start] + re.sub(rf"(?m)^{name} = .*\n", "", EXAMPLE[start:], count=1)
    line = EXAMPLE[:start].count("\n") + 1
    assert any(
        re.match(rf"lot.toml:{line}: {key}: required, but missing \(.+\)$", item)
        for item in refusals(lot(text))
    )


FAULTS = {
    "misspelt_key": (
        changed("antenna_up =", "antena_up ="),
        'rig.antena_up: unknown key; did you mean "antenna_up"?',
    ),
    "misspelt_table": (changed("[accept]", "[acept]"), 'acept: unknown key; did you mean "accept"?'),
    "unknown_key": (
        changed("[grid]", "[grid]\nzzz = 1"),
        "grid.zzz: unknown key; known here: map_cell, mat_cell",
    ),
    "unknown_in_a_pass": (
        changed('id = "north"', 'name = "north"'),
        "pass[1].name: unknown key; known here: id, lane",
    ),
    "key_of_another_table": (
        changed("[grid]", "[grid]\nlane = '2'"),
        "grid.lane: unknown key here; it belongs to [lot]",
    ),
    "changes_of_the_rig": (
        EXAMPLE + "[[change]]\n",
        "change[1]: one of at (a time with its zone) and at_station is expected",
    ),
    "diary": (
        changed("[formats]", "[formats]\ndiary = 'diary-cvs'").replace("[files]", "[files]\ndiary = 'd.csv'"),
        'formats.diary: "diary-cvs" is not a shipped name: did you mean "diary-csv"?',
    ),
    "several_scanners": (
        changed("[scanner]", "[[scanner]]"),
        "scanner[1].file: required, but missing",
    ),
    "bare_number": (
        changed('"78 in ahead"', "78"),
        "rig.antenna_forward: a length needs its unit, 78 has none",
    ),
    "wrong_unit": (changed('"2 in"  ', '"2 s"  '), 'lot.thickness: "2 s" is not a length with a unit'),
    "wrong_side": (changed('"4 in left"', '"4 in ahead"'), 'rig.antenna_right: "ahead" is not understood'),
    "million_times": (
        changed('"11 ft"', '"11e6 ft"'),
        'rig.antenna_up: "11e6 ft" is outside the allowed range 0 .. 20 m',
    ),
    "truth_as_a_number": (
        changed("lift = 2 ", "lift = true "),
        "lot.lift: a whole number without quotes is expected, not true",
    ),
    "nan": (
        changed("rejected_frac = 0.2", "rejected_frac = nan"),
        "accept.rejected_frac: nan is outside the allowed range 0 .. 1",
    ),
    "inf": (
        changed("epoch = 2026.37", "epoch = inf"),
        "crs.epoch: inf is outside the allowed range 1980 .. 2100",
    ),
    "negative": (
        changed("revision = 1", "revision = -1"),
        "lot.revision: -1 is outside the allowed range 1 .. 999",
    ),
    "no_zone": (changed("18:00:00-06:00", "18:00:00"), 'pass[1].to: "2026-05-14T18:00:00" has no zone'),
    "bare_time": (
        changed('"2026-05-14T18:00:00-06:00"', "2026-05-14T18:00:00-06:00"),
        "pass[1].to: write a time as text",
    ),
    "ends_before_it_starts": (changed("T18:00", "T08:00"), "pass[1]: from must be earlier than to"),
    "path_out_of_the_lot": (
        changed('"scan.csv"', '"../scan.csv"'),
        'files.scan: "../scan.csv" leaves the lot folder',
    ),
    "absolute_path": (changed('"gnss.nmea"', '"/dev/ttyS0"'), 'files.fixes: "/dev/ttyS0" is absolute'),
    "nul_in_a_path": (changed('"scan.csv"', '"a\\u0000b"'), 'files.scan: "a\\x00b" is not a path'),
    "newline_in_an_id": (changed('"KR12-L2-20260514"', '"a\\nb"'), 'lot.id: "a\\nb" becomes file names'),
    "device_as_an_id": (
        changed('"KR12-L2-20260514"', '"con.1"'),
        'lot.id: "con.1" cannot be a file name on every system',
    ),
    "5000_characters": (changed('"KR12-L2-20260514"', f'"{"x" * 5000}"'), 'lot.id: "xxxxxxxxxx'),
    "turned_text": (changed('"KR12-L2-20260514"', '"a\\u202eb"'), 'lot.id: "a\\u202eb" becomes file names'),
    "unknown_format": (
        changed('"wide-csv"', '"wide-cvs"'),
        'formats.scan: "wide-cvs" is not a shipped name: did you mean "wide-csv"',
    ),
    "format_of_another_log": (
        changed('"wide-csv"', '"fix-table"'),
        'formats.scan: "fix-table" is a format of fixes, not of scan',
    ),
    "unknown_rule": (
        changed('"differential-150ft"', '"differential-150"'),
        'did you mean "differential-150ft"',
    ),
    "rule_out_of_the_lot": (
        changed('"differential-150ft"', '"../r.toml"'),
        'rules.profile: "../r.toml" leaves the lot folder',
    ),
    "geographic_map": (
        changed('map = "EPSG:6448"', 'map = "EPSG:6318"'),
        'crs.map: "EPSG:6318" (NAD83(2011)) is a Geographic 2D CRS',
    ),
    "unknown_zone": (changed('"America/Boise"', '"america/boise"'), 'did you mean "America/Boise"?'),
    "unknown_pass": (
        changed('pass = "north"', 'pass = "south"'),
        'mark[1].pass: "south" is not a pass: there is north',
    ),
    "station_of_other_labels": (
        changed('start = "100+00"', 'start = "1+000.00"'),
        'stationing.start: "1+000.00" is not a station',
    ),
    "exclusion_backwards": (
        changed('to = "106+50.5"', 'to = "104+00"'),
        "exclude[1]: from must be a smaller station than to",
    ),
    "list_where_a_table_is_expected": (
        changed("[grid]", "[[grid]]"),
        "grid: a table is expected, not a list",
    ),
    "no_start_of_stations": (
        re.sub(r"(?s)\[\[mark\]\].*?(?=\[stat)", "", NO_ALIGNMENT),
        "stationing: stations need a start",
    ),
    "no_direction": (
        NO_ALIGNMENT.replace('direction = "downstation"\n', ""),
        "stationing.direction: required without an alignment",
    ),
    "start_without_alignment": (
        NO_ALIGNMENT.replace("labels =", 'start = "1+00"\nlabels ='),
        "stationing.start: belongs to an alignment",
    ),
    "mixed_limits": (
        changed("[lot.agency]", 'limits = { from = "1+00", to = "2026-05-14T18:00:00Z" }\n[lot.agency]'),
        "lot.limits: from and to must be two times or two stations",
    ),
    "same_pass_twice": (
        changed("[[exclude]]", '[[pass]]\nid = "North"\nfrom = "2026-05-15T13:20:00Z"\n[[exclude]]'),
        'pass[2].id: two passes are called "North"',
    ),
    "passes_overlap": (
        changed("[[exclude]]", '[[pass]]\nfrom = "2026-05-14T23:00:00Z"\n[[exclude]]'),
        'pass[2].from: passes "north" and "2" overlap in time',
    ),
    "open_pass_before_another": (
        changed('to = "2026-05-14T18:00:00-06:00"\n', "") + '[[pass]]\nfrom = "2026-05-16T00:00:00Z"\n',
        'pass[2].from: passes "north" and "2" overlap',
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_one_line_with_file_line_and_key(lot, fault):
    """What was found and what was expected, at its line; no fault passes silently."""
    text, expected = FAULTS[fault]
    lines = refusals(lot(text))
    assert any(re.match(r"lot\.toml:\d+: ", line) and expected in line for line in lines), lines
    assert all(line.isprintable() and len(line) < 400 for line in lines)


@pytest.mark.parametrize("fault", FAULTS)
def test_the_line_is_that_of_the_key(lot, fault):
    """An editor that jumps to the line stands on the key, or on the header of the table that lacks it."""
    text, expected = FAULTS[fault]
    named = next(line for line in refusals(lot(text)) if expected in line)
    line, path = re.match(r"lot\.toml:(\d+): ([^:]+):", named).groups()
    keys = [re.sub(r"\[\d+\]$", "", key) for key in path.split(".")]
    at_line = text.split("\n")[int(line) - 1].lstrip("[")
    assert at_line.startswith(tuple(keys))


def test_a_direction_in_every_pass_is_enough(lot):
    """Without an alignment and without [stationing] direction the passes' own directions serve."""
    start = NO_ALIGNMENT.index("[stationing]")
    text = NO_ALIGNMENT[:start] + NO_ALIGNMENT[start:].replace('direction = "downstation"\n', "")
    assert load_config(lot(text)).passes[0].direction == "downstation"


def test_without_an_alignment_one_mark_and_a_direction_serve(lot):
    """A mark and a direction give stations; alignment and start stay unstated."""
    config = load_config(lot(NO_ALIGNMENT))
    assert (config.files.alignment, config.stationing.direction) == (None, "downstation")


OWN_RULE = shipped("configs", "rules", "differential-150ft.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('anchor = "pass_start"', 'anchor = "whole_station"', "rules.profile: differential-150ft cuts"),
        ('kind = "percentile_pair"', 'kind = "below_target"', "lot.laydown_target: required by"),
        ("[zone]", '[zone]\nreference = "laydown_target"', "lot.laydown_target: required by"),
    ],
)  # fmt: skip
def test_a_rule_says_what_it_needs_of_the_lot(lot, old, new, expected):
    """Whole stations need an alignment, a target statistic needs the target."""
    folder = lot(NO_ALIGNMENT.replace('"differential-150ft"', '"own.toml"'))
    (folder / "own.toml").write_text(OWN_RULE.replace(old, new))
    assert any(expected in line for line in refusals(folder))


def test_faults_of_a_rule_are_placed_in_the_rules_file(lot):
    """The line is that of the user's own rule file, beside those of the lot file."""
    text = changed('"differential-150ft"', '"own.toml"').replace('pass = "north"', 'pass = "south"')
    folder = lot(text)
    (folder / "own.toml").write_text(OWN_RULE.replace('"10 s"', "10"))
    lines = refusals(folder)
    assert lines[0].startswith('lot.toml:55: mark[1].pass: "south" is not a pass')
    assert (
        lines[1]
        == 'own.toml:42: stop.longer_than: a time needs its unit, 10 has none: write it as text, like "0.4 s"'
    )


def test_a_wheel_that_only_counts_needs_its_constant(lot):
    """A format with wheel_count alone requires [rig] wheel_per_count."""
    text = re.sub(r"(?m)^wheel_per_count = .*\n", "", changed('"wide-csv"', '"own.toml"')).replace(
        "wheel = ", "#"
    )
    folder = lot(text)
    own = shipped("configs", "formats", "wide-csv.toml").read_text().replace('wheel_m = "wheel_m"\n', "")
    (folder / "own.toml").write_text(own)
    assert any("rig.wheel_per_count: required by the format wide-csv" in line for line in refusals(folder))


@pytest.mark.parametrize(
    "content", [b"", b"\xff\xfe", b"a = " + b"[" * 20_000, b"a = " + b"9" * 6000, b"lot = 5", b"[[lot]]",
                b"[lot]\nid = []", bytes(50)]
)  # fmt: skip
def test_a_broken_lot_file_is_refused_in_words(lot, content):
    """Empty, UTF-16, endless nesting, huge numbers, wrong shapes: each a ConfigError of printable lines."""
    assert all(line.isprintable() for line in refusals(lot(content)))


def test_a_lot_that_is_not_there_is_named(tmp_path):
    """Folder without lot.toml, missing folder, folder called lot.toml."""
    assert "not there: a lot is a folder with lot.toml in it" in refusals(tmp_path)[0]
    assert "not there" in refusals(tmp_path / "gone")[0]
    (tmp_path / "lot.toml").mkdir()
    assert "is a folder" in refusals(tmp_path)[0]


@given(data=st.data())
@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_any_damage_to_a_lot_file_loads_or_is_refused_in_words(tmp_path, data):
    """Cut, doubled or overwritten text never ends in another exception than ConfigError."""
    start = data.draw(st.integers(0, len(EXAMPLE)))
    end = data.draw(st.integers(start, min(len(EXAMPLE), start + 60)))
    patch = data.draw(
        st.sampled_from(
            ["", "\0", "[", "]", '"', "=", "nan", "true", "-", "9" * 30, "\u202e", "x", "\n", "{}"]
        )
    )
    (tmp_path / "lot.toml").write_text(EXAMPLE[:start] + patch + EXAMPLE[end:], encoding="utf-8")
    try:
        outcome = load_config(tmp_path).lot.id
    except ConfigError as error:
        outcome = str(error).replace("\n", " ")
    assert outcome.isprintable()


def test_a_configuration_crosses_processes(lot):
    """Pickling gives an equal configuration."""
    config = load_config(lot())
    assert pickle.loads(pickle.dumps(config)) == config


def test_the_configuration_as_used_is_plain_and_knows_no_folder(lot, tmp_path_factory):
    """JSON in SI, times in UTC, paths relative; a copy of the lot elsewhere gives the same text."""
    folder = lot()
    text = json.dumps(config_as_used(load_config(folder)), allow_nan=False)
    copy = tmp_path_factory.mktemp("elsewhere") / "copy"
    shutil.copytree(folder, copy)
    assert json.dumps(config_as_used(load_config(copy)), allow_nan=False) == text
    assert str(folder) not in text
    used = json.loads(text)
    assert used["files"]["scan"] == ["scan.csv"]
    assert used["passes"][0]["from"] == "2026-05-14T19:20:00Z"
    assert used["rig"]["antenna_forward_m"] == pytest.approx(1.9812)
    assert used["rules"]["sources"]["stop.ahead"]["standing"] == "from memory, to be checked"
    assert used["labels"] == {"unit": "100 ft", "foot_m": 0.3048, "equations": []}


def test_the_configuration_does_not_depend_on_the_machines_zone(lot):
    """Another time zone and hash seed of the machine give the same configuration."""
    code = "import json, sys; from thermosaic import config, opening; "
    code += "print(json.dumps(config.config_as_used(opening.load_config(sys.argv[1]))))"
    found = set()
    for zone, seed in (("UTC", "0"), ("Asia/Kathmandu", "7")):
        environment = {**os.environ, "TZ": zone, "PYTHONHASHSEED": seed}
        run = [sys.executable, "-c", code, str(lot())]
        found.add(subprocess.run(run, env=environment, capture_output=True, text=True, check=True).stdout)
    assert len(found) == 1


def test_the_example_fits_its_schema():
    """What loads is valid by the JSON Schema; a bare number and an unknown key are not."""
    schema = config_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    example = tomllib.loads(EXAMPLE)
    jsonschema.validate(example, schema)
    for bad in ({**example, "rig": {**example["rig"], "antenna_up": 11}}, {**example, "rigg": {}}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(bad, schema)


def test_show_tells_every_value_and_its_origin(lot):
    """Stated values with their line, defaults as such, numbers of the rule with source and standing."""
    shown = config_show(lot(re.sub(r"(?m)^(labels|max_sigma) = .*\n", "", EXAMPLE)))
    assert shown["rig.antenna_forward"] == ("78 in ahead (1.9812 m)", "lot.toml:26")
    assert shown["rig.max_sigma"] == ("1 m", "default")
    assert shown["stationing.labels"] == ("100 ft", "default for us")
    assert shown["rig.fix_sigma.float"] == ("0.3 m", "lot.toml:32")
    assert shown["mark[1].distance"][0] == "50 ft before (15.24 m)"
    value, origin = shown["rule.stop.ahead"]
    assert value == "8 ft (2.4384 m)"
    assert re.match(r"differential-150ft.toml:\d+; AASHTO PP 80.*\(from memory, to be checked\)$", origin)
    assert "format.wheel.columns" in shown


def test_show_tells_a_slope_without_a_unit(lot):
    """A slope of 2 % is 0.02 of rise over run: a number alone, with no room kept for a unit."""
    text = re.sub(r"(?m)^\[rig\].*$", '[rig]\ncross_slope = "2 % down to the right"', EXAMPLE)
    assert config_show(lot(text))["rig.cross_slope"][0] == "2 % down to the right (0.02)"


def test_show_covers_every_key_that_is_stated(lot):
    """No stated key of the lot file is left out."""
    shown = config_show(lot())
    stated = re.findall(r"(?m)^([a-z_]+) = ", EXAMPLE)
    assert {key for key in stated if key != "fix_sigma" and key != "spots_right"} <= {
        key.split(".")[-1] for key in shown
    }


def test_a_shipped_rig_is_a_start_for_a_lot(lot):
    """The tables of each example rig, pasted in place of the lot's own, load."""
    start, end = EXAMPLE.index("[rig]"), EXAMPLE.index("[[pass]]")
    for name in shipped_names("rigs"):
        text = shipped("configs", "rigs", f"{name}.toml").read_text(encoding="utf-8")
        assert load_config(lot(EXAMPLE[:start] + text + EXAMPLE[end:])).rig.antenna_up_m > 3


@pytest.mark.parametrize("path", demo_lots(), ids=lambda path: path.name)
def test_each_demonstration_lot_opens(path):
    """The shipped lots load as they are."""
    assert load_config(path).folder == path


# ----------------------------------------------------------------------------------- station equations


def landxml_lot(lot, more, edit=lambda text: text):
    """The example with a design of 6000 ft in its map frame, station 100+00 on, as alignment."""
    folder = lot()
    (folder / "centreline.xml").write_text(
        '<?xml version="1.0"?><LandXML><Units><Imperial linearUnit="foot"/></Units><Alignments>'
        '<Alignment name="CL" staStart="10000"><CoordGeom><Line><Start>1000000 1640420</Start>'
        f"<End>1000000 1646420</End></Line></CoordGeom>{more}</Alignment></Alignments></LandXML>"
    )
    text = (folder / "lot.toml").read_text().replace("centreline.geojson", "centreline.xml")
    (folder / "lot.toml").write_text(edit(text.replace('alignment = "EPSG:6318"', 'alignment = "EPSG:6448"')))
    return folder


OVERLAP = '<StaEquation staInternal="10600" staBack="10600" staAhead="10400"/>'


def test_stations_of_a_lot_take_their_region(lot):
    """Stations in lot.toml are read through the design's equations: 105+50:2 lies 200 ft after 105+50:1."""
    folder = landxml_lot(lot, OVERLAP, lambda text: text.replace('from = "105+00"', 'from = "105+00:1"'))
    found = load_config(folder)
    assert found.labels.text(found.labels.parse("105+50:1")) == "105+50.0:1"
    assert found.exclude[0].from_m == pytest.approx(10500 * 0.3048)
    assert found.exclude[0].to_m == pytest.approx(10850.5 * 0.3048)
    assert len(config_as_used(found)["labels"]["equations"]) == 1


def test_ambiguous_stations_are_refused_with_their_regions(lot):
    """105+00 exists twice: file, line and key, and both ways to write it."""
    words = r"lot\.toml:\d+: exclude.*from: .*105\+00:1 or 105\+00:2"
    with pytest.raises(ConfigError, match=words):
        load_config(landxml_lot(lot, OVERLAP))


def test_a_design_without_equations_changes_no_label(lot):
    """Plain labels carry no region."""
    assert load_config(landxml_lot(lot, "")).labels.equations == ()
