"""Reading TOML settings: each way in which a file can be wrong is one plain line with its place."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermosaic.config import LogFormat, RigFile, RuleProfile
from thermosaic.errors import ConfigError
from thermosaic.files import catalogue as reading
from thermosaic.files.catalogue import (
    find_settings,
    load_format,
    load_rig,
    load_rules,
    read_rules,
    shipped,
    shipped_names,
)
from thermosaic.files.settings import key_text, printable, read_toml, validated

RIG = """[rig]
antenna_forward = "78 in ahead"
antenna_right = "4 in left"
antenna_up = "11 ft"
screed_forward = "3 ft"
non_slip_forward = "9 ft"
clock_offset = "auto"
[scanner]
spots_right = { first = "-6.5 ft", last = "4.5 ft" }
mat_left = "-7 ft"
mat_right = "5 ft"
"""
FAULTS = {
    "no_value": (b"a = 1\nb = \n", r":2: column 5: not TOML: invalid value"),
    "open_table": (b"[a\nb = 1", r":1: column 3: not TOML: expected ']'"),
    "cut_in_a_string": (b'a = 1\nb = "cut', r":2: not TOML: unterminated string"),
    "key_twice": (b"a = 1\n\na = 2\n", r":3: column 6: this key or table is stated a second time"),
    "key_twice_in_a_line": (b"a = { b = 1, b = 2 }\n", r":1: column 1\d: this key or table is stated a"),
    "table_twice": (b"[a]\n[b]\n[a]\n", r":3: column 3: this key or table is stated a second time"),
    "latin_1": ("a = 1\nb = 'Straße'\n".encode("latin-1"), r":2: byte 0xDF is not UTF-8: save the file as"),
    "utf_16": ("a = 1\n".encode("utf-16"), r":1: the file is UTF-16: save it as UTF-8"),
    "nul": (b'a = "x\x00"\n', r":1: column 7: not TOML: illegal character '\\x00'"),
    "bare_cr": (b"a = 1\rb = 2\r", r":1: column 6: not TOML"),
    "deep_beyond_recursion": (b"a = " + b"[" * 20_000 + b"]" * 20_000, r":1: .* deeper than 12 levels"),
    "deep": (b"a = " + b"[" * 40 + b"]" * 40, r":1: .* nested deeper than 12 levels"),
    "deep_tables": (b"[" + b".".join([b"a"] * 3000) + b"]", r":1: .* nested deeper than 12 levels"),
    "huge_integer": (b"a = 1\nb = " + b"9" * 6000, r":2: a number of thousands of digits"),
    "too_large": (b"#" * 1_000_001, r": 1000001 bytes is too large: at most 1000000"),
    "binary": (bytes(range(256)), r":2: byte 0x80 is not UTF-8"),
}  # fmt: skip


@pytest.fixture
def write(tmp_path: Path):
    """Write a settings file and return its path."""

    def _write(content: str | bytes) -> Path:
        path = tmp_path / "some.toml"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return _write


def refusal(call) -> str:
    """Return the message of the ConfigError that a call raises."""
    with pytest.raises(ConfigError) as caught:
        call()
    return str(caught.value)


@pytest.mark.parametrize("fault", FAULTS)
def test_a_file_that_is_not_toml_is_one_line_with_its_place(fault, write):
    """Each fault is one ConfigError of one line that names file and line; never another exception."""
    content, pattern = FAULTS[fault]
    message = refusal(lambda: read_toml(write(content)))
    assert re.search(re.escape("some.toml") + pattern, message)
    assert "\n" not in message


@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_line_ends_and_a_byte_order_mark_change_nothing(write, mark, ending):
    """A file from any editor that saves UTF-8 reads the same, lines included."""
    read = read_toml(write(mark + 'a = "ü"\n[b]\nc = [1]\n'.encode().replace(b"\n", ending)))
    assert read.data == {"a": "ü", "b": {"c": (1,)}}
    assert (read.line(("b", "c")), read.line(("b", "unknown")), read.line(("nowhere",))) == (3, 2, 1)


@given(
    content=st.one_of(
        st.binary(max_size=200), st.text(alphabet="ab=[]{}\"',.#\n\\1_-+:T", max_size=80).map(str.encode)
    )
)
@settings(max_examples=300, deadline=None)
def test_any_bytes_are_read_or_refused_in_words(tmp_path_factory, content):
    """No bytes make the reader fail in another way than by a ConfigError of printable lines."""
    path = tmp_path_factory.mktemp("any", numbered=True) / "some.toml"
    path.write_bytes(content)
    message = "read"
    try:
        read_toml(path)
    except ConfigError as error:
        message = str(error)
    assert message.isprintable()


def test_a_missing_file_is_named(tmp_path):
    """The message says which file and why."""
    assert "gone.toml: cannot be read: No such file" in refusal(lambda: read_toml(tmp_path / "gone.toml"))


def test_a_folder_a_pipe_and_a_device_are_not_waited_for(tmp_path):
    """What is no ordinary file is refused at once instead of being read for ever."""
    os.mkfifo(tmp_path / "pipe")
    assert "is a folder" in refusal(lambda: read_toml(tmp_path))
    assert "not an ordinary file" in refusal(lambda: read_toml(tmp_path / "pipe"))
    assert "not an ordinary file" in refusal(lambda: read_toml(Path("/dev/zero")))


def test_a_loop_of_links_and_an_impossible_name_are_refused(tmp_path):
    """Links that lead to themselves and names with NUL end in a ConfigError."""
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    assert "cannot be read" in refusal(lambda: read_toml(tmp_path / "loop"))
    assert "cannot be read: not a path" in refusal(lambda: read_toml(Path("a\0b")))


CASES = [
    ('"78 in ahead"', "78", "2: rig.antenna_forward",
     'a length needs its unit, 78 has none: write it as text, like "2.5 m ahead"'),
    ('"78 in ahead"', '"78 in left"', "2: rig.antenna_forward",
     '"left" is not understood after the unit: one of ahead, behind is expected here'),
    ('"11 ft"', '"11 km"', "4: rig.antenna_up", '"11 km" is outside the allowed range 0 .. 20 m'),
    ("antenna_up", "antena_up", "4: rig.antena_up", 'unknown key; did you mean "antenna_up"?'),
    ("antenna_up", "antena_up", "1: rig.antenna_up", "required, but missing (Antenna above the mat)"),
    ("[scanner]", "[scanner]\nscreed_forward = '3 ft'", "9: scanner.screed_forward",
     "unknown key here; it belongs to [rig]"),
    ("[scanner]", "[scanner]\nzzz = 1", "9: scanner.zzz",
     "unknown key; known here: spots_right, mat_left, mat_right, correction"),
    ('last = "4.5 ft"', 'lst = "4.5 ft"', "9: scanner.spots_right.lst", 'unknown key; did you mean "last"?'),
    ('last = "4.5 ft"', "last = true", "9: scanner.spots_right.last",
     'a length needs its unit, true has none: write it as text, like "2.5 m right"'),
    ('mat_right = "5 ft"', 'mat_right = "-8 ft"', "8: scanner",
     "mat_left must lie left of mat_right (right of C is positive)"),
    ("[scanner]", "[[scanner]]", "8: scanner", "a table is expected, not a list"),
    ("[rig]", "[[rig]]", "1: rig", "a table is expected, not a list"),
    ('clock_offset = "auto"', "clock_offset = 0", "7: rig.clock_offset",
     'write "auto" or a time with its unit, like "0.4 s", not 0'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "place", "sentence"), CASES)
def test_an_error_says_where_what_and_what_was_expected(write, old, new, place, sentence):
    """FILE:LINE: key: what was found, what was expected, with unit, range or nearest key."""
    assert RIG.count(old) == 1
    path = write(RIG.replace(old, new))
    message = refusal(lambda: validated(RigFile, read_toml(path)))
    assert f"{path}:{place}: {sentence}" in message.split("\n")


def test_all_errors_of_a_file_are_listed_in_its_order(write):
    """Three mistakes give three lines, top to bottom."""
    path = write(RIG.replace('"78 in ahead"', "78").replace('"11 ft"', '"11"').replace('"-7 ft"', "true"))
    lines = refusal(lambda: validated(RigFile, read_toml(path))).split("\n")
    assert [re.search(r"toml:(\d+): ([a-z._]+):", line).groups() for line in lines] == [
        ("2", "rig.antenna_forward"), ("4", "rig.antenna_up"), ("10", "scanner.mat_left"),
    ]  # fmt: skip


def test_an_attribute_name_is_not_a_key(write):
    """`antenna_up_m`, the name in the program, is no second spelling of `antenna_up`."""
    path = write(RIG.replace("antenna_up", "antenna_up_m"))
    assert 'rig.antenna_up_m: unknown key; did you mean "antenna_up"?' in refusal(
        lambda: validated(RigFile, read_toml(path))
    )


def test_messages_stay_one_honest_line():
    """Control characters and characters that turn the direction of text are shown as escapes."""
    assert printable("a\nb\x1b[31m\u202e") == "a\\nb\\x1b[31m\\u202e"
    assert key_text(("mark", 1, "distance")) == "mark[2].distance"


def test_shipped_files_are_found_in_a_checkout_and_in_a_wheel(tmp_path, monkeypatch):
    """In a wheel configs and demo_project lie inside the package, in a checkout two folders above it."""
    assert shipped("configs", "rules", "differential-150ft.toml").is_file()
    module = tmp_path / "thermosaic" / "files" / "catalogue.py"
    (tmp_path / "thermosaic" / "shipped" / "configs").mkdir(parents=True)
    monkeypatch.setattr(reading, "__file__", str(module))
    assert shipped("configs") == tmp_path / "thermosaic" / "shipped" / "configs"


@pytest.mark.parametrize("name", shipped_names("formats"))
def test_each_shipped_format_loads_under_its_own_name(name):
    """The name of the file is the id inside."""
    read = load_format(name)
    assert isinstance(read, LogFormat)
    assert read.id == name


@pytest.mark.parametrize("name", shipped_names("rigs"))
def test_each_shipped_rig_loads(name):
    """The tables of an example rig are those of a lot file, and its scanner sees the mat."""
    rig = load_rig(name)
    assert isinstance(rig, RigFile)
    assert rig.rig.antenna_up_m > 0


@pytest.mark.parametrize("name", shipped_names("rules"))
def test_each_shipped_rule_loads_under_its_own_name(name):
    """Every number of a shipped rule has a source and a standing, or it would not load."""
    rules = load_rules(name)
    assert isinstance(rules, RuleProfile)
    assert rules.id == name


def test_shipped_formats_rules_and_rigs_are_there():
    """The names that lot files use are shipped."""
    sides = ["control-csv", "cores-csv", "cores-us-csv", "diary-csv", "tickets-csv", "weather-csv"]
    logs = ["fix-table", "nmea-0183", "wheel-csv", "wide-csv", "wide-parquet"]
    assert shipped_names("formats") == sorted(sides + logs)
    assert shipped_names("rules") == ["below-target-150ft", "differential-150ft", "differential-50m"]
    assert len(shipped_names("rigs")) == 2


@pytest.mark.parametrize(
    ("name", "pattern"),
    [
        ("wide-cvs", 'did you mean "wide-csv"?'),
        ("zzz", "shipped are control-csv, cores-csv"),
        ("my.toml", "is not a file in the lot folder"),
        ("../my.toml", "leaves the lot folder"),
        ("/etc/my.toml", "is absolute"),
        ("..", "is not a shipped name"),
        ("x/..", "is the lot folder itself"),
        ("a/\0", "is not a path"),
    ],
)
def test_an_unknown_format_is_answered_with_the_nearest(tmp_path, name, pattern):
    """Names that are not shipped and paths outside the lot folder are refused in words."""
    assert pattern in refusal(lambda: load_format(name, tmp_path))


def test_a_users_own_file_is_found_by_its_path(tmp_path):
    """A path relative to the lot folder loads a rule of one's own."""
    own = tmp_path / "rules" / "ours.toml"
    own.parent.mkdir()
    text = shipped("configs", "rules", "differential-150ft.toml").read_text()
    own.write_text(text.replace('id = "differential-150ft"', 'id = "ours"'))
    assert find_settings("rules", "rules/ours.toml", tmp_path) == own
    assert load_rules("rules/ours.toml", tmp_path).id == "ours"


