"""Inputs as files: what is no ordinary file is refused at once, what changes while read is noticed."""

from __future__ import annotations

import hashlib
import os
import time
from pathlib import Path

import pytest

from thermosaic.errors import InputError
from thermosaic.files import sources
from thermosaic.files.catalogue import load_format
from thermosaic.files.logs import reading as logs


def unusual(folder: Path) -> dict[str, tuple[Path, str]]:
    """Make things that are no log: path and the words of their refusal."""
    (folder / "empty").touch()
    os.mkfifo(folder / "pipe")
    (folder / "loop_a").symlink_to(folder / "loop_b")
    (folder / "loop_b").symlink_to(folder / "loop_a")
    (folder / "dangling").symlink_to(folder / "nowhere")
    return {
        "missing": (folder / "missing.csv", "cannot be read: No such file"),
        "folder": (folder, "is a folder"),
        "pipe": (folder / "pipe", "not an ordinary file"),
        "device": (Path("/dev/zero"), "not an ordinary file"),
        "loop of links": (folder / "loop_a", "cannot be read: Too many levels"),
        "dangling link": (folder / "dangling", "cannot be read: No such file"),
        "empty": (folder / "empty", "is empty"),
        "NUL in its name": (folder / "a\0b", "cannot be read"),
    }


READERS = {
    "scan": lambda path: logs.read_scan((path,), load_format("wide-csv")),
    "fixes": lambda path: logs.read_fixes((path,), load_format("nmea-0183"), "EPSG:6318"),
    "wheel": lambda path: logs.read_wheel((path,), load_format("wheel-csv"), None),
}
KINDS = ("missing", "folder", "pipe", "device", "loop of links", "dangling link", "empty", "NUL in its name")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("reader", READERS)
def test_what_is_no_ordinary_file_is_refused_at_once(tmp_path: Path, kind: str, reader: str) -> None:
    """Every reader names the file and returns within a second; nothing hangs on a pipe or a device."""
    path, words = unusual(tmp_path)[kind]
    started = time.monotonic()
    with pytest.raises(InputError) as caught:
        READERS[reader](path)
    assert words in str(caught.value)
    assert path.name.split("\0")[0] in str(caught.value)
    assert time.monotonic() - started < 1


def test_a_misspelt_file_is_asked_for(tmp_path: Path) -> None:
    """A name that is not there names the nearest file of the folder, as an unknown key names the nearest key."""
    (tmp_path / "scan.csv").write_text("time_utc,t_01\n")
    with pytest.raises(
        InputError, match=r'scans\.csv: cannot be read: No such file .*did you mean "scan\.csv"'
    ):
        logs.read_scan((tmp_path / "scans.csv",), load_format("wide-csv"))


def test_a_header_alone_is_no_log(tmp_path: Path) -> None:
    """A scan log of a header and nothing else is told so, not as a count of unusable rows."""
    (tmp_path / "scan.csv").write_text("time_utc,wheel_m,t_01,t_02\n")
    with pytest.raises(InputError, match=r"scan\.csv: holds no usable row, only a header"):
        logs.read_scan((tmp_path / "scan.csv",), load_format("wide-csv"))


def test_the_digest_is_that_of_the_bytes(tmp_path: Path) -> None:
    """SHA-256 and size as hashlib gives them; the path is relative to the lot, by name from elsewhere."""
    path = tmp_path / "logs" / "scan.csv"
    path.parent.mkdir()
    path.write_bytes(b"time_utc\n" * 1000)
    source = sources.read_source(path, "scan", tmp_path)
    assert source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (source.path, source.bytes) == ("logs/scan.csv", 9000)
    assert sources.read_source(path, "scan", Path("/elsewhere")).path == "scan.csv"


def test_a_file_that_changes_is_noticed(tmp_path: Path) -> None:
    """One byte more or another byte: the second digest differs and the run stops."""
    path = tmp_path / "scan.csv"
    path.write_bytes(b"a" * 100)
    source = sources.read_source(path, "scan", tmp_path)
    sources.confirm_unchanged(path, source)
    for content in (b"a" * 101, b"a" * 99 + b"b"):
        path.write_bytes(content)
        with pytest.raises(InputError, match=r"scan\.csv: changed while it was read"):
            sources.confirm_unchanged(path, source)


@pytest.mark.parametrize("size", [7, 64, 1000])
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_blocks_put_together_are_the_text(tmp_path: Path, size: int, end: bytes) -> None:
    """Whatever the block and the line end, the lines come out once each and whole."""
    lines = [b"x" * (k % 11) for k in range(200)]
    path = tmp_path / "text.csv"
    path.write_bytes(end.join(lines))
    assert b"".join(sources.text_blocks(path, "utf-8", size)).split(b"\n") == lines
    assert b"".join(sources.sentence_blocks(path, size)) == path.read_bytes()


def test_a_file_of_read_only_bytes_stays_as_it_is(tmp_path: Path) -> None:
    """Reading changes neither bytes nor times of modification, and leaves nothing beside the file."""
    path = tmp_path / "scan.csv"
    path.write_text(
        "time_utc,wheel_m,t_1,t_2\n2026-05-14T13:00:00Z,0,140,141\n2026-05-14T13:00:01Z,0.1,140,141\n"
    )
    path.chmod(0o444)
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    logs.read_scan((path,), load_format("wide-csv"))
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert [item.name for item in tmp_path.iterdir()] == ["scan.csv"]
