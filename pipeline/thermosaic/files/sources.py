"""Inputs as ordinary files: opened read-only, bounded, digested before and after they are read.

Nothing here waits on a pipe or a device, follows a loop of links, or reads a whole file at once.
"""

from __future__ import annotations

import codecs
import difflib
import hashlib
import stat
from collections.abc import Iterator
from pathlib import Path

from ..errors import InputError
from ..model import Source
from .settings import printable

BLOCK_BYTES = 4 << 20
LARGEST_BYTES = 200 << 30
LONGEST_LINE = 1 << 18  # bytes
_PACKED = {
    b"\x1f\x8b": "gzip", b"PK\x03\x04": "a zip archive", b"BZh": "bzip2", b"\xfd7zXZ": "xz",
    b"(\xb5/\xfd": "zstd",
    b"SQLite format 3": "an SQLite database", b"%PDF": "a PDF", b"\xd0\xcf\x11\xe0": "an office document",
}  # fmt: skip
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def refuse(path: Path, message: str, line: int | None = None) -> InputError:
    """Make the error of a file: `name:line: message`."""
    place = path.name if line is None else f"{path.name}:{line}"
    return InputError(printable(f"{place}: {message}"))


def _alike(path: Path, error: Exception) -> str:
    """Ask whether a file of nearly this name in the same folder was meant, where the named one is not there."""
    if not isinstance(error, FileNotFoundError) or not path.parent.is_dir():
        return ""
    near = difflib.get_close_matches(path.name, sorted(item.name for item in path.parent.iterdir()), 1)
    return f'; did you mean "{near[0]}"?' if near else ""


def check_file(path: Path) -> int:
    """Return the size of an ordinary, readable, non-empty file; InputError for everything else."""
    try:
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):
            kind = "a folder" if stat.S_ISDIR(state.st_mode) else "not an ordinary file"
            raise refuse(path, f"is {kind}: a file is expected")
        with path.open("rb"):
            pass
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        reason = getattr(error, "strerror", None) or "not a path"
        raise refuse(path, f"cannot be read: {reason}{_alike(path, error)}") from None
    if state.st_size == 0:
        raise refuse(path, "is empty: no log was written, or the copy failed")
    if state.st_size > LARGEST_BYTES:
        raise refuse(path, f"has {state.st_size >> 30} GB: at most {LARGEST_BYTES >> 30} GB are read")
    return state.st_size


def sha256_of(path: Path) -> str:
    """Digest of a file, read in pieces."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_source(path: Path, role: str, folder: Path) -> Source:
    """Digest a file; its path is kept relative to the lot's folder where it lies in it."""
    size = check_file(path)
    name = path.relative_to(folder) if path.is_relative_to(folder) else Path(path.name)
    return Source(role=role, path=name.as_posix(), sha256=sha256_of(path), bytes=size)


def confirm_unchanged(path: Path, source: Source) -> None:
    """Digest a file again; InputError where it changed since `source` was made."""
    again = read_source(path, source.role, path.parent)
    if (again.sha256, again.bytes) != (source.sha256, source.bytes):
        raise refuse(path, "changed while it was read: close the logger, or run on a copy")


def text_blocks(path: Path, encoding: str = "utf-8", block_bytes: int = BLOCK_BYTES) -> Iterator[bytes]:
    """Yield a text file as UTF-8 blocks of whole lines ending in LF; the last line may lack one.

    A byte order mark is dropped; CRLF and CR become LF. InputError for packed or binary files, for
    UTF-16 where the format does not state it, and for lines over LONGEST_LINE bytes.
    """
    decoder = None if encoding == "utf-8" else codecs.getincrementaldecoder(encoding)()
    rest, line, first = b"", 1, True
    for raw in _raw_blocks(path, block_bytes):
        if first:
            _refuse_packed(path, raw, encoding)
        try:
            text = raw if decoder is None else decoder.decode(raw).encode()
        except UnicodeDecodeError:
            raise refuse(path, f"is not {encoding.upper()}: state its encoding in the format file") from None
        text = rest + (text.removeprefix(codecs.BOM_UTF8) if first else text)
        first = False
        cut = 1 + max(text.rfind(b"\n"), -1 if b"\n" in text else text.rfind(b"\r", 0, -1))
        block, rest = text[:cut], text[cut:]
        _refuse_binary(path, block or rest, line)
        if len(rest) > LONGEST_LINE:
            raise refuse(path, f"is longer than {LONGEST_LINE} bytes: not a table", line + block.count(b"\n"))
        if block:
            block = _lines(block)
            line += block.count(b"\n")
            yield block
    if rest:
        _refuse_binary(path, rest, line)
        yield _lines(rest)


def _raw_blocks(path: Path, block_bytes: int) -> Iterator[bytes]:
    with path.open("rb") as file:
        while raw := file.read(block_bytes):
            yield raw


def _lines(block: bytes) -> bytes:
    return block.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in block else block


def _refuse_packed(path: Path, start: bytes, encoding: str) -> None:
    for mark, name in _PACKED.items():
        if start.startswith(mark):
            raise refuse(path, f"is {name}, not a log: unpack or export it first")
    if start.startswith(b"PAR1"):
        raise refuse(path, 'is Parquet: choose a format with container = "parquet"')
    if start.startswith(_UTF16) and encoding != "utf-16":
        raise refuse(path, 'is UTF-16: save it as UTF-8, or state encoding = "utf-16" in the format file')


def _refuse_binary(path: Path, block: bytes, line: int) -> None:
    at = block.find(b"\0")
    if at >= 0:
        raise refuse(
            path, "holds a NUL byte: the file is binary or damaged", line + block.count(b"\n", 0, at)
        )


def sentence_blocks(path: Path, block_bytes: int = BLOCK_BYTES) -> Iterator[bytes | memoryview]:
    """Yield a sentence log as raw blocks that end with a line, or in the middle of one too long to be any.

    What follows the last line of a block is read again with the next one, which spares copies.
    """
    with path.open("rb", buffering=0) as file:
        first = True
        while raw := file.read(block_bytes):
            if first:
                _refuse_packed(path, raw, "utf-8")
                raw, first = raw.removeprefix(codecs.BOM_UTF8), False
            cut = 1 + max(raw.rfind(b"\n"), -1 if b"\n" in raw else raw.rfind(b"\r", 0, -1))
            if cut and 0 < len(raw) - cut <= LONGEST_LINE:
                file.seek(cut - len(raw), 1)
                yield memoryview(raw)[:cut]
            else:
                yield raw
