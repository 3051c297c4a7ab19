"""Stage 1 on synthetic lots with truth: what it gives, and what it refuses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import builders
from thermosaic import synthetic
from thermosaic.errors import ConfigError, InputError, MismatchError
from thermosaic.model import LotInputs
from thermosaic.opening import load_config
from thermosaic.stages import s1_ingest
from thermosaic.stages.s1_ingest import read_lot

PLAN = synthetic.LotPlan(road=(synthetic.straight(40.0),), passes=(synthetic.PassPlan(),))
Edit = Callable[[dict[str, bytes]], None]


@pytest.fixture(scope="module")
def small() -> synthetic.SyntheticLot:
    """Give a straight lot of 40 m."""
    return synthetic.make_lot(PLAN)


def opened(folder: Path, lot: synthetic.SyntheticLot, edit: Edit | None = None) -> LotInputs:
    """Write the lot with some files edited, and read it."""
    files = dict(lot.files)
    if edit:
        edit(files)
    folder.mkdir(exist_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return read_lot(load_config(folder))


def with_toml(addition: str, old: str = "", new: str = "") -> Edit:
    """Make an edit of lot.toml: replace a text, and add tables at the end."""

    def edit(files: dict[str, bytes]) -> None:
        text = files["lot.toml"].decode()
        assert old in text
        files["lot.toml"] = (text.replace(old, new, 1) + addition).encode()

    return edit


def shift_times(file: str, delta: np.timedelta64) -> Edit:
    """Make an edit that moves all times of the scan by a delta."""

    def edit(files: dict[str, bytes]) -> None:
        head, *rows = files[file].decode().splitlines()
        moved = []
        for row in rows:
            time, _, rest = row.partition(",")
            moved.append(f"{np.datetime64(time.rstrip('Z'), 'ms') + delta}Z,{rest}")
        files[file] = "\n".join([head, *moved]).encode()

    return edit


# ---------------------------------------------------------------------------------------- what is given


def test_inputs_are_those_that_the_lot_was_made_from(small: synthetic.SyntheticLot, tmp_path: Path) -> None:
    """Scan, fixes and wheel of the files equal the truth's to the digits written; balances close."""
    inputs, truth = opened(tmp_path, small), builders.true_inputs(small)
    np.testing.assert_array_equal(inputs.scan.time_utc, truth.scan.time_utc)
    np.testing.assert_array_equal(inputs.scan.line, truth.scan.line)
    np.testing.assert_allclose(inputs.scan.temp_c, truth.scan.temp_c, atol=0.051)
    np.testing.assert_allclose(inputs.scan.spot_right_m, truth.scan.spot_right_m, atol=1e-9)
    np.testing.assert_array_equal(inputs.fixes.time_utc, truth.fixes.time_utc)
    np.testing.assert_allclose(inputs.fixes.lat_deg, truth.fixes.lat_deg, atol=2e-9)
    np.testing.assert_allclose(inputs.wheel.wheel_m, truth.wheel.wheel_m, atol=1e-3)
    assert inputs.alignment is not None
    assert [tally.role for tally in inputs.tallies] == ["scan", "sentences", "fixes", "wheel", "alignment"]
    assert all(tally.read == tally.used > 0 for tally in inputs.tallies)
    assert {source.role for source in inputs.sources} == {"scan", "fixes", "alignment"}
    assert all(len(source.sha256) == 64 and not source.path.startswith("/") for source in inputs.sources)


def test_without_stated_passes_there_is_one(small: synthetic.SyntheticLot, tmp_path: Path) -> None:
    """The pass "1" has open ends and the lot's lane."""
    (only,) = opened(tmp_path, small).passes
    assert (only.id, only.lane, only.from_utc, only.to_utc) == ("1", PLAN.lane, None, None)


def test_passes_without_an_id_are_numbered_in_order_of_time(
    small: synthetic.SyntheticLot, tmp_path: Path
) -> None:
    """Two passes stated in the wrong order come in order of time; times with offsets become UTC."""
    addition = (
        '\n[[pass]]\nlane = "2"\nfrom = "2026-05-14T13:22:00Z"\nleft_edge = "hot joint"\n'
        '[[pass]]\nto = "2026-05-14T07:21:00-06:00"\ndirection = "upstation"\n'
    )
    first, second = opened(tmp_path, small, with_toml(addition)).passes
    assert (first.id, first.lane, first.direction) == ("1", PLAN.lane, "upstation")
    assert first.to_utc == np.datetime64("2026-05-14T13:21:00", "ns")
    assert (second.id, second.lane, second.left_edge) == ("2", "2", "hot joint")
    assert second.from_utc == np.datetime64("2026-05-14T13:22:00", "ns")


