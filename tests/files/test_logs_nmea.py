"""NMEA logs as fixes: values, dates, qualities, and every fault a log may have, by name."""

from __future__ import annotations

import os
import re
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np
import pytest

from thermosaic import model
from thermosaic.config import LogFormat
from thermosaic.errors import InputError
from thermosaic.files.logs import nmea
from thermosaic.files.logs import reading as logs
from thermosaic.files.logs.fixes import finish_fixes
from thermosaic.files.logs.tallies import Ledger

DATA = Path(os.environ.get("THERMOSAIC_REAL_LOGS") or Path(__file__).parents[3] / "shared" / "data")
needs_data = pytest.mark.skipif(not DATA.is_dir(), reason="the real logs are not beside the checkout")
FORMAT = LogFormat(id="nmea", kind="fixes", container="nmea", title="sentences")


def by_hand(sentence: str) -> str:
    """Add the checksum of NMEA 0183: XOR of all bytes between `$` and `*`."""
    return f"{sentence}*{reduce(xor, sentence[1:].encode()):02X}"


def gga(
    clock: str, quality: int = 4, minutes: str = "23.46587704", talker: str = "GP", rest: str = ""
) -> str:
    return by_hand(
        f"${talker}GGA,{clock},37{minutes},N,12202.26957864,W,{quality},12,0.9,18.893,M,-25.669,M,2.0,0031{rest}"
    )


def rmc(clock: str, date: str, status: str = "A") -> str:
    return by_hand(f"$GPRMC,{clock},{status},3723.46587704,N,12202.26957864,W,000.15,084.4,{date},003.1,W,D")


def log(tmp_path: Path, *lines: str | bytes, end: bytes = b"\r\n") -> tuple[Path, ...]:
    path = tmp_path / "gnss.nmea"
    path.write_bytes(b"".join((line.encode() if isinstance(line, str) else line) + end for line in lines))
    return (path,)


def read(paths: tuple[Path, ...], **limits: float) -> tuple[model.Fixes, dict[str, model.Tally], tuple]:
    fixes, tallies, doubts = logs.read_fixes(paths, FORMAT, "EPSG:6318", **limits)
    return fixes, {tally.role: tally for tally in tallies}, doubts


def second(time: np.datetime64) -> str:
    return str(time.astype("M8[ms]"))


# -------------------------------------------------------------------------------------------- what is said


def test_published_positions_come_out_in_degrees(tmp_path: Path) -> None:
    """4807.038 N, 01131.000 E is 48.117300, 11.516667 deg (published example); height MSL + separation."""
    fixes, _, _ = read(
        log(
            tmp_path,
            "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
            "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
        )
    )
    assert fixes.lat_deg[0] == pytest.approx(48.1173, abs=1e-10)
    assert fixes.lon_deg[0] == pytest.approx(11.516666667, abs=1e-9)
    assert fixes.height_m[0] == pytest.approx(592.3)
    assert second(fixes.time_utc[0]) == "1994-03-23T12:35:19.000"


def test_south_and_west_are_negative_and_minutes_keep_eight_decimals(tmp_path: Path) -> None:
    """3723.46587704 N, 12202.26957864 W is 37.391097951, -122.037826311 deg; a southern, eastern one."""
    fixes, _, _ = read(
        log(
            tmp_path,
            "$GPRMC,121252.000,A,3958.3032,N,11629.6046,E,15.15,359.95,070306,,,A*54",
            "$GPGGA,172814.0,3723.46587704,N,12202.26957864,W,2,6,1.2,18.893,M,-25.669,M,2.0,0031*4F",
            by_hand("$GPGGA,172815.0,4250.5589,S,14718.5084,E,2,04,24.4,19.7,M,,,,0000"),
        )
    )
    assert fixes.lat_deg[0] == pytest.approx(37.391097951, abs=1e-9)
    assert fixes.lon_deg[0] == pytest.approx(-122.037826311, abs=1e-9)
    assert fixes.height_m[0] == pytest.approx(18.893 - 25.669)
    assert (fixes.lat_deg[1], fixes.lon_deg[1]) == pytest.approx((-42.842648333, 147.308473333), abs=1e-9)
    assert np.isnan(fixes.height_m[1])  # no separation, no ellipsoidal height


