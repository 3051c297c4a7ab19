"""Copy the end of a log that is still being written: whole rows only, with the header where it has one."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from ..config import LogFormat
from .sources import check_file


def copy_end(path: Path, copy: Path, log_format: LogFormat, most_bytes: int) -> bool:
    """Copy at most so many bytes of a log's end, without a first or last row that is cut.

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
    copy.write_bytes(head + (text[: end + 1] if end >= 0 else text))
    os.utime(copy)
    return size <= most_bytes


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