def test_stretches_to_leave_out_are_taken_over(small: synthetic.SyntheticLot, tmp_path: Path) -> None:
    """An [[exclude]] becomes a station range in metres with its side and reason."""
    addition = '\n[[exclude]]\nfrom = "10+10"\nto = "10+20"\nside = "left"\nreason = "bridge joint"\n'
    (only,) = opened(tmp_path, small, with_toml(addition)).exclusions
    assert (only.from_m, only.to_m, only.side, only.reason) == (1010.0, 1020.0, "left", "bridge joint")


SPOTS = {
    'spots_right = { height = "4 m", angle_first = "-45 deg", angle_last = "45 deg" }': (-4.0, 4.0),
    'spots_right = { first = "2 m", last = "-2 m" }': (2.0, -2.0),
}


@pytest.mark.parametrize("stated", SPOTS)
def test_spots_follow_the_scanner(stated: str) -> None:
    """Right = height x tan(angle): 45 deg at 4 m is 4 m; equal angles are not equal widths; order stays."""
    from thermosaic.config import ScannerSection, SpotsByAngle, SpotsEven

    if "height" in stated:
        spots = SpotsByAngle(height="4 m", angle_first="-45 deg", angle_last="45 deg")
    else:
        spots = SpotsEven(first="2 m", last="-2 m")
    scanner = ScannerSection(spots_right=spots, mat_left_m="-1 m", mat_right_m="1 m")
    centres = s1_ingest.spot_centres(scanner, 5, "scan.csv")
    assert (centres[0], centres[-1]) == pytest.approx(SPOTS[stated])
    if "height" in stated:
        assert centres[3] == pytest.approx(4 * np.tan(np.radians(22.5)))
    else:
        np.testing.assert_allclose(centres, [2, 1, 0, -1, -2])


# --------------------------------------------------------------------------------------- what is refused

HOURS = {
    "a day": (np.timedelta64(1, "D"), "a whole day"),
    "three days": (np.timedelta64(3, "D"), "3 whole days"),
    "six hours": (np.timedelta64(6, "h"), "6 whole hours"),
    "1024 weeks": (np.timedelta64(1024 * 7, "D"), "GPS week roll-over"),
    "half a year": (np.timedelta64(4383, "h"), "dated 2026-05-14T13:2"),
}


@pytest.mark.parametrize("apart", HOURS)
@pytest.mark.parametrize("sign", [1, -1])
def test_logs_of_other_hours_are_refused_with_both_dates(
    small: synthetic.SyntheticLot, tmp_path: Path, apart: str, sign: int
) -> None:
    """The message names both dates and what the difference looks like; nothing is shifted."""
    delta, words = HOURS[apart]
    with pytest.raises(MismatchError) as caught:
        opened(tmp_path, small, shift_times("scan.csv", sign * delta))
    message = str(caught.value)
    assert words in message
    assert message.count(" is dated ") == 2
    assert "clock_offset" in message


def test_a_stated_clock_offset_brings_logs_together(small: synthetic.SyntheticLot, tmp_path: Path) -> None:
    """A scan clock six hours ahead with clock_offset = "6 h" is accepted; its times stay its own."""
    plain = opened(tmp_path / "a", small)
    shift = shift_times("scan.csv", np.timedelta64(6, "h"))
    state = with_toml("", 'clock_offset = "auto"', 'clock_offset = "6 h"')

    def edit(files: dict[str, bytes]) -> None:
        shift(files)
        state(files)

    moved = opened(tmp_path / "b", small, edit)
    np.testing.assert_array_equal(moved.scan.time_utc - plain.scan.time_utc, np.timedelta64(6, "h"))