def test_quality_codes_become_classes_and_some_are_never_positions(tmp_path: Path) -> None:
    """1 and 3 are autonomous, 2 differential, 4 fixed, 5 float; 0, 6, 7, 8 and 9 give no fix."""
    lines = [rmc("120000", "140526")]
    lines += [gga(f"12000{code}", code) for code in range(10)]
    fixes, tallies, _ = read(log(tmp_path, *lines))
    assert [model.QUALITIES[code] for code in fixes.quality] == [
        "autonomous", "differential", "autonomous", "fixed", "float",
    ]  # fmt: skip
    assert tallies["fixes"].rejected == {"no_position": 5}


def test_gns_takes_the_best_mode_of_its_constellations(tmp_path: Path) -> None:
    """Mode letters R, F, D, A mean fixed, float, differential, autonomous (from memory); N is none."""
    modes = ("AAN", "DAN", "FFD", "RRF", "NNN")
    lines = [rmc("120000", "140526").replace("GPRMC", "GPRMC")]
    lines += [
        by_hand(f"$GNGNS,12000{k},3723.465,N,12202.269,W,{mode},12,0.9,18.8,-25.6,2.0,0031")
        for k, mode in enumerate(modes)
    ]
    fixes, _, _ = read(log(tmp_path, *lines))
    assert [model.QUALITIES[code] for code in fixes.quality] == [
        "autonomous",
        "differential",
        "float",
        "fixed",
    ]
    assert fixes.height_m[0] == pytest.approx(-6.8)


def test_gst_gives_the_one_axis_sigma_of_its_own_epoch(tmp_path: Path) -> None:
    """Sigma is sqrt((lat^2 + lon^2) / 2) of the GST with the same time; another epoch has none."""
    fixes, _, _ = read(
        log(
            tmp_path,
            rmc("172813.0", "140526"),
            gga("172813.0"),
            "$GPGST,172814.0,0.006,0.023,0.020,273.6,0.023,0.020,0.031*6A",
            gga("172814.0"),
        )
    )
    assert np.isnan(fixes.sigma_m[0])
    assert fixes.sigma_m[1] == pytest.approx(np.hypot(0.023, 0.020) / np.sqrt(2), rel=1e-12)


@pytest.mark.parametrize("order", ["before", "after"])
def test_hdt_belongs_to_the_position_of_its_burst(tmp_path: Path, order: str) -> None:
    """HDT has no time: the log's first burst tells whose it is; empty ones and HDG give none."""
    lines = [rmc("120000", "140526")]
    for k, heading in enumerate((10.0, 20.0, None, 40.0)):
        turn = by_hand(f"$GPHDT,{'' if heading is None else heading},T")
        burst = [gga(f"12000{k}"), by_hand("$HEHDG,99.9,,,12.0,E")]
        lines += [turn, *burst] if order == "before" else [*burst, turn]
    fixes, _, _ = read(log(tmp_path, *lines))
    np.testing.assert_array_equal(fixes.heading_deg, [10.0, 20.0, np.nan, 40.0])


def test_attitude_sentences_are_bound_by_their_time(tmp_path: Path) -> None:
    """PASHR states its time, so its heading goes to that epoch wherever it stands."""
    attitude = by_hand("$PASHR,120001.00,271.25,T,0.1,0.2,,0.05,0.05,0.1,1,1")
    fixes, _, _ = read(log(tmp_path, attitude, rmc("120000", "140526"), gga("120000"), gga("120001")))
    np.testing.assert_array_equal(fixes.heading_deg, [np.nan, 271.25])


# --------------------------------------------------------------------------------------------------- dates


