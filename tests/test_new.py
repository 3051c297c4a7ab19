"""Opening a lot: from an empty folder and logs to a result; agencies' names; questions in plain words."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

from command_line import thermosaic as command
from thermosaic import new_lots, questions
from thermosaic.errors import ConfigError
from thermosaic.files.catalogue import load_agency, load_rig, shipped_names
from thermosaic.new_lots import first_answers, new_lot, propose
from thermosaic.opening import demo_lots, load_config
from thermosaic.units import StationLabels

LOGS = ("scan.csv", "gnss.nmea", "centreline.geojson")
KNOWN = {
    "lot": {
        "route": "County Road 12", "lane": "1", "lift": 1, "mix": "SP3", "thickness": "2.5 in",
        "time_zone": "America/Boise",
        "agency": {"contract": "C-2026-03", "reference_line": "CL", "paving_date": "2026-05-14"},
    },
    "crs": {"fixes": "EPSG:6318", "map": "EPSG:6451", "alignment": "EPSG:6318"},
    "stationing": {"start": "112+00"},
    "scanner": {
        "spots_right": {"first": "-7.25 ft", "last": "6.25 ft"}, "mat_left": "-6.5 ft", "mat_right": "5.5 ft",
    },
}  # fmt: skip


@pytest.fixture
def folder(tmp_path) -> Path:
    """Give a folder that holds the demonstration's logs and nothing else."""
    for name in LOGS:
        shutil.copy(demo_lots()[0] / name, tmp_path / name)
    return tmp_path


def answers(folder: Path, agency: str | None = "county-roads"):
    """Give answers to everything, with the rig of the shipped example."""
    first, pattern = first_answers("bar-on-screed", None, agency, None, folder)
    given = questions.merged(first, KNOWN)
    for key, value in propose(folder).items():
        given = questions.with_answer(given, tuple(key.split(".")), value)
    return given, pattern


def test_three_commands_from_logs_to_a_result(folder):
    """From a folder of logs: `new`, `check` and `run`, each found in the help or named by the one before."""
    pairs = [
        "lot.route=Larkspur Bench Road", "lot.lane=1", "lot.lift=1", "lot.thickness=2.5 in", "lot.id=DEMO-1",
        "lot.time_zone=America/Boise", "crs.fixes=EPSG:6318", "crs.map=EPSG:6451", "crs.alignment=EPSG:6318",
        "stationing.start=112+00", 'scanner.spots_right={ first = "-7.25 ft", last = "6.25 ft" }',
        "scanner.mat_left=-6.5 ft", "scanner.mat_right=5.5 ft",
    ]  # fmt: skip
    opened = command("new", folder, "--rig", "bar-on-screed", "--accept",
                     *(word for pair in pairs for word in ("--set", pair)))  # fmt: skip
    assert opened.returncode == 0, opened.stderr
    assert f"Next: thermosaic check {folder}" in opened.stdout
    assert "spots 3 to 26 of 28 lie wholly on it: scanned width 3.658 m (12.00 ft)" in opened.stdout
    checked = command("check", folder)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert "stop" not in checked.stdout.split()
    done = command("run", folder, "-o", folder.parent / "result")
    assert done.returncode == 0, done.stderr
    assert (folder.parent / "result" / "lot.gpkg").is_file()
    shutil.rmtree(folder.parent / "result")


def test_what_is_missing_is_listed_with_unit_range_and_why(folder):
    """Without answers and without a person every missing key is listed: meaning, unit, range, example, why."""
    done = command("new", folder, "--no-ask")
    assert done.returncode == 2
    line = next(line for line in done.stderr.splitlines() if line.startswith("rig.antenna_forward"))
    assert 'with its unit, -30 .. 30 m, like "78 in ahead"' in line
    assert "twice this" in line
    assert not (folder / "lot.toml").exists()


def test_ranges_are_told_in_the_units_of_the_lot():
    """A lot delivered in US units is asked in feet and refused in feet: 30 m are 98.43 ft (0.3048 m, exact)."""
    asked = questions.open_questions({"delivery": {"units": "us"}}, None, {})
    expects = {question.key_text: question.expects for question in asked}
    assert 'with its unit, -98.4 .. 98.4 ft, like "78 in ahead"' in expects["rig.antenna_forward"]
    key, labels = ("rig", "antenna_forward"), StationLabels("100 ft")
    with pytest.raises(ValueError, match=r"allowed range -98\.4 \.\. 98\.4 ft"):
        questions.read_answer(key, "99 ft ahead", labels, "us")
    assert questions.read_answer(key, "98.4 ft ahead", labels, "us") == "98.4 ft ahead"


