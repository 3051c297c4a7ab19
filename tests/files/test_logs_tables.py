"""Scan, fix and wheel tables by format file: values, units, times, and every fault by name."""

from __future__ import annotations

import calendar
import os
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from thermosaic import model
from thermosaic.config import LogFormat
from thermosaic.errors import ConfigError, InputError
from thermosaic.files.catalogue import load_format
from thermosaic.files.logs import reading as logs
from thermosaic.files.logs import rows, times

DATA = Path(os.environ.get("THERMOSAIC_REAL_LOGS") or Path(__file__).parents[3] / "shared" / "data")
WIDE = load_format("wide-csv")
SPOTS = 4
LINES = 50
START = np.datetime64("2026-05-14T13:00:00.000", "ms")


def wide_rows(lines: int = LINES) -> list[list[str]]:
    """Make rows of a wide table: time every 200 ms, wheel 30 mm a row, readings 140.0 + line/10 + spot."""
    return [
        [_stamp(200 * k), f"{0.03 * k:.3f}", *(f"{140 + k / 10 + s:.1f}" for s in range(SPOTS))]
        for k in range(lines)
    ]


def _stamp(after_ms: int) -> str:
    return f"{START + np.timedelta64(after_ms, 'ms')}Z"


HEADER = ["time_utc", "wheel_m", *(f"t_{s + 1:02d}" for s in range(SPOTS))]


def text(table: list[list[str]], header: list[str] = HEADER, end: str = "\n", mark: str = ",") -> bytes:
    return "".join(mark.join(row) + end for row in [header, *table]).encode()


CLEAN = text(wide_rows())


def scan(tmp_path: Path, content: bytes, log_format: LogFormat = WIDE, **limits: float) -> tuple:
    path = tmp_path / "scan.csv"
    path.write_bytes(content)
    return logs.read_scan((path,), log_format, **limits)


def changed(log_format: LogFormat, **keys: object) -> LogFormat:
    """Return a format with other values, checked as from a file."""
    stated = log_format.model_dump(by_alias=True, exclude_defaults=True) | {"title": "changed"}
    return LogFormat.model_validate({**stated, **keys})


# -------------------------------------------------------------------------------------------- scan: sound


def test_a_wide_table_reads_as_pandas_reads_it(tmp_path: Path) -> None:
    """Times, wheel and readings equal those of an independent reader; lines count from 1."""
    found, tally = scan(tmp_path, CLEAN)
    theirs = pd.read_csv(tmp_path / "scan.csv", parse_dates=["time_utc"])
    np.testing.assert_array_equal(found.time_utc, theirs["time_utc"].dt.tz_localize(None).to_numpy("M8[ns]"))
    np.testing.assert_array_equal(found.temp_c, theirs[HEADER[2:]].to_numpy(np.float32))
    np.testing.assert_array_equal(found.wheel.value, theirs["wheel_m"])
    np.testing.assert_array_equal(found.line, np.arange(1, LINES + 1))
    assert (tally.read, tally.used, tally.rejected) == (LINES, LINES, {})


QUOTED = "".join(",".join(f'"{value}"' for value in row) + "\n" for row in [HEADER, *wide_rows()]).encode()
SAME = {
    "CRLF": CLEAN.replace(b"\n", b"\r\n"),
    "CR": CLEAN.replace(b"\n", b"\r"),
    "byte order mark": b"\xef\xbb\xbf" + CLEAN,
    "no end of line at the tail": CLEAN[:-1],
    "quotes": QUOTED,
    "blank lines": CLEAN.replace(b"\n", b"\n\n"),
    "spaces round numbers": CLEAN.replace(b",14", b", 14"),
    "columns in another order": text([row[::-1] for row in wide_rows()], HEADER[::-1]),
    "plus signs": CLEAN.replace(b",14", b",+14"),
}  # fmt: skip


@pytest.mark.parametrize("way", SAME)
def test_ways_of_writing_the_same_table_change_nothing(tmp_path: Path, way: str) -> None:
    """Line ends, marks, quotes, order of columns and signs give the same readings."""
    expected, _ = scan(tmp_path, CLEAN)
    found, tally = scan(tmp_path, SAME[way])
    np.testing.assert_array_equal(found.temp_c, expected.temp_c)
    np.testing.assert_array_equal(found.time_utc, expected.time_utc)
    np.testing.assert_array_equal(found.wheel.value, expected.wheel.value)
    assert tally.rejected == {}