def test_midnight_turns_the_day_whatever_sentence_comes_first(tmp_path: Path) -> None:
    """Fixes run through midnight at 1 s; RMC may stand before or after its GGA, dates may be rare."""
    clocks = [("235958", "140526"), ("235959", "140526"), ("000000", "150526"), ("000001", "150526")]
    before = [line for clock, date in clocks for line in (rmc(clock, date), gga(clock))]
    after = [line for clock, date in clocks for line in (gga(clock), rmc(clock, date))]
    rare = [gga(clock) for clock, _ in clocks] + [rmc("000001", "150526")]
    for lines in (before, after, rare):
        fixes, _, doubts = read(log(tmp_path, *lines))
        assert second(fixes.time_utc[0]) == "2026-05-14T23:59:58.000"
        np.testing.assert_array_equal(np.diff(fixes.time_utc) / np.timedelta64(1, "s"), [1, 1, 1])
        assert doubts == ()


def test_an_outage_over_midnight_takes_the_date_of_the_second_day(tmp_path: Path) -> None:
    """After 30 hours without the receiver the next date is taken, not a count of midnights."""
    lines = [gga("120000"), rmc("120000", "140526"), gga("180000"), rmc("180000", "150526")]
    fixes, _, _ = read(log(tmp_path, *lines))
    assert [second(time)[:13] for time in fixes.time_utc] == ["2026-05-14T12", "2026-05-15T18"]


def test_zda_gives_the_date_though_it_is_late(tmp_path: Path) -> None:
    """A ZDA 50 ms after its epoch dates it; over midnight the late one belongs to the next day."""
    lines = [gga("235959.99"), by_hand("$GPZDA,000000.04,15,05,2026,00,00"), gga("000000.99")]
    fixes, _, _ = read(log(tmp_path, *lines))
    assert [second(time) for time in fixes.time_utc] == ["2026-05-14T23:59:59.990", "2026-05-15T00:00:00.990"]


def test_a_log_without_a_date_is_refused(tmp_path: Path) -> None:
    """GGA alone has no date, and none is taken from a clock or a file name."""
    with pytest.raises(InputError, match=r"no RMC or ZDA sentence states a date"):
        read(log(tmp_path, gga("120000"), gga("120001")))


def test_the_roll_over_of_1024_weeks_is_left_as_it_is(tmp_path: Path) -> None:
    """A log dated 1024 weeks early keeps its date: the lot's other logs will disagree with it."""
    early = np.datetime64("2026-05-14") - np.timedelta64(1024 * 7, "D")
    date = f"{str(early)[8:10]}{str(early)[5:7]}{str(early)[2:4]}"
    fixes, _, _ = read(log(tmp_path, rmc("120000", date), gga("120000")))
    assert fixes.time_utc[0].astype("M8[D]") == early == np.datetime64("2006-09-28")


def test_second_60_is_rejected_and_counted(tmp_path: Path) -> None:
    """The leap second is a second of its own that datetime64 cannot hold."""
    lines = [rmc("235959", "311216"), gga("235959"), gga("235960"), gga("000000"), rmc("000000", "010117")]
    fixes, tallies, _ = read(log(tmp_path, *lines))
    assert len(fixes.time_utc) == 2
    assert tallies["sentences"].rejected == {"leap_second": 1}
    assert tallies["sentences"].first_line == {"leap_second": 3}


STEPS = {"18 s": ("GPS time and UTC", 18), "1 h": ("a whole hour", 3600)}


@pytest.mark.parametrize("step", STEPS)
def test_time_that_steps_back_is_named_and_not_sorted(tmp_path: Path, step: str) -> None:
    """A receiver that jumps back loses the fewest fixes that do not fit; the doubt names the step."""
    words, size = STEPS[step]
    start = 13 * 3600
    seconds = [*range(start, start + 30), *range(start + 30 - size, start + 30 - size + 90)]
    clocks = [f"{s // 3600:02d}{s // 60 % 60:02d}{s % 60:02d}" for s in seconds]
    fixes, tallies, doubts = read(log(tmp_path, rmc(clocks[0], "140526"), *(gga(clock) for clock in clocks)))
    lost = 18 if size == 18 else 30
    assert len(fixes.time_utc) == 120 - lost
    assert sum(tallies["fixes"].rejected.values()) == lost
    assert [doubt.kind for doubt in doubts] == ["fix_time_steps_back"]
    assert words in doubts[0].text
    assert doubts[0].amount == pytest.approx(size, abs=0.5)
    assert "line 32" in doubts[0].text