def test_questions_are_asked_by_place_and_wrong_answers_again(folder):
    """A person is asked place by place; a wrong answer is refused with its reason and asked again."""
    typed = [
        "", "",  # rules and units as proposed
        "County Road 12", "1", "25", "1", "", "2.5", "2.5 in", "", "America/Boise", "EPSG:6318", "EPSG:6451",
        "", "EPSG:6318", "112+00", "", "", "", "", "", "", "", "", "", "-6.5 ft", "5.5 ft",
        "300 degF", "", "", "", "KDEMO-1",
    ]  # fmt: skip
    done = command("new", folder, "--rig", "bar-on-screed", "--ask", "--set",
                   'scanner.spots_right={ first = "-7.25 ft", last = "6.25 ft" }',
                   given="\n".join(typed) + "\n" * 10)  # fmt: skip
    assert done.returncode == 0, done.stderr
    order = [done.stderr.index(f"== {place} ==") for place in ("contract", "road", "instrument", "checks")]
    assert order == sorted(order)
    assert "25 is outside the allowed range 1 .. 20" in done.stderr
    assert '"2.5" is not a length with a unit' in done.stderr
    assert load_config(folder).lot.id == "KDEMO-1"


def test_a_rule_that_is_not_there_is_refused_at_once(folder):
    """A misspelt rule profile or log format is named with the nearest one when it is typed, not after all questions."""
    done = command("new", folder, "--ask", given="differential-150\n")
    assert 'did you mean "differential-150ft"?' in done.stderr
    for key in (("rules", "profile"), ("formats", "scan")):
        with pytest.raises(ValueError, match="is not a shipped name"):
            new_lots.require_known(key, "nothing-like-it", folder)


def test_answers_that_make_no_lot_together_are_kept(folder):
    """Edges of the mat that cross are found at the end: what was typed stands in a file, mended it opens the lot."""
    typed = [
        "", "", "County Road 12", "1", "1", "", "2.5 in", "", "America/Boise", "EPSG:6318", "EPSG:6451",
        "", "EPSG:6318", "112+00",
    ]  # fmt: skip
    crossed = ("--set", "scanner.mat_left=7 ft", "--set", "lot.id=KDEMO-1")
    done = command(
        "new", folder, "--rig", "bar-on-screed", "--ask", *crossed, given="\n".join(typed) + "\n" * 30
    )
    kept = folder / "answers.toml"
    assert done.returncode == 2
    assert not (folder / "lot.toml").exists()
    assert "mat_left must lie left of mat_right" in done.stderr
    assert f"your answers are kept: mend them in {kept}" in done.stderr
    kept.write_text(kept.read_text().replace('mat_left = "7 ft"', 'mat_left = "-6 ft"'))
    assert command("new", folder, "--answers", kept).returncode == 0
    assert load_config(folder).lot.route == "County Road 12"


def test_what_people_wrote_beside_the_logs_is_taken_where_it_is_found(folder):
    """Diary and tickets of the demonstration stand in the new lot; nobody is asked for the other two."""
    given, pattern = answers(folder)
    for name in ("diary.csv", "tickets.csv"):
        shutil.copy(demo_lots()[0] / name, folder / name)
    proposals = propose(folder)
    asked = {question.key_text for question in questions.open_questions(given, pattern, proposals)}
    assert {"files.diary", "files.tickets"} <= asked
    assert not {"files.weather", "files.control"} & asked
    done = command("new", folder, "--answers", written(folder, given), "--agency", "county-roads", "--accept")
    assert done.returncode == 0, done.stderr
    config = load_config(folder)
    assert config.files.diary == folder / "diary.csv"
    assert config.files.tickets == folder / "tickets.csv"
    assert config.files.weather is None


def written(folder: Path, given: dict) -> Path:
    """Write answers as TOML."""
    path = folder / "answers.toml"
    path.write_text(questions.lot_text(given, "answers"))
    return path


def test_an_agency_names_the_lot(folder):
    """The invented county's pattern makes the name from route, mix, lift, lane, line and date."""
    given, pattern = answers(folder)
    data = tomllib.loads(new_lot(folder, given, pattern))
    assert data["lot"]["id"] == "CR12-SP3-L1-1CL-20260514"
    assert data["lot"]["agency"]["naming"] == "county-roads"


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        (("lot", "id"), "MINE-1", "is not a name that county-roads takes"),
        (("lot", "id"), "CR12-SP3-L2-1CL-20260514", 'it is "CR12-SP3-L1-1CL-20260514"'),
        (("lot", "agency", "contract"), "26-3", 'Contract number\\), like "C-2026-03"'),
    ],
)
def test_what_the_agency_refuses_is_said(folder, key, value, words):
    """A name or key that the agency's pattern does not take is refused, with one that it takes."""
    given, pattern = answers(folder)
    with pytest.raises(ConfigError, match=words):
        new_lot(folder, questions.with_answer(given, key, value), pattern)


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("route", "Mill Road", 'lot.route "Mill Road" gives "MillRoad"'),
        ("mix", "stone mastic", 'lot.mix "stone mastic"'),
    ],
)
def test_a_part_that_no_name_takes_is_named(folder, key, value, words):
    """A name made of the lot's own keys is refused with the key whose value the agency's pattern does not take."""
    given, pattern = answers(folder)
    given = questions.with_answer(given, ("lot", key), value)
    with pytest.raises(ConfigError, match='like "CR12-SP3-L2-1CL-20260514"; ' + words):
        new_lot(folder, given, pattern)


