"""The sentence kernel against published sentences, a checksum written by hand, and pynmea2."""

from __future__ import annotations

import subprocess
import sys
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np
import pytest

from thermosaic.kernels import nmea

# Sentences with their checksums as published in receiver manuals and public parsers' tests: the widely
# quoted GGA, RMC, VTG and HDT examples, two GST of manuals, a southern and eastern set.
PUBLISHED = (
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48",
    b"$GPGST,172814.0,0.006,0.023,0.020,273.6,0.023,0.020,0.031*6A",
    b"$GPGST,024603.00,3.2,6.6,4.7,47.3,5.8,5.6,22.0*58",
    b"$GPHDT,274.07,T*03",
    b"$GPGGA,092204.999,4250.5589,S,14718.5084,E,1,04,24.4,19.7,M,,,,0000*1F",
    b"$GPGLL,4250.5589,S,14718.5084,E,092204.999,A*2D",
    b"$GPRMC,121252.000,A,3958.3032,N,11629.6046,E,15.15,359.95,070306,,,A*54",
    b"$GPVTG,359.95,T,,M,15.15,N,28.0,K,A*04",
    b"$GPGGA,172814.0,3723.46587704,N,12202.26957864,W,2,6,1.2,18.893,M,-25.669,M,2.0,0031*4F",
)
WANTED = (b"GGA", b"RMC", b"GST", b"HDT", b"PASHR")
CODES = np.array([int.from_bytes(name, "big") for name in WANTED])


# fields of each wanted kind: time; latitude; two numbers and their units; three more
NO = nmea.FIELDS
LAYOUT = np.array(
    [
        [1, 2, 9, 11, 10, 12, 6, 2, 11],
        [1, 3, NO, NO, NO, NO, 2, 9, 12],
        [1, NO, 6, 7, NO, NO, NO, NO, NO],
        [NO, NO, 1, NO, NO, NO, 2, NO, NO],
        [1, NO, 2, NO, NO, NO, 3, NO, NO],
    ]
)


def read(data: bytes, need_checksum: bool = True) -> dict:
    """Run the kernel on fresh arrays."""
    rows = data.count(b"$")
    whole, number = np.zeros((nmea.WHOLES, rows), np.int64), np.zeros((nmea.NUMBERS, rows))
    counts, first = np.zeros(len(nmea.CAUSES) + 1, np.int64), np.zeros(len(nmea.CAUSES), np.int64)
    layout = (3 * LAYOUT).astype(np.uint64)
    found, after = nmea.read_sentences(data, need_checksum, CODES, layout, whole, number, counts, first)
    causes = {name: int(count) for name, count in zip(nmea.CAUSES, counts, strict=False) if count}
    lines = {name: int(row) for name, row in zip(nmea.CAUSES, first, strict=True) if row}
    whole, number = whole[:, :found], number[:, :found]
    return {
        "kind": [WANTED[k].decode() for k in whole[nmea.KIND]], "line": whole[nmea.LINE].tolist(),
        "after": after, "fields": whole[nmea.COUNT].tolist(), "time": whole[nmea.TIME].tolist(),
        "digits": whole[nmea.DIGITS : nmea.SHAPE], "shape": whole[nmea.SHAPE :], "number": number,
        "sound": int(counts[-1]), "causes": causes, "first": lines,
    }  # fmt: skip


def by_hand(sentence: bytes) -> bytes:
    """Add the checksum of NMEA 0183: XOR of all bytes between `$` and `*`."""
    return sentence + b"*%02X" % reduce(xor, sentence[1:])


@pytest.mark.parametrize("sentence", PUBLISHED)
def test_published_sentences_carry_the_checksum_that_is_found(sentence: bytes) -> None:
    """Every published sentence is sound, and none is with one bit of it turned."""
    assert by_hand(sentence.rpartition(b"*")[0]) == sentence
    assert read(sentence + b"\r\n")["sound"] == 1
    for place in range(1, len(sentence) - 3):
        turned = bytes([*sentence[:place], sentence[place] ^ 1, *sentence[place + 1 :]])
        assert read(turned + b"\r\n")["sound"] == 0