def test_parquet_gives_what_csv_gives(tmp_path: Path) -> None:
    """The same table as Parquet, times as UTC timestamps or as texts, reads the same."""
    expected, _ = scan(tmp_path, CLEAN)
    table = pd.DataFrame(wide_rows(), columns=HEADER).astype(dict.fromkeys(HEADER[1:], "float64"))
    stamped = table.assign(time_utc=pd.to_datetime(table["time_utc"]))
    for frame in (table, stamped):
        path = tmp_path / "scan.parquet"
        pq.write_table(pa.Table.from_pandas(frame), path, row_group_size=7)
        found, _ = logs.read_scan((path,), load_format("wide-parquet"))
        np.testing.assert_array_equal(found.temp_c, expected.temp_c)
        np.testing.assert_array_equal(found.time_utc, expected.time_utc)
    naive = stamped.assign(time_utc=stamped["time_utc"].dt.tz_localize(None))
    pq.write_table(pa.Table.from_pandas(naive), path)
    with pytest.raises(InputError, match="no_zone"):
        logs.read_scan((path,), load_format("wide-parquet"))


def test_files_are_read_in_order_as_one_log_and_blocks_do_not_show(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two files continue the count of lines; blocks of 300 bytes give the same rows."""
    first, second = tmp_path / "a.csv", tmp_path / "b.csv"
    first.write_bytes(text(wide_rows()[:20]))
    second.write_bytes(text(wide_rows()[20:]))
    expected, _ = scan(tmp_path, CLEAN)
    whole = rows.text_blocks
    for read_text in (whole, lambda path, encoding: whole(path, encoding, 300)):
        monkeypatch.setattr(rows, "text_blocks", read_text)
        found, tally = logs.read_scan((first, second), WIDE)
        np.testing.assert_array_equal(found.line, expected.line)
        np.testing.assert_array_equal(found.temp_c, expected.temp_c)
        assert tally.read == LINES


# ------------------------------------------------------------------------------------------- scan: values

MASKED = {  # text of one reading -> counted as
    "": "missing", "NaN": "missing", "-9999": "missing", "-9999.00": "missing",
    "1_50": "bad_number", "１４０": "bad_number", "inf": "bad_number", "-Infinity": "bad_number",
    "1e999": "bad_number", "0x8C": "bad_number", "hot": "bad_number", "140,5": "ragged", "1 40": "bad_number",
    "2500": "impossible", "1e308": "impossible", "-60": "impossible",
}  # fmt: skip


@pytest.mark.parametrize("value", MASKED)
def test_what_is_no_reading_is_masked_and_counted(tmp_path: Path, value: str) -> None:
    """One such value is NaN, counted by cause with its line; its neighbours stay."""
    table = wide_rows()
    table[9][3] = value
    found, tally = scan(tmp_path, text(table))
    if MASKED[value] == "ragged":
        assert tally.rejected == {"ragged_row": 1}
        assert tally.first_line == {"ragged_row": 11}
        return
    assert tally.notes["readings"] == {MASKED[value]: 1}
    assert tally.notes["readings_first_line"] == {MASKED[value]: 11}
    assert np.argwhere(np.isnan(found.temp_c)).tolist() == [[9, 1]]


def test_stated_marks_are_missing_readings(tmp_path: Path) -> None:
    """A format may state marks and a value above which nothing is a reading."""
    table = wide_rows()
    table[3][2], table[4][2], table[5][2] = "---", "250.0", "999"
    stated = changed(WIDE, missing=("---", "999"), missing_above="240 degC")
    found, tally = scan(tmp_path, text(table), stated)
    assert tally.notes["readings"] == {"missing": 3}
    assert np.argwhere(np.isnan(found.temp_c)).tolist() == [[3, 0], [4, 0], [5, 0]]


def test_decimal_commas_need_to_be_stated(tmp_path: Path) -> None:
    """With decimal = "," and semicolons 140,5 is 140.5 and 140.5 no number; unstated, it is refused."""
    table = [[value.replace(".", ",") if k else value for k, value in enumerate(row)] for row in wide_rows()]
    content = text(table, mark=";")
    expected, _ = scan(tmp_path, CLEAN)
    found, _ = scan(tmp_path, content, changed(WIDE, delimiter=";", decimal=","))
    np.testing.assert_array_equal(found.temp_c, expected.temp_c)
    with pytest.raises(InputError, match="time_utc"):
        scan(tmp_path, content)
    with pytest.raises(InputError, match=r"100 % of the readings are no numbers|no reading"):
        scan(
            tmp_path,
            text(wide_rows(), mark=";"),
            changed(WIDE, delimiter=";", decimal=","),
            rejected_frac=0.2,
        )


@pytest.mark.parametrize(("written", "stated"), [(",", "."), (".", ",")])
@pytest.mark.parametrize("rejected_frac", [1.0, 0.2])
def test_the_decimal_mark_to_state_is_named(
    tmp_path: Path, written: str, stated: str, rejected_frac: float
) -> None:
    """Numbers with the other decimal mark than stated: the error gives the line of the format file, value and all."""
    table = [[v.replace(".", written) if k else v for k, v in enumerate(row)] for row in wide_rows()]
    with pytest.raises(InputError, match=re.escape(f'state decimal = "{written}" in the format file')):
        scan(
            tmp_path,
            text(table, mark=";"),
            changed(WIDE, delimiter=";", decimal=stated),
            rejected_frac=rejected_frac,
        )


@pytest.mark.parametrize(("unit", "scale", "shift"), [("degF", 1.8, 32.0), ("K", 1.0, 273.15)])
def test_units_are_converted_when_stated_and_refused_when_not(
    tmp_path: Path, unit: str, scale: float, shift: float
) -> None:
    """Fahrenheit and kelvin read right under their label and stop under Celsius, with the likely unit."""
    table = wide_rows()
    for row in table:
        row[2:] = [f"{float(value) * scale + shift:.4f}" for value in row[2:]]
    expected, _ = scan(tmp_path, CLEAN)
    found, _ = scan(tmp_path, text(table), changed(WIDE, temperature_unit=unit))
    np.testing.assert_allclose(found.temp_c, expected.temp_c, atol=2e-4)
    with pytest.raises(InputError, match=rf"look like {unit}"):
        scan(tmp_path, text(table))


def test_celsius_under_another_label_and_tenths_are_refused(tmp_path: Path) -> None:
    """140 degC labelled degF would be 60 degC less a little; 1400 tenths would be melting rock."""
    with pytest.raises(InputError, match=r"laid at 60 to 200 degC; the numbers look like degC"):
        scan(tmp_path, CLEAN.replace(b"14", b"13"), changed(WIDE, temperature_unit="degF"))
    tenths = [[*row[:2], *(value.replace(".", "") for value in row[2:])] for row in wide_rows()]
    with pytest.raises(InputError, match="tenths of a degree"):
        scan(tmp_path, text(tenths))


def test_a_scan_of_a_cold_road_with_a_warm_lane_is_no_wrong_unit(tmp_path: Path) -> None:
    """Three quarters of the readings may see cold shoulder: the warm ones decide."""
    table = [[*row[:2], "18.0", "17.5", "19.0", row[5]] for row in wide_rows()]
    found, _ = scan(tmp_path, text(table))
    assert np.count_nonzero(found.temp_c > 100) == LINES


# --------------------------------------------------------------------------------------------- scan: rows


def test_cut_and_ragged_rows_are_rejected_one_by_one(tmp_path: Path) -> None:
    """A cut last row is one rejected row; rows with more or fewer fields never shift columns."""
    table = wide_rows()
    table[4].append("1")
    table[6] = table[6][:-2]
    found, tally = scan(tmp_path, text(table)[:-14])
    assert tally.rejected == {"ragged_row": 3}
    assert tally.first_line == {"ragged_row": 6}
    assert found.line.tolist() == [k + 1 for k in range(LINES - 1) if k not in (4, 6)]


def test_every_cut_leaves_whole_rows_only(tmp_path: Path) -> None:
    """Cut at any byte the rows before the cut are as they were, but a last reading that the cut shortened."""
    whole, _ = scan(tmp_path, CLEAN)
    for cut in range(len(CLEAN) // 2, len(CLEAN) // 2 + 90):
        found, tally = scan(tmp_path, CLEAN[:cut])
        rows_before = CLEAN[:cut].count(b"\n") - 1
        np.testing.assert_array_equal(found.temp_c[:rows_before], whole.temp_c[:rows_before])
        assert len(found.line) - rows_before + sum(tally.rejected.values()) <= 1


def test_an_open_quote_costs_its_own_row(tmp_path: Path) -> None:
    """A quote that is never closed does not swallow the rows after it."""
    table = wide_rows()
    table[5][3] = '"140.0'
    found, tally = scan(tmp_path, text(table))
    assert tally.rejected == {"open_quote": 1}
    assert len(found.line) == LINES - 1


BAD_TIMES = {
    "2026-05-14T13:00:01.000": "no_zone", "2026-05-14": "no_zone", "2026-02-30T13:00:01Z": "bad_time",
    "2026-05-14T13:00:60Z": "bad_time", "soon": "bad_time", "": "bad_time", "14.05.2026 13:00:01": "bad_time",
    "1926-05-14T13:00:01Z": "impossible_date", "2126-05-14T13:00:01Z": "impossible_date",
}  # fmt: skip


@pytest.mark.parametrize("value", BAD_TIMES)
def test_times_without_zone_or_sense_reject_their_row(tmp_path: Path, value: str) -> None:
    """No zone, no such day, second 60, another century: the row is rejected and counted."""
    table = wide_rows()
    table[5][0] = value
    found, tally = scan(tmp_path, text(table))
    assert tally.rejected == {BAD_TIMES[value]: 1}
    assert len(found.line) == LINES - 1


def test_offsets_of_a_zone_are_taken_off(tmp_path: Path) -> None:
    """07:00-06:00 is 13:00 UTC (ISO 8601)."""
    content = CLEAN.replace(b"T13:", b"T07:").replace(b"Z,", b"-06:00,")
    np.testing.assert_array_equal(scan(tmp_path, content)[0].time_utc, scan(tmp_path, CLEAN)[0].time_utc)


def test_rows_with_decimal_commas_say_how_they_are_read(tmp_path: Path) -> None:
    """Numbers like 140,5 between commas make twice the fields: said so, with the keys of the format file to state."""
    rows = [[cell.replace(".", ",") for cell in row] for row in wide_rows()]
    with pytest.raises(InputError, match=r'ragged_row \(first in line 2\).*decimal = ",".*delimiter'):
        scan(tmp_path, text(rows))


def test_naive_local_times_are_never_taken_as_utc(tmp_path: Path) -> None:
    """Without a zone the log is refused; with its zone stated in the format it reads as local time."""
    content = CLEAN.replace(b"T13:", b"T07:").replace(b"Z,", b",")
    with pytest.raises(InputError, match=r"no_zone.*add Z or an offset like -06:00"):
        scan(tmp_path, content)
    local = changed(WIDE, time_scale="local", time_zone="America/Boise")
    np.testing.assert_array_equal(
        scan(tmp_path, content, local)[0].time_utc, scan(tmp_path, CLEAN)[0].time_utc
    )


def test_the_hour_that_occurs_twice_is_refused(tmp_path: Path) -> None:
    """01:30 on the night when clocks go back is two moments, 02:30 in spring none: rejected, not guessed."""
    for day, clock in (("2026-11-01", "01:30"), ("2026-03-08", "02:30")):
        table = wide_rows(6)
        for k, row in enumerate(table):
            row[0] = f"{day}T{clock if k == 3 else '12:00'}:0{k}"
        local = changed(WIDE, time_scale="local", time_zone="America/Boise")
        _, tally = scan(tmp_path, text(table), local)
        assert tally.rejected == {"local_time_twice_or_never": 1}


def test_gps_times_lose_their_leap_seconds(tmp_path: Path) -> None:
    """GPS time is 18 s ahead of UTC since 2017, 17 s since July 2015, 16 s before (IERS Bulletin C)."""
    gps = changed(WIDE, time_scale="gps")
    shift = scan(tmp_path, CLEAN.replace(b"Z,", b","), gps)[0].time_utc - scan(tmp_path, CLEAN)[0].time_utc
    assert set(shift / np.timedelta64(1, "s")) == {-18.0}
    for day, ahead in (("2016-12-31T23:59:00", 17), ("2015-06-30T23:59:00", 16), ("2017-01-01T00:00:18", 18)):
        moment = np.array([day], "M8[ns]")
        assert moment - times.gps_to_utc(moment) == np.timedelta64(ahead, "s")


def test_the_leap_seconds_are_those_of_the_time_zone_database() -> None:
    """The table equals the leap seconds that IANA's tz database lists (TAI - UTC less 19 s)."""
    listed = [Path(folder) / "leapseconds" for folder in ("/usr/share/zoneinfo",)]
    import importlib.resources

    listed.append(Path(str(importlib.resources.files("tzdata"))) / "zoneinfo" / "leapseconds")
    path = next((path for path in listed if path.is_file()), None)
    if path is None:
        pytest.skip("no leapseconds file of the tz database on this machine")
    months = list(calendar.month_abbr)
    entries = [line.split() for line in path.read_text().splitlines() if line.startswith("Leap")]
    days = [np.datetime64(f"{e[1]}-{months.index(e[2]):02d}-{int(e[3]):02d}") + 1 for e in entries]
    since_1980 = [str(day) for day in days if day > np.datetime64("1980-01-06")]
    assert [day for day, _ in times.LEAP_SECONDS[1:]] == since_1980
    assert [count for _, count in times.LEAP_SECONDS] == list(range(len(since_1980) + 1))


@pytest.mark.parametrize("fault", ["doubled row", "swapped blocks", "reversed", "one wild time"])
def test_rows_out_of_order_are_counted_and_never_sorted(tmp_path: Path, fault: str) -> None:
    """Times that do not increase reject their rows; as few as can be, and never silently."""
    table = wide_rows()
    expected = {
        "doubled row": ([*table[:7], table[6], *table[7:]], {"repeated_time": 1}),
        "swapped blocks": ([*table[40:], *table[:40]], {"stepped_back": 10}),
        "reversed": (table[::-1], {"stepped_back": LINES - 1}),
        "one wild time": (
            [*table[:5], ["2026-05-15T00:00:00Z", *table[5][1:]], *table[6:]],
            {"stepped_back": 1},
        ),
    }
    content, rejected = expected[fault]
    found, tally = scan(tmp_path, text(content))
    assert tally.rejected == rejected
    assert np.all(np.diff(found.time_utc) > np.timedelta64(0))
    assert [doubt.kind for doubt in found.doubts] == (
        [] if fault == "doubled row" else ["scan_time_steps_back"]
    )


def test_too_many_rejected_rows_or_readings_stop(tmp_path: Path) -> None:
    """Above the stated share the run stops, with causes and first lines."""
    table = wide_rows()
    for row in table[10:25]:
        row[0] = "soon"
    with pytest.raises(
        InputError, match=r"30 % of 50 scan rows were rejected: 15 bad_time \(first in line 12\)"
    ):
        scan(tmp_path, text(table), rejected_frac=0.2)
    table = [[*row[:2], "hot", *row[3:]] for row in wide_rows()]
    with pytest.raises(InputError, match=r"scan\.csv:2: 25 % of the readings"):
        scan(tmp_path, text(table), rejected_frac=0.2)


# ------------------------------------------------------------------------------------------ scan: columns

NARROW = [row[:-1] for row in wide_rows()]
COLUMNS = {
    "no header": (text(wide_rows()[1:], wide_rows()[0]), "a header is expected"),
    "missing time": (text([row[1:] for row in wide_rows()], HEADER[1:]), 'no column "time_utc"'),
    "misspelt time": (text(wide_rows(), ["time_uct", *HEADER[1:]]), 'did you mean "time_uct"'),
    "doubled column": (text(wide_rows(), [*HEADER[:-1], "t_03"]), '"t_03" stands twice'),
    "doubled spot": (text(wide_rows(), [*HEADER[:-1], "t_3"]), "spot 3 stands twice"),
    "missing spot": (text(NARROW, [*HEADER[:3], *HEADER[4:]]), 'no spot column "t_02"'),
    "no spots": (text([row[:2] for row in wide_rows()], HEADER[:2]), 'no spot column "t_01"'),
    "unknown column": (text(wide_rows(), [HEADER[0], "distance", *HEADER[2:]]), 'does not know "distance"'),
    "100 000 columns": (",".join(f"t_{k}" for k in range(100_000)).encode() + b"\n1\n", "bytes"),
    "5 000 columns": (",".join(f"t_{k}" for k in range(5_000)).encode() + b"\n1\n", "at most 4200"),
    "80 MB line": (b"t" * 80_000_000, "longer than"),
    "NUL": (CLEAN[:400] + b"\0" + CLEAN[400:], "NUL byte"),
    "gzip": (b"\x1f\x8b\x08\x00" + CLEAN, "is gzip"),
    "zip": (b"PK\x03\x04" + CLEAN, "zip archive"),
    "UTF-16": (CLEAN.decode().encode("utf-16"), "UTF-16"),
    "Parquet": (b"PAR1" + CLEAN, "is Parquet"),
    "Latin-1": (CLEAN.replace(b"140.0", b"140\xb0"), "not UTF-8"),
    "header only": (text([]), "usable"),
    "blank": (b"\n\n\n", "no header and no row"),
}


@pytest.mark.parametrize("fault", COLUMNS)
def test_files_that_are_not_the_table_are_refused_by_name(tmp_path: Path, fault: str) -> None:
    """One message naming file, line and column; nothing is shifted, guessed or read for long."""
    content, words = COLUMNS[fault]
    with pytest.raises(InputError, match=r"^scan\.csv") as caught:
        scan(tmp_path, content)
    assert words in str(caught.value)


def test_columns_beyond_the_format_may_be_ignored_by_name(tmp_path: Path) -> None:
    """`ignored` names columns to leave unread, "*" all others."""
    content = text([[*row, "north", "7"] for row in wide_rows()], [*HEADER, "crew", "humidity"])
    for names in (("crew", "humidity"), ("*",)):
        found, _ = scan(tmp_path, content, changed(WIDE, ignored=names))
        assert found.temp_c.shape == (LINES, SPOTS)
    with pytest.raises(InputError, match='"humidity"'):
        scan(tmp_path, content, changed(WIDE, ignored=("crew",)))


def test_stated_encodings_are_read(tmp_path: Path) -> None:
    """UTF-16 and Latin-1 read when the format states them."""
    content = CLEAN.decode()
    expected, _ = scan(tmp_path, CLEAN)
    for encoding in ("utf-16", "latin-1"):
        found, _ = scan(tmp_path, content.encode(encoding), changed(WIDE, encoding=encoding))
        np.testing.assert_array_equal(found.temp_c, expected.temp_c)


def test_a_damaged_parquet_file_is_refused(tmp_path: Path) -> None:
    """A cut Parquet file, or another file by that name, is one error."""
    path = tmp_path / "scan.parquet"
    pq.write_table(pa.table({name: [1.0] for name in HEADER}), path)
    for content in (path.read_bytes()[:-20], b"time_utc\n", path.read_bytes()[:40] * 4):
        path.write_bytes(content)
        with pytest.raises(InputError, match=r"scan\.parquet: cannot be read as Parquet"):
            logs.read_scan((path,), load_format("wide-parquet"))


# --------------------------------------------------------------------------------------------------- wheel


def counts(
    values: np.ndarray, log_format: LogFormat, tmp_path: Path, per_count_m: float | None = 0.01
) -> tuple:
    path = tmp_path / "wheel.csv"
    stamps = [f"{START + np.timedelta64(1000 * k, 'ms')}Z" for k in range(len(values))]
    path.write_text(
        "time_utc,wheel_count\n" + "".join(f"{t},{v}\n" for t, v in zip(stamps, values, strict=True))
    )
    return logs.read_wheel((path,), log_format, per_count_m)


WHEEL = load_format("wheel-csv")


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_stated_counter_widths_are_unwrapped_both_ways(tmp_path: Path, bits: int) -> None:
    """A counter that passes its width, and back again, gives the distance that was counted."""
    true = 2**bits - 100 + np.array([0, 40, 80, 120, 160, 130, 90, 110, 150])
    wheel, tally, doubts = counts(true % 2**bits, changed(WHEEL, counter_bits=bits), tmp_path)
    np.testing.assert_allclose(wheel.wheel_m, true * 0.01)
    assert tally.notes["wheel"] == {"wraps_removed": 3}
    assert doubts == ()


def test_an_unstated_wrap_and_a_reset_are_named(tmp_path: Path) -> None:
    """A fall that no back-up can be keeps the distance and says what it looks like, with its line."""
    true = 65500 + 10 * np.arange(10)
    wheel, _, doubts = counts(true % 2**16, WHEEL, tmp_path)
    assert [doubt.kind for doubt in doubts] == ["wheel_wraps"]
    assert "16 bits" in doubts[0].text
    assert "line 6" in doubts[0].text
    assert wheel.wheel_m[-1] - wheel.wheel_m[0] == pytest.approx(0.8)
    reset = np.concatenate([48000 + 10 * np.arange(5), 10 * np.arange(5)])
    wheel, tally, doubts = counts(reset, WHEEL, tmp_path)
    assert [doubt.kind for doubt in doubts] == ["wheel_resets"]
    assert tally.notes["wheel"] == {"resets": 1}
    assert wheel.wheel_m[-1] - wheel.wheel_m[0] == pytest.approx(0.8)


def test_a_back_up_is_no_fault(tmp_path: Path) -> None:
    """A counter that falls slowly is a machine that moves back."""
    values = np.array([1000, 1010, 1020, 1005, 990, 1000])
    wheel, tally, doubts = counts(values, WHEEL, tmp_path)
    np.testing.assert_allclose(wheel.wheel_m, values * 0.01)
    assert (tally.used, doubts) == (6, ())


def test_counts_need_their_length_and_numbers_are_strict(tmp_path: Path) -> None:
    """Counts without [rig] wheel_per_count stop; a bad count rejects its row."""
    with pytest.raises(ConfigError, match="wheel_per_count"):
        counts(np.arange(5), WHEEL, tmp_path, None)
    _, tally, _ = counts(np.array(["1", "2", "1_5", "4", ""], object), WHEEL, tmp_path)
    assert tally.rejected == {"bad_number": 1, "missing": 1}


def test_lengths_follow_the_unit_of_the_format(tmp_path: Path) -> None:
    """wheel_m in feet: 100 ft are 30.48 m, 100 US survey feet 30.480061 m (1200/3937)."""
    for unit, metres in (("ft", 30.48), ("ftUS", 100 * 1200 / 3937), ("mm", 0.1)):
        path = tmp_path / "wheel.csv"
        path.write_text("time_utc,wheel_m\n2026-05-14T13:00:00Z,0\n2026-05-14T13:00:30Z,100\n")
        wheel, _, _ = logs.read_wheel((path,), changed(WHEEL, length_unit=unit), None)
        assert wheel.wheel_m[-1] == pytest.approx(metres, rel=1e-12)


# --------------------------------------------------------------------------------------------------- fixes

FIX_HEADER = "time_utc,lon_deg,lat_deg,height_m,quality,sigma_m,heading_deg\n"
FIXES = load_format("fix-table")


def fix_table(tmp_path: Path, body: str, log_format: LogFormat = FIXES) -> tuple:
    path = tmp_path / "fixes.csv"
    path.write_text(body)
    fixes, tallies, doubts = logs.read_fixes((path,), log_format, "EPSG:6318")
    return fixes, tallies[-1], doubts


def test_a_fix_table_reads_words_and_codes(tmp_path: Path) -> None:
    """Quality as words or NMEA codes; empty sigma, height and heading are NaN."""
    body = FIX_HEADER + (
        "2026-05-14T13:00:00Z,-116.2,43.6,800.5,fixed,0.012,271.5\n"
        "2026-05-14T13:00:01Z,-116.2,43.6,,5,,\n"
        "2026-05-14T13:00:02Z,-116.2,43.6,800.5,none,,\n"
    )
    fixes, tally, _ = fix_table(tmp_path, body)
    assert [model.QUALITIES[code] for code in fixes.quality] == ["fixed", "float"]
    np.testing.assert_array_equal(fixes.sigma_m, [0.012, np.nan])
    np.testing.assert_array_equal(fixes.height_m, [800.5, np.nan])
    np.testing.assert_array_equal(fixes.heading_deg, [271.5, np.nan])
    assert tally.rejected == {"no_position": 1}


FIX_FAULTS = {
    "2026-05-14T13:00:01Z,-116.2,93.6,1,4,,": "out_of_range",
    "2026-05-14T13:00:01Z,-196.2,43.6,1,4,,": "out_of_range",
    "2026-05-14T13:00:01Z,-116.2,43.6,1,4,-1,": "out_of_range",
    "2026-05-14T13:00:01Z,-116.2,43.6,1,4,,400": "out_of_range",
    "2026-05-14T13:00:01Z,-116.2,43_6,1,4,,": "bad_number",
    "2026-05-14T13:00:01Z,,43.6,1,4,,": "position_missing",
    "2026-05-14T13:00:01Z,-116.2,43.6,1,excellent,,": "unknown_quality",
    "2026-05-14T13:00:01Z,-116.2,43.6,1,,,": "unknown_quality",
    "2026-05-14T13:00:01,-116.2,43.6,1,4,,": "no_zone",
    "2026-05-14T13:00:01Z,-116.2,43.6,1,4,": "ragged_row",
    "2026-05-14T13:00:01Z,0,0,1,4,,": "zero_position",
    "2026-05-14T13:00:00Z,-116.2,43.6,1,4,,": "repeated_epoch",
}


@pytest.mark.parametrize("row", FIX_FAULTS)
def test_faulty_rows_of_a_fix_table_are_rejected_by_cause(tmp_path: Path, row: str) -> None:
    """Each fault is one rejected row, named."""
    good = "2026-05-14T13:00:0{},-116.2,43.6,1,4,,\n"
    body = FIX_HEADER + good.format("0Z") + row + "\n" + good.format("2Z")
    fixes, tally, _ = fix_table(tmp_path, body)
    assert len(fixes.time_utc) == 2
    assert tally.rejected == {FIX_FAULTS[row]: 1}
    assert tally.first_line == {FIX_FAULTS[row]: 3}


POS = LogFormat(
    id="pos",
    kind="fixes",
    container="csv",
    title="a post-processed solution in GPS time",
    delimiter=" ",
    header=False,
    comment="%",
    time_scale="gps",
    time_format="%Y/%m/%d %H:%M:%S.%f",
    columns={
        "date": "1", "time_utc": "2", "lat_deg": "3", "lon_deg": "4", "height_m": "5", "quality": "6",
        "sigma_north_m": "8", "sigma_east_m": "9",
    },
    quality={"1": "fixed", "2": "float"},
)  # fmt: skip


@pytest.mark.skipif(not DATA.is_dir(), reason="the real logs are not beside the checkout")
def test_a_real_solution_in_gps_time_reads_by_a_format_alone() -> None:
    """2197 rows at 4 Hz over 549 s, blanks between, comments, GPS time, quality 1 = fixed and 2 = float."""
    path = DATA / "gnss_table" / "drive_rtk_4hz.pos"
    fixes, tallies, doubts = logs.read_fixes((path,), POS, "EPSG:6318")
    theirs = pd.read_csv(path, sep=r"\s+", comment="%", header=None)
    assert (tallies[-1].read, tallies[-1].used, doubts) == (2197, 2197, ())
    np.testing.assert_array_equal(fixes.lat_deg, theirs[2])
    np.testing.assert_array_equal(fixes.lon_deg, theirs[3])
    np.testing.assert_array_equal(fixes.quality == model.QUALITIES.index("fixed"), theirs[5] == 1)
    np.testing.assert_allclose(fixes.sigma_m, np.hypot(theirs[7], theirs[8]) / np.sqrt(2), rtol=1e-12)
    assert str(fixes.time_utc[0].astype("M8[ms]")) == "2025-07-08T19:34:00.499"  # 19:34:18.499 GPS time
    assert (fixes.time_utc[-1] - fixes.time_utc[0]) / np.timedelta64(1, "s") == pytest.approx(549, abs=0.1)