def test_mostly_autonomous_fixes_stop(small: synthetic.SyntheticLot, tmp_path: Path) -> None:
    """Above the stated share of autonomous fixes the run stops with advice, and below it goes on."""

    def edit(files: dict[str, bytes]) -> None:
        lines = files["gnss.nmea"].decode().splitlines()
        for k, line in enumerate(lines):
            if "GGA," in line:
                fields = line.partition("*")[0].split(",")
                fields[6] = "1"
                lines[k] = _summed(",".join(fields))
        files["gnss.nmea"] = "\r\n".join(lines).encode()

    with pytest.raises(InputError, match=r"100 % of \d+ fixes are autonomous.*autonomous_frac"):
        opened(tmp_path, small, edit)

    def allowed(files: dict[str, bytes]) -> None:
        edit(files)
        with_toml("\n[accept]\nautonomous_frac = 1.0\n")(files)

    fixes = opened(tmp_path, small, allowed).fixes
    assert set(fixes.quality) == {1}


def _summed(sentence: str) -> str:
    total = 0
    for char in sentence[1:]:
        total ^= ord(char)
    return f"{sentence}*{total:02X}"


def test_another_number_of_spots_than_listed_is_a_mismatch(
    small: synthetic.SyntheticLot, tmp_path: Path
) -> None:
    """A list of centres must have one for each column of the scan."""
    text = small.files["lot.toml"].decode()
    line = next(line for line in text.splitlines() if line.startswith("spots_right"))
    with pytest.raises(MismatchError, match=r"28 spot columns.*lists 3 centres"):
        opened(tmp_path, small, with_toml("", line, 'spots_right = ["-1 m", "0 m", "1 m"]'))


def test_overlapping_and_doubled_passes_are_refused(small: synthetic.SyntheticLot, tmp_path: Path) -> None:
    """A moment belongs to one pass, an id to one product."""
    overlap = '\n[[pass]]\nto = "2026-05-14T13:22:00Z"\n[[pass]]\nfrom = "2026-05-14T13:21:00Z"\n'
    with pytest.raises(ConfigError, match="pass"):
        opened(tmp_path, small, with_toml(overlap))
    doubled = overlap.replace("[[pass]]\n", '[[pass]]\nid = "A"\n').replace("13:22", "13:21")
    with pytest.raises(ConfigError, match="A"):
        opened(tmp_path, small, with_toml(doubled))


def test_too_many_readings_are_refused_before_they_are_parsed(
    small: synthetic.SyntheticLot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The count of rows decides; advice is one lot a day; not a row is read."""
    monkeypatch.setattr(s1_ingest, "MOST_READINGS", 1000)
    monkeypatch.setattr(s1_ingest.logs, "read_scan", lambda *_: pytest.fail("rows were parsed"))
    with pytest.raises(InputError, match=r"million readings: a lot holds at most.*one lot a day.*limits"):
        opened(tmp_path, small)


def test_a_lot_without_any_wheel_is_refused(small: synthetic.SyntheticLot, tmp_path: Path) -> None:
    """Neither a wheel column nor a wheel log: distance is needed."""

    def edit(files: dict[str, bytes]) -> None:
        rows = [line.split(",") for line in files["scan.csv"].decode().splitlines()]
        files["scan.csv"] = "\n".join(",".join(row[:1] + row[2:]) for row in rows).encode()

    with pytest.raises(InputError, match="distance is needed"):
        opened(tmp_path, small, edit)


def test_a_log_that_grows_while_it_is_read_is_refused(
    small: synthetic.SyntheticLot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Digests before and after must agree, whatever was read in between."""
    read = s1_ingest.logs.read_scan

    def read_and_grow(paths: tuple[Path, ...], *rest: object) -> object:
        result = read(paths, *rest)
        with paths[0].open("ab") as file:
            file.write(b"x")
        return result

    monkeypatch.setattr(s1_ingest.logs, "read_scan", read_and_grow)
    with pytest.raises(InputError, match=r"scan\.csv: changed while it was read"):
        opened(tmp_path, small)


def test_damage_below_the_stated_share_is_counted_and_goes_on(
    small: synthetic.SyntheticLot, tmp_path: Path
) -> None:
    """One broken row in the scan and one broken sentence: the lot reads, both are in the balances."""

    def edit(files: dict[str, bytes]) -> None:
        rows = files["scan.csv"].split(b"\n")
        rows[10] = rows[10][: len(rows[10]) // 2]
        files["scan.csv"] = b"\n".join(rows)
        files["gnss.nmea"] = files["gnss.nmea"].replace(b",N,", b",n,", 1)

    tallies = {tally.role: tally for tally in opened(tmp_path, small, edit).tallies}
    assert tallies["scan"].rejected == {"ragged_row": 1}
    assert tallies["scan"].first_line == {"ragged_row": 11}
    assert tallies["sentences"].rejected == {"bad_checksum": 1}