def test_a_random_log_agrees_with_pynmea2() -> None:
    """Of lines with random damage the kernel keeps those whose checksum pynmea2 accepts."""
    pynmea2 = pytest.importorskip("pynmea2", reason="pynmea2 is the independent reader of this check")
    random = np.random.default_rng(11)
    lines = []
    for _ in range(400):
        line = bytearray(PUBLISHED[random.integers(len(PUBLISHED))])
        if random.random() < 0.5:
            line[random.integers(7, len(line))] = random.choice(list(b"0123456789ABCDEFNSEW.,"))
        lines.append(bytes(line))

    def accepted(line: bytes) -> bool:
        try:
            pynmea2.parse(line.decode(), check=True)
        except (pynmea2.ChecksumError, pynmea2.ParseError, ValueError):
            return False
        return b"*" in line

    expected = [accepted(line) for line in lines]
    assert 100 < sum(expected) < 400
    assert [read(line + b"\n")["sound"] == 1 for line in lines] == expected


@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\r"])
def test_line_ends_change_nothing_and_lines_count_as_in_an_editor(end: bytes) -> None:
    """CRLF, LF and CR give the same rows; a lower-case checksum and blank lines are fine."""
    data = end.join([PUBLISHED[0], b"", PUBLISHED[3].replace(b"6A", b"6a"), PUBLISHED[5], b""])
    found = read(data)
    assert found["kind"] == ["GGA", "GST", "HDT"]
    assert found["line"] == [1, 3, 4]
    assert found["after"] == 5
    assert found["causes"] == {}


def test_raw_fields_come_as_digits_and_shape() -> None:
    """Digits, decimals, length, sign and letters of a field are those of its text."""
    found = read(PUBLISHED[10] + b"\n")
    digits, shape = found["digits"][:, 0], found["shape"][:, 0]
    assert found["fields"] == [15]
    assert digits.tolist() == [2, 372346587704, 25669]
    after, before = shape & 255, shape >> nmea.LEAD_SHIFT & 255
    assert (before + after).tolist() == [1, 12, 5]
    assert before.tolist() == [1, 4, 2]
    assert (shape >> nmea.LENGTH_SHIFT & 0xFFFF).tolist() == [1, 13, 7]
    assert (shape >> nmea.MASK_SHIFT).tolist() == [0, 0, 1 << nmea.MINUS]


def test_times_positions_and_numbers_are_those_of_the_text() -> None:
    """17:28:14, 37 deg 23.46587704 min N, 122 deg 02.26957864 min W, 18.893 m and -25.669 m."""
    found = read(PUBLISHED[10] + b"\n")
    assert found["time"] == [((17 * 60 + 28) * 60 + 14) * 10**9]
    expected = [37 + 23.46587704 / 60, -(122 + 2.26957864 / 60), 18.893, -25.669]
    np.testing.assert_allclose(found["number"][:, 0], expected, rtol=1e-15)


@pytest.mark.parametrize(
    ("text", "time"),
    [
        (b"", nmea.NO_TIME),
        (b"000000", 0),
        (b"235959.999999999", 86_400 * 10**9 - 1),
        (b"235960", nmea.LEAP_SECOND),
        (b"240000", nmea.BAD_TIME),
        (b"126000", nmea.BAD_TIME),
        (b"12000", nmea.BAD_TIME),
        (b"1200A0", nmea.BAD_TIME),
        (b"-120000", nmea.BAD_TIME),
    ],
)
def test_times_of_day(text: bytes, time: int) -> None:
    """Nanoseconds since midnight; second 60 is set apart, and what is no time is told from an empty field."""
    assert read(by_hand(b"$GPGGA," + text + b",,,,,0,,,,,,,,") + b"\n")["time"] == [time]


@pytest.mark.parametrize(
    ("level", "unit", "number"),
    [(b"", b"", np.nan), (b"", b"M", np.nan), (b"1.5", b"", 1.5), (b"-1.5", b"M", -1.5), (b"1.5", b"F", np.inf),
     (b"1.5.0", b"M", np.inf), (b"-", b"M", np.inf), (b"1B", b"M", np.inf), (b"1" * 19, b"M", np.inf),
     (b"+1", b"M", np.inf), (b"1-", b"M", np.inf), (b".5", b"M", 0.5), (b"5.", b"M", 5.0)],
)  # fmt: skip
def test_numbers_are_told_from_empty_fields_and_from_what_is_none(
    level: bytes, unit: bytes, number: float
) -> None:
    """Signed decimals with 18 digits at most, in metres; NaN where empty, infinite where no number."""
    found = read(by_hand(b"$GPGGA,,,,,,0,,," + level + b"," + unit + b",,,,") + b"\n")
    np.testing.assert_array_equal(found["number"][2], [number])


