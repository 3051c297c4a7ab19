"""The ends of logs that are still written: whole rows, whole bursts, evenly spread."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from thermosaic.config import LogFormat
from thermosaic.files.logs.tails import copy_end

NMEA = LogFormat(id="nmea", kind="fixes", container="nmea", title="sentences")
RATE_HZ = 20


def burst(number: int) -> bytes:
    """Three sentences of one time and one without, as a receiver with 20 Hz and two antennas writes them."""
    second, part = divmod(number, RATE_HZ)
    time = f"{12 + second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}.{5 * part:02d}"
    lines = (
        f"$GNGGA,{time},{number:05d}*00",
        f"$GNRMC,{time},{number:05d}*00",
        f"$GNGST,{time},{number:05d}*00",
    )
    return "".join(line + "\r\n" for line in (*lines, f"$GNHDT,{number:05d}*00")).encode()


def copied(folder: Path, text: bytes, most_bytes: int, few_bytes: int | None) -> bytes:
    """Write a log, copy its end and give the copy."""
    (folder / "log").write_bytes(text)
    copy_end(folder / "log", folder / "copy", NMEA, most_bytes, few_bytes)
    return (folder / "copy").read_bytes()


def test_few_sentences_are_whole_bursts_evenly_spread_to_the_end(tmp_path):
    """Of an hour at 20 Hz few bursts are left, each with its four sentences, at even steps up to the last."""
    text = b"".join(burst(number) for number in range(3600 * RATE_HZ))[30:]
    few = copied(tmp_path, text, len(text), 10_000)
    numbers = [int(word) for word in re.findall(rb"GGA,[^,]*,([0-9]+)", few)]
    assert few == b"".join(burst(number) for number in numbers)
    assert len(few) <= 10_000
    assert numbers[0] == 1
    assert numbers[-1] >= 3600 * RATE_HZ - 4
    steps = np.diff(numbers)
    assert steps.max() - steps.min() <= 2


@pytest.mark.parametrize("few_bytes", [None, 10_000_000])
def test_what_is_few_already_is_kept_whole(few_bytes, tmp_path):
    """A short log, or one that may be read whole, stays as it is, but for a last sentence that is cut."""
    text = b"".join(burst(number) for number in range(50))
    assert copied(tmp_path, text[:-7], len(text), few_bytes) == text[: text.rfind(b"$")]


def test_sentences_without_a_time_are_never_thinned(tmp_path):
    """Where no sentence begins with its time, bursts cannot be told and nothing is left out."""
    text = b"$GNHDT,274.07,T*00\r\n" * 2000
    assert copied(tmp_path, text, len(text), 1000) == text