def test_one_wild_time_costs_one_fix(tmp_path: Path) -> None:
    """A single time far ahead, though its checksum is right, does not throw away all that follows."""
    clocks = ["120000", "120001", "190000", "120002", "120003"]
    fixes, tallies, _ = read(log(tmp_path, rmc("120000", "140526"), *(gga(clock) for clock in clocks)))
    assert tallies["fixes"].rejected == {"stepped_back": 1}
    assert len(fixes.time_utc) == 4


def test_duplicates_and_second_positions_of_an_epoch_are_dropped(tmp_path: Path) -> None:
    """Two GGA in one epoch, by two talkers or copied, are one fix: the first."""
    lines = [
        rmc("120000", "140526"),
        gga("120000"),
        gga("120000", minutes="24.5", talker="GN"),
        gga("120001"),
    ]
    fixes, tallies, _ = read(log(tmp_path, *lines, *lines[-1:]))
    assert fixes.lat_deg[0] == pytest.approx(37 + 23.46587704 / 60)
    assert tallies["fixes"].rejected == {"repeated_epoch": 2}


def test_swapped_blocks_lose_the_smaller_one(tmp_path: Path) -> None:
    """Two files given in the wrong order are not sorted; what does not fit is counted and named."""
    late = [gga(f"1300{k:02d}") for k in range(10)]
    early = [gga(f"1200{k:02d}") for k in range(30)]
    fixes, tallies, doubts = read(log(tmp_path, rmc("130000", "140526"), *late, *early))
    assert len(fixes.time_utc) == 30
    assert tallies["fixes"].rejected == {"stepped_back": 10}
    assert "step back" in doubts[0].text


# -------------------------------------------------------------------------------------------------- faults

