"""Copy the end of a log that is still being written: whole rows only, with the header where it has one."""

from __future__ import annotations

import os
import re
import shutil
from itertools import pairwise
from pathlib import Path

from ...config import LogFormat
from ..sources import check_file

_TIMED = re.compile(rb"^\$[A-Z]{5},([0-9]{6}[0-9.]*),", re.MULTILINE)  # a sentence that begins with its time


def copy_end(
    path: Path, copy: Path, log_format: LogFormat, most_bytes: int, few_bytes: int | None = None
) -> bool:
    """Copy at most so many bytes of a log's end, without a first or last row that is cut.

    Of sentences only about `few_bytes` are kept, where that is stated: bursts of one time each, evenly spread.

    Returns
    -------
    bool
        Whether the copy is the whole log, apart from a cut last row. Parquet is always copied whole: its
        writer closes a file before it can be read.
    """
    size = check_file(path)
    if log_format.container == "parquet":
        shutil.copyfile(path, copy)
        return True
    with path.open("rb") as file:
        head = b""
        if size > most_bytes:
            head = _header(file.read(min(size, 1 << 16)), log_format)
            file.seek(size - most_bytes)
        text = file.read(most_bytes)
    if size > most_bytes:
        text = text[text.find(b"\n") + 1 :]
    end = text.rfind(b"\n")
    text = text[: end + 1] if end >= 0 else text
    if few_bytes is not None and log_format.container == "nmea":
        text = _thinned(text, few_bytes)
    copy.write_bytes(head + text)
    os.utime(copy)
    return size <= most_bytes


def _thinned(text: bytes, few_bytes: int) -> bytes:
    """Keep whole bursts of sentences, each of one time, evenly spread from the first to the last.

    A sentence without a time, like HDT, goes with the time before it.
    """
    usual = _burst(text, 0)
    if len(text) <= few_bytes or usual is None:
        return text
    length = usual[1] - usual[0]
    count, last = max(few_bytes // length, 2), len(text) - 3 * length
    kept, done = [], 0
    for number in range(count):
        burst = _burst(text, max(done, last * number // (count - 1)))
        if burst is None:
            break
        kept.append(text[slice(*burst)])
        done = burst[1]
    return b"".join(kept)


def _burst(text: bytes, begin: int) -> tuple[int, int] | None:
    """Find the first whole burst after a place: from where the time changes to where it changes again."""
    turns: list[int] = []
    for one, other in pairwise(_TIMED.finditer(text, begin)):
        if one[1] != other[1]:
            turns.append(other.start())
        if len(turns) == 2:
            return turns[0], turns[1]
    return None


def _header(start: bytes, log_format: LogFormat) -> bytes:
    """Rows up to and with the header: comments, and the first row that is none."""
    if log_format.container == "nmea" or not log_format.header:
        return b""
    kept = b""
    for line in start.splitlines(keepends=True):
        kept += line
        comment = log_format.comment
        if line.strip() and not (comment and line.lstrip().startswith(comment.encode())):
            break
    return kept


def copy_start(path: Path, copy: Path, log_format: LogFormat, most_bytes: int) -> None:
    """Copy at most so many bytes of a log's start, without a last row that is cut; Parquet is copied whole."""
    size = check_file(path)
    if log_format.container == "parquet":
        shutil.copyfile(path, copy)
        return
    with path.open("rb") as file:
        text = file.read(most_bytes)
    end = text.rfind(b"\n")
    copy.write_bytes(text if size <= most_bytes or end < 0 else text[: end + 1])