CAUSES = {
    "bad_checksum": b"$GPHDT,274.08,T*03\n",
    "no_checksum": b"$GPHDT,274.07,T\n",
    "cut": b"$GPHDT,274.0$GPHDT,274.07,T*03\n",
    "too_long": b"$GPTXT," + b"A" * 400 + b"*00\n",
    "not_text": b"$GPHDT,27\x014.07,T*03\n",
    "stray_line": b"# a comment, or RTCM: \xd3\x00\x13\n",
}


@pytest.mark.parametrize("cause", CAUSES)
def test_each_fault_is_counted_by_its_cause_and_the_next_sentence_is_read(cause: str) -> None:
    """One fault is one count, with its line; reading goes on at the next `$`."""
    found = read(PUBLISHED[5] + b"\n" + CAUSES[cause] + PUBLISHED[5] + b"\n")
    assert found["causes"] == {cause: 1}
    assert found["first"] == {cause: 2}
    assert found["kind"].count("HDT") == found["sound"] == (3 if cause == "cut" else 2)


def test_a_log_cut_anywhere_loses_at_most_its_last_sentence() -> None:
    """Cut at each byte, the sentences before the cut stay as they were."""
    data = b"\r\n".join(PUBLISHED) + b"\r\n"
    ends = np.cumsum([len(sentence) + 2 for sentence in PUBLISHED])
    for cut in range(len(data)):
        whole = int(np.count_nonzero(ends - 2 <= cut))
        found = read(data[:cut])
        assert found["sound"] == whole
        assert sum(found["causes"].values()) <= 1


def test_without_checksums_a_wrong_one_is_still_wrong() -> None:
    """Where checksums are not required, those that are there are held against the bytes."""
    found = read(b"$GPHDT,274.07,T\n$GPHDT,274.07,T*03\n$GPHDT,274.07,T*04\n", need_checksum=False)
    assert (found["sound"], found["causes"]) == (2, {"bad_checksum": 1})


def test_proprietary_sentences_are_not_taken_for_standard_ones() -> None:
    """`$PASHR` is wanted by its whole address; `$PxGGA` and `$PASHx` are not GGA or attitude."""
    data = b"".join(
        by_hand(s) + b"\n" for s in (b"$PASHR,123519,12,T", b"$PXGGA,123519,1", b"$PASHQ,123519,12,T")
    )
    assert read(data)["kind"] == ["PASHR"]


def test_random_bytes_never_give_a_sentence_or_run_away() -> None:
    """A megabyte of random bytes gives no sentence of interest."""
    noise = np.random.default_rng(5).integers(0, 256, 1 << 20, dtype=np.uint8).tobytes()
    assert read(noise)["kind"] == []


_BOTH_WAYS = """
import sys
import numpy as np
from test_nmea import PUBLISHED, nmea, read

random, logs = np.random.default_rng(3), []
for _ in range(60):
    lines = [bytearray(PUBLISHED[k]) for k in random.integers(0, len(PUBLISHED), 12)]
    for line in lines[::2]:
        line[random.integers(1, len(line))] = random.integers(32, 127)
    logs.append(bytes(lines[0] + b"\\n" + b"\\r\\n".join(lines[1:])[: random.integers(20, 900)]))
logs.append(b"$GPRMC,1,A,,,,,,,11111111111111111111111111111111,,,A\\n")
written = [read(log, False) for log in logs]
assert "numba" not in sys.modules
nmea.FEW_BYTES = 0
for log, before in zip(logs, written):
    after = read(log, False)
    for name, value in before.items():
        np.testing.assert_array_equal(value, after[name])
assert "numba" in sys.modules
"""


def test_the_loop_as_written_reads_what_it_reads_compiled() -> None:
    """Damaged logs give the same rows, counts and lines; few bytes are read without loading the compiler."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", _BOTH_WAYS], capture_output=True, text=True, cwd=Path(__file__).parent,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