MALFORMED = {
    "minutes of 61": by_hand("$GPGGA,120001,3761.0,N,12202.2,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "latitude over 90": by_hand("$GPGGA,120001,9101.0,N,12202.2,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "longitude over 180": by_hand("$GPGGA,120001,3701.0,N,18002.2,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "a digit lost": by_hand("$GPGGA,120001,371.0,N,12202.2,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "letters in a number": by_hand("$GPGGA,120001,3701.0,N,12202.2,W,4,12,0.9,1B.8,M,-25.6,M,,"),
    "hemisphere Q": by_hand("$GPGGA,120001,3701.0,Q,12202.2,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "empty position": by_hand("$GPGGA,120001,,N,,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "no time": by_hand("$GPGGA,,3701.0,N,12202.2,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "hour 24": by_hand("$GPGGA,240001,3701.0,N,12202.2,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "time of five digits": by_hand("$GPGGA,12001,3701.0,N,12202.2,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "height in feet": by_hand("$GPGGA,120001,3701.0,N,12202.2,W,4,12,0.9,18.8,F,-25.6,M,,"),
    "a field too many": by_hand("$GPGGA,120001,3701.0,N,12202.2,W,4,12,0.9,18.8,M,-25.6,M,,,"),
    "a field too few": by_hand("$GPGGA,120001,3701.0,N,12202.2,W,4,12,0.9,18.8,M,-25.6,M,"),
    "two points": by_hand("$GPGGA,120001,37.01.0,N,12202.2,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "thirty digits": by_hand(f"$GPGGA,120001,3701.{'0' * 30},N,12202.2,W,4,12,0.9,18.8,M,-25.6,M,,"),
    "date 31 April": rmc("120001", "310426"),
    "date of letters": rmc("120001", "14AB26"),
    "RMC minutes of 61": by_hand("$GPRMC,120001,A,3761.0,N,12202.2,W,0.1,84.4,150526,,,D"),
    "ZDA month 13": by_hand("$GPZDA,120001,14,13,2026,00,00"),
    "sigma below zero": by_hand("$GPGST,120001,0.1,0.1,0.1,0.0,-0.1,0.1,0.1"),
    "heading over 360": by_hand("$GPHDT,361.0,T"),
    "heading magnetic": by_hand("$GPHDT,274.0,M"),
}


@pytest.mark.parametrize("fault", MALFORMED)
def test_a_malformed_sentence_with_a_right_checksum_is_rejected_whole(tmp_path: Path, fault: str) -> None:
    """Nothing of it is used: the fixes are those of the log without it, and it is counted with its line."""
    lines = [rmc("120000", "140526"), gga("120000"), gga("120002"), rmc("120002", "140526")]
    without, _, _ = read(log(tmp_path, *lines))
    fixes, tallies, _ = read(log(tmp_path, *lines[:2], MALFORMED[fault], *lines[2:]))
    for name in ("time_utc", "lat_deg", "lon_deg", "height_m", "quality", "sigma_m", "heading_deg"):
        np.testing.assert_array_equal(getattr(fixes, name), getattr(without, name))
    assert tallies["sentences"].rejected == {"malformed": 1}
    assert tallies["sentences"].first_line == {"malformed": 3}


GOOD = [line for k in range(40) for line in (rmc(f"1200{k:02d}", "140526"), gga(f"1200{k:02d}"))]
CLEAN = "\r\n".join(GOOD).encode() + b"\r\n"
DAMAGE = {
    "blank lines": CLEAN.replace(b"\r\n", b"\r\n\r\n"),
    "LF": CLEAN.replace(b"\r\n", b"\n"),
    "CR": CLEAN.replace(b"\r\n", b"\r"),
    "byte order mark": b"\xef\xbb\xbf" + CLEAN,
    "lower-case checksums": re.sub(rb"\*([0-9A-F]{2})", lambda m: b"*" + m[1].lower(), CLEAN),
    "comments": b"# logger 7\r\n" + CLEAN,
    "RTCM between": CLEAN.replace(b"$GPRMC", b"\xd3\x00\x13\x3e\xd0\x00\x03\r\n$GPRMC"),
    "UBX between": CLEAN.replace(b"$GPRMC", b"\xb5\x62\x01\x07\x00\x00\r\n$GPRMC"),
    "a page of NUL": CLEAN[: CLEAN.index(b"$GPGGA")] + b"\0" * 4096 + CLEAN[CLEAN.index(b"$GPGGA") :],
    "10 MB line": b"x" * 10_000_000 + b"\r\n" + CLEAN,
    "no end of line at the tail": CLEAN[:-2],
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_what_lies_between_sentences_changes_no_fix(tmp_path: Path, damage: str) -> None:
    """Line ends, comments, binary messages, NUL pages and endless lines are counted at most."""
    path = tmp_path / "gnss.nmea"
    path.write_bytes(DAMAGE[damage])
    fixes, tallies, _ = read((path,))
    assert len(fixes.time_utc) == 40
    assert set(tallies["sentences"].rejected) <= {"stray_line"}


def test_bad_checksums_are_counted_and_too_many_stop(tmp_path: Path) -> None:
    """One of 80 is one rejected sentence; 10 % pass under a limit of 20 % and stop under 5 %; all: no log."""
    one = log(tmp_path, *GOOD[:7], GOOD[7][:-1] + ("0" if GOOD[7][-1] != "0" else "1"), *GOOD[8:])
    fixes, tallies, _ = read(one, rejected_frac=0.2)
    assert (len(fixes.time_utc), tallies["sentences"].rejected) == (39, {"bad_checksum": 1})
    assert tallies["sentences"].first_line == {"bad_checksum": 8}
    tenth = log(
        tmp_path, *(line.replace(",", ";", 1) if k % 10 == 0 else line for k, line in enumerate(GOOD))
    )
    assert read(tenth, rejected_frac=0.2)[1]["sentences"].rejected == {"bad_checksum": 8}
    with pytest.raises(InputError, match=r"10 % of 80 sentences were rejected: 8 bad_checksum"):
        read(tenth, rejected_frac=0.05)
    with pytest.raises(InputError, match=r"GGA, GNS or RMC"):
        read(log(tmp_path, *(line.replace(",", ";", 1) for line in GOOD)))


def test_missing_checksums_are_a_choice_of_the_format(tmp_path: Path) -> None:
    """Without checksums a log is refused, unless the format says that they are absent."""
    bare = log(tmp_path, *(line.partition("*")[0] for line in GOOD))
    with pytest.raises(InputError, match=r"GGA, GNS or RMC"):
        read(bare)
    absent = FORMAT.model_copy(update={"checksums": "absent"})
    assert len(logs.read_fixes(bare, absent, "EPSG:6318")[0].time_utc) == 40


def test_interleaved_split_and_merged_sentences_are_never_used(tmp_path: Path) -> None:
    """Two sentences byte by byte, one broken by a line end, two run together: only whole ones count."""
    both = "".join(a + b for a, b in zip(GOOD[1], GOOD[3], strict=True))
    split = GOOD[5][:30] + "\r\n" + GOOD[5][30:]
    merged = GOOD[7] + GOOD[9]
    half_merged = GOOD[11][:40] + GOOD[13]
    fixes, _, _ = read(log(tmp_path, GOOD[0], both, split, merged, half_merged))
    clocks = [second(time)[17:19] for time in fixes.time_utc]
    assert clocks == ["03", "04", "06"]


NOT_LOGS = {
    "gzip": (b"\x1f\x8b\x08\x00" + CLEAN, "gzip"),
    "UTF-16": (CLEAN.decode().encode("utf-16"), "UTF-16"),
    "text": (b"no sentence here\n" * 50, "GGA, GNS or RMC"),
    "empty": (b"", "is empty"),
    "quality 8 only": ((GOOD[0] + "\n" + gga("120000", 8) + "\n").encode(), "none of 1 rows is a position"),
}


@pytest.mark.parametrize("kind", NOT_LOGS)
def test_what_is_no_log_of_fixes_is_refused_by_name(tmp_path: Path, kind: str) -> None:
    """The message names the file and what it is."""
    content, words = NOT_LOGS[kind]
    path = tmp_path / "gnss.nmea"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"^gnss\.nmea") as caught:
        read((path,))
    assert words in str(caught.value)


def test_blocks_do_not_show_in_the_result(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read in blocks of 100 bytes the log gives the same fixes and the same line numbers."""
    paths = log(tmp_path, *GOOD[:20], "garbage", *GOOD[20:])
    whole, counted, _ = read(paths)
    monkeypatch.setattr(nmea, "sentence_blocks", lambda path: nmea_blocks(path, 100))
    parts, counted_again, _ = read(paths)
    np.testing.assert_array_equal(parts.time_utc, whole.time_utc)
    assert counted["sentences"] == counted_again["sentences"]


def nmea_blocks(path: Path, size: int) -> object:
    from thermosaic.files.sources import sentence_blocks

    return sentence_blocks(path, size)


# ---------------------------------------------------------------------------------------------- real logs

REAL = {  # file: positions by class, fixes with sigma, with heading; counted on the files by others
    "nmea_rtk": ({"differential": 104, "fixed": 18}, 0, 0),
    "survey_rover_float_dgps": ({"float": 9, "differential": 25}, 34, 0),
    "dual_antenna_cold_start": ({"none": 194, "autonomous": 21}, 0, 4),
    "dgps_gst_beidou": ({"differential": 96}, 96, 0),
    "multi_const_gst_dgps": ({"differential": 61}, 61, 0),
    "f9p_nmea_gst": ({"autonomous": 29}, 29, 0),
    "phone_modem_dropouts": ({"none": 37, "autonomous": 187}, 0, 0),
    "l76k_1hz": ({"autonomous": 150}, 0, 0),
    "rx210_nofix": ({"none": 21, "autonomous": 40}, 0, 0),
    "haicom_gaps": ({"none": 5, "autonomous": 68}, 0, 0),
    "simulated_quality8": ({"none": 18}, 0, 0),
    "ublox8_1hz": ({"autonomous": 72}, 0, 0),
}


@needs_data
@pytest.mark.parametrize("name", REAL)
def test_real_logs_give_the_positions_counted_on_them(name: str) -> None:
    """Twelve receivers' logs: positions by quality, sigmas, headings as counted when collected."""
    rows, ledger = nmea.read_nmea((DATA / "nmea" / f"{name}.nmea",), need_checksum=True)
    counts = np.bincount(rows.quality, minlength=5)
    expected, sigmas, headings = REAL[name]
    assert {model.QUALITIES[k]: int(n) for k, n in enumerate(counts) if n} == expected
    assert np.count_nonzero(np.isfinite(rows.sigma_m)) == sigmas
    assert np.count_nonzero(np.isfinite(rows.heading_deg)) == headings
    assert set(ledger.rejected) <= {"stray_line", "no_checksum", "cut"}
    assert ledger.rejected.get("no_checksum", 0) + ledger.rejected.get("cut", 0) <= 1


@needs_data
@pytest.mark.parametrize("name", REAL)
def test_real_logs_agree_with_pynmea2(name: str) -> None:
    """Latitude, longitude and quality of every GGA with a position equal those of an independent reader."""
    pynmea2 = pytest.importorskip("pynmea2", reason="pynmea2 is the independent reader of this check")
    path = DATA / "nmea" / f"{name}.nmea"
    rows, _ = nmea.read_nmea((path,), need_checksum=True)
    theirs = []
    for line in path.read_text("latin-1").splitlines():
        if re.match(r"\$..GGA,", line):
            message = pynmea2.parse(line, check=True)
            if int(message.gps_qual) in (1, 2, 3, 4, 5):
                theirs.append((message.latitude, message.longitude))
    ours = np.column_stack([rows.lat_deg, rows.lon_deg])[rows.quality > 0]
    np.testing.assert_allclose(ours, np.array(theirs).reshape(-1, 2), rtol=0, atol=1e-11)


@needs_data
def test_ellipsoidal_heights_equal_the_receivers_own() -> None:
    """The survey rover's own sentence states its ellipsoidal height (EHT): MSL + separation is that."""
    path = DATA / "nmea" / "survey_rover_float_dgps.nmea"
    rows, _ = nmea.read_nmea((path,), need_checksum=True)
    stated = [float(text) for text in re.findall(r"EHT([0-9.]+),M", path.read_text("latin-1"))]
    np.testing.assert_allclose(rows.height_m, stated, atol=0.0011)


@needs_data
def test_real_logs_bring_their_own_faults() -> None:
    """The modem log repeats a second (a step back of 0.3 s, one fix out); the simulator's has no fix."""
    paths = (DATA / "nmea" / "phone_modem_dropouts.nmea",)
    fixes, tallies, doubts = read(paths)
    assert len(fixes.time_utc) == 186
    assert tallies["fixes"].rejected == {"no_position": 37, "stepped_back": 1}
    assert len(doubts) == 1
    with pytest.raises(InputError, match=r"none of 18 rows is a position"):
        read((DATA / "nmea" / "simulated_quality8.nmea",))


def test_zero_zero_is_no_position(tmp_path: Path) -> None:
    """A fix at 0 N 0 E is what receivers send before they know where they are."""
    zero = by_hand("$GPGGA,120001,0000.000,N,00000.000,E,1,12,0.9,18.8,M,-25.6,M,,")
    fixes, tallies, _ = read(log(tmp_path, rmc("120000", "140526"), gga("120000"), zero))
    assert len(fixes.time_utc) == 1
    assert tallies["fixes"].rejected == {"zero_position": 1}


def test_balances_close(tmp_path: Path) -> None:
    """Read = used + rejected for sentences and for fixes, with sentences by type beside them."""
    rows, sentences = nmea.read_nmea(log(tmp_path, *GOOD, "stray", gga("1300")), need_checksum=True)
    ledger = Ledger("fixes", read=len(rows.line))
    finish_fixes(rows, ledger, "EPSG:6318", "gnss.nmea")
    tally = sentences.close()
    assert (tally.read, tally.used) == (82, 80)
    assert tally.notes["sentences"] == {"GGA": 40, "RMC": 40}
    assert ledger.close().used == 40