RULE = shipped("configs", "rules", "differential-150ft.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ((r'"stop.ahead" = .*\n', ""), r':45: stop.ahead: the number has no source: add'),
        ((r'"classes.none.up_to" = .*\n', ""), r"classes.words\[1\].up_to: the number has no source"),
        ((r'"speed.bands" = .*\n', ""), r"speed.bands: the number has no source"),
        ((r'"zone.minimum_lines" = .*\n', ""), r"zone.minimum_lines: the number has no source"),
        ((r'"stop.ahead" =', '"stop.ahed" ='), r'names no value of this file; did you mean "stop.ahead"'),
        ((r'standing = "second-hand"', 'standing = "sure"'), r'standing: "sure" is not one of'),
        ((r'"moderate", up_to = "50 degF"', '"moderate", up_to = "20 degF"'), r"limits must rise"),
        ((r'word = "severe"', 'word = "severe", up_to = "90 degF"'), r"the last has none"),
        ((r'word = "moderate"', 'word = "none"'), r"classes with different words"),
        ((r"high_percentile = 98.5\n", ""), r"needs high_percentile"),
        ((r"high_percentile = 98.5", "high_percentile = 0.985"), r"outside the allowed range 50 .. 100"),
        ((r'release = "15 degF"', 'release = "30 degF"'), r"not larger than drop"),
        ((r'bands = \["1.5 m/min", "3', 'bands = ["3 m/min", "1.5'), r"edges must rise"),
        ((r'lowest = "170 degF"', 'lowest = "500 degF"'), r"lowest must be below highest"),
        ((r'kind = "percentile_pair"', 'kind = "range"'), r'"range" is not one of'),
    ],
)  # fmt: skip
def test_a_rule_without_sources_or_sense_is_refused(write, change, expected):
    """A number without its source, a source without its number, and rules that contradict themselves."""
    changed, count = re.subn(*change, RULE)
    assert count >= 1
    message = refusal(lambda: read_rules(write(changed)))
    assert re.search(expected, message)


NUMBERS = {
    "profile": "length remainder_from minimum_coverage_frac start_up",
    "statistic": "cell high_percentile low_percentile",
    "classes": "rounded_to instrument_accuracy none.up_to moderate.up_to",
    "stop": "below longer_than behind ahead",
    "edge_trim": "free cold_joint hot_joint kerb",
    "window": "lowest highest look_age",
    "zone": "drop release window cell minimum_area minimum_lines",
    "speed": "bands",
}


def test_each_missing_source_is_named(write):
    """Without its sources the shipped rule lacks one for each of its numbers, and for none of its words."""
    message = refusal(lambda: read_rules(write(RULE[: RULE.index("[sources]")] + "[sources]\n")))
    wanted = {f"{section}.{key}" for section, keys in NUMBERS.items() for key in keys.split()}
    assert set(re.findall('add "([a-z_.]+)" with source', message)) == wanted