def test_a_missing_agency_key_is_asked_for(folder):
    """A required key of the agency that is not answered is listed with its meaning."""
    given, pattern = answers(folder)
    del given["lot"]["agency"]["contract"]
    with pytest.raises(ConfigError, match=r"lot.agency.contract: Contract number"):
        new_lot(folder, given, pattern)


def test_like_another_lot_takes_over_the_rig_and_not_the_story(folder):
    """--like takes rig, scanner, frames and rule of a lot, and leaves its name, note, marks and dates."""
    given, _ = first_answers(None, None, None, demo_lots()[0], folder)
    assert given["rig"]["antenna_forward"] == "78 in ahead"
    assert given["rules"]["profile"] == "differential-150ft"
    assert not {"id", "note", "revision", "limits"} & set(given["lot"])
    assert not {"pass", "mark", "exclude"} & set(given)
    text = new_lot(folder, questions.with_answer(given, ("lot", "id"), "NEXT-DAY"))
    config = load_config(demo_lots()[0])
    (folder / "lot.toml").write_text(text)
    assert load_config(folder).rig == config.rig


def test_the_file_written_says_what_was_answered(folder):
    """Every answer stands in lot.toml with its meaning beside it, and the file is read back to the same."""
    given, pattern = answers(folder)
    text = new_lot(folder, given, pattern)
    data = tomllib.loads(text)
    assert data["scanner"]["spots_right"] == KNOWN["scanner"]["spots_right"]
    assert "# Antenna ahead of C" in text
    assert "# mat_offsets =" in text
    (folder / "lot.toml").write_text(text)
    assert load_config(folder).lot.route == "County Road 12"


def test_a_lot_file_is_never_replaced_unasked(folder):
    """An existing lot.toml is left as it is without --overwrite."""
    (folder / "lot.toml").write_text("mine")
    done = command("new", folder, "--accept")
    assert done.returncode == 2
    assert "--overwrite" in done.stderr
    assert (folder / "lot.toml").read_text() == "mine"


def test_logs_are_recognised_by_what_stands_in_them(folder):
    """Logs are proposed by their contents, whatever their names; a text that is no log is not."""
    (folder / "scan.csv").rename(folder / "A0001.txt")
    (folder / "gnss.nmea").rename(folder / "receiver.log")
    (folder / "readme.txt").write_text("The paver broke down at noon.\n")
    found = propose(folder)
    assert found["files.scan"] == "A0001.txt"
    assert found["formats.scan"] == "wide-csv"
    assert found["files.fixes"] == "receiver.log"
    assert found["formats.fixes"] == "nmea-0183"
    assert found["files.alignment"] == "centreline.geojson"


def test_without_an_alignment_a_mark_is_asked_for():
    """Without the road's line a mark and a direction are asked for; with it they are not."""
    keys = {item.key_text for item in questions.open_questions({}, None, {})}
    assert {"mark.station", "mark.at", "mark.point", "mark.distance", "stationing.direction"} <= keys
    with_line = questions.open_questions({"files": {"alignment": "cl.geojson"}}, None, {})
    assert not any(item.key_text.startswith("mark") for item in with_line)


@pytest.mark.parametrize(
    "value", ['a "quoted" name', "tab\tand \\ back", "größe", 3, True, 2.5, ["1 ft", "2 ft"]]
)
def test_values_survive_writing_and_reading(value):
    """What is written as TOML is read back the same (tomllib)."""
    assert tomllib.loads(f"value = {questions.toml_value(value)}")["value"] == value


@pytest.mark.parametrize("name", shipped_names("agencies"))
def test_shipped_agencies_hold_together(name):
    """Each shipped naming pattern loads, says that it is invented, and makes a name that it takes itself."""
    pattern = load_agency(name)
    assert "invented" in pattern.title
    given: dict = {}
    for part in pattern.parts.values():
        given = questions.with_answer(given, tuple(part.key.split(".")), part.example)
    for key, entry, _ in pattern.agency_keys():
        given = questions.with_answer(given, ("lot", "agency", key), entry.example)
    given = questions.with_answer(given, ("lot", "id"), questions.proposed_name(given, pattern))
    assert questions.agency_problems(given, pattern) == []


def test_every_question_says_what_it_expects():
    """Each question has a meaning, a reason, and says what it takes; quantities say unit and range."""
    for item in questions.open_questions({}, None, {}):
        assert item.meaning
        assert item.why
        assert item.expects
    labels = StationLabels("100 ft")
    assert ".." in questions.expected(("lot", "thickness"), labels)
    assert load_rig(shipped_names("rigs")[0]).rig
