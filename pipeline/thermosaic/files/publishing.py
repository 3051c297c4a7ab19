"""Publish a folder whole or not at all: build beside it, fsync, one rename; never touch what is not ours.

Names beside RESULT: `.RESULT.partial` (being built), `.RESULT.lock` (held while a run works),
`RESULT.old` (the older result, only where a system cannot exchange two folders). A run that was killed
leaves RESULT absent or whole; the next run cleans up what it left.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import shutil
import socket
import sqlite3
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pyogrio.errors
import rasterio.errors

from ..errors import ConfigError, ProductError
from .manifest import MANIFEST, RUN, read_json

try:
    import fcntl
except ImportError:  # a system without POSIX locks: two runs at once are then not told apart
    fcntl = None  # type: ignore[assignment]

PROGRAM = "thermosaic"
SURROUNDINGS = {
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EFBIG,
    errno.EIO,
    errno.EACCES,
    errno.EPERM,
    errno.EROFS,
    errno.EMFILE,
    errno.ENAMETOOLONG,
    errno.ENFILE,
}
WRITERS = (
    sqlite3.OperationalError,
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    rasterio.errors.RasterioError,
)  # what the libraries raise where the disk refuses, without its number
AT_FDCWD, RENAME_EXCHANGE = -100, 2  # linux/fcntl.h, linux/fs.h


@contextmanager
def publication(result: Path, overwrite: bool, needed_bytes: int = 0) -> Iterator[Path]:
    """Give an empty folder to build in; on leaving without an error it becomes `result` with one rename.

    Raises
    ------
    ConfigError
        `result` exists and `overwrite` is not set.
    ProductError
        `result` is a file or link, holds foreign files, is being written by another run, or the
        surroundings refuse: space, permission, missing parent folder.
    """
    result = Path(os.path.abspath(result))
    parent = result.parent
    if not parent.is_dir():
        raise ProductError(f"{parent}: is no folder: make it first, the result is published inside it")
    _require_replaceable(result, overwrite)
    with surroundings(parent), locked(result):
        _recover(result)
        _require_replaceable(result, overwrite)
        _require_space(parent, needed_bytes)
        partial = _partial(result)
        partial.mkdir()
        try:
            yield partial
            sync_tree(partial)
            _publish(partial, result)
        finally:
            shutil.rmtree(partial, ignore_errors=True)


def _partial(result: Path) -> Path:
    return result.with_name(f".{result.name}.partial")


def _old(result: Path) -> Path:
    return result.with_name(f"{result.name}.old")


def _lock(result: Path) -> Path:
    return result.with_name(f".{result.name}.lock")


def accept(differences: list[str]) -> None:
    """Stop where a product does not read back as it was meant."""
    if differences:
        raise ProductError(
            "a product failed its own check; nothing was published: " + "; ".join(differences[:10])
        )


def foreign_files(result: Path) -> list[str]:
    """Relative names in a result folder that its manifest does not list; all names without one of ours."""
    try:
        manifest = read_json(result / MANIFEST)
        ours = {item["path"] for item in manifest["products"]} if manifest["program"] == PROGRAM else set()
    except (OSError, ValueError, KeyError, TypeError):
        ours = set()
    if ours:
        ours |= {MANIFEST, RUN}
    names = {
        path.relative_to(result).as_posix()
        for path in result.rglob("*")
        if path.is_symlink() or not path.is_dir()
    }
    return sorted(names - ours)


def _require_replaceable(result: Path, overwrite: bool) -> None:
    """Refuse a name that is taken: by something that is no result, or by a result without `overwrite`."""
    if result.is_symlink() or (result.exists() and not result.is_dir()):
        raise ProductError(f"{result}: is a file or a link, not a folder of results: choose another name")
    if not result.exists():
        return
    if not overwrite:
        raise ConfigError(f"{result}: exists already: choose another name, or replace it with --overwrite")
    foreign = foreign_files(result)
    if foreign:
        more = f" and {len(foreign) - 5} more" if len(foreign) > 5 else ""
        raise ProductError(
            f"{result}: holds files that this program did not write: {', '.join(foreign[:5])}{more}: "
            "close what has them open, move them away, or choose another name"
        )


def _require_space(parent: Path, needed_bytes: int) -> None:
    if shutil.disk_usage(parent).free < needed_bytes:
        raise ProductError(
            f"{parent}: about {needed_bytes / 1e6:,.0f} MB are needed and {_free(parent)}: make room or "
            "choose another folder"
        )


def _free(folder: Path) -> str:
    return f"{shutil.disk_usage(folder).free / 1e6:,.0f} MB are free"


@contextmanager
def surroundings(parent: Path) -> Iterator[None]:
    """Say what the disk refused and where, instead of showing a system error."""
    try:
        yield
    except WRITERS as error:
        said, building = str(error).rsplit(" failed: ", 1)[-1][:200], Path(tempfile.gettempdir())
        raise ProductError(
            f"{parent}: a file could not be written: {said} ({_free(parent)} there, {_free(building)} in "
            f"{building}): make room, or check permission and quota"
        ) from error
    except OSError as error:
        if error.errno not in SURROUNDINGS:
            raise
        raise ProductError(
            f"{parent}: {os.strerror(error.errno)} ({_free(parent)}): make room there, or check permission "
            "and quota"
        ) from error


@contextmanager
def locked(result: Path) -> Iterator[Path]:
    """Hold the lock beside `result` and give it; the system lets go of it when a process dies: none is ever stale."""
    path = _lock(result)
    handle = _take_lock(path, result)
    try:
        os.ftruncate(handle, 0)
        since = datetime.now(UTC).isoformat(timespec="seconds")
        os.write(
            handle, json.dumps({"pid": os.getpid(), "host": socket.gethostname(), "since": since}).encode()
        )
        yield path
    finally:
        path.unlink(missing_ok=True)
        os.close(handle)


def _take_lock(path: Path, result: Path) -> int:
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            if fcntl is not None:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if path.exists() and os.path.samestat(os.fstat(handle), path.stat()):
                return handle
        except BlockingIOError:
            holder = _holder(handle)
            os.close(handle)
            raise ProductError(
                f"{result}: locked by {holder}: wait until that run is done, or stop it"
            ) from None
        except FileNotFoundError:
            pass  # the holder removed its lock in between: take a fresh one
        os.close(handle)


def _holder(handle: int) -> str:
    try:
        holder = json.loads(os.pread(handle, 1000, 0))
        return f"process {holder['pid']} on {holder['host']} since {holder['since']}"
    except (ValueError, KeyError, TypeError):
        return "another run"


def _recover(result: Path) -> None:
    """Clean up after a run that was killed: bring back the older result, remove what was being built."""
    old, partial = _old(result), _partial(result)
    if partial.is_dir():
        shutil.rmtree(partial)
    if old.is_dir() and (old / MANIFEST).is_file() and not foreign_files(old):
        os.rename(old, partial if result.exists() else result)
        shutil.rmtree(partial, ignore_errors=True)


def clear_away(result: Path) -> None:
    """Clean up what a killed run left beside `result`, at once; nothing while another run holds its lock."""
    if _partial(result).exists() or _old(result).exists() or _lock(result).exists():
        with contextlib.suppress(ProductError), locked(result):
            _recover(result)


@contextmanager
def replacements(folder: Path) -> Iterator[Path]:
    """Give an empty folder to write files in; on leaving without an error each gets its name in `folder`."""
    partial = folder / ".partial"
    with surroundings(folder):
        shutil.rmtree(partial, ignore_errors=True)
        partial.mkdir()
        try:
            yield partial
            sync_tree(partial)
            for path in sorted(partial.iterdir()):
                os.replace(path, folder / path.name)
            _sync(folder)
        finally:
            shutil.rmtree(partial, ignore_errors=True)


def sync_tree(folder: Path) -> None:
    """Bring every file and folder in `folder`, and itself, to the disk."""
    paths = sorted(folder.rglob("*"), reverse=True)
    with ThreadPoolExecutor(8) as pool:  # many at once let the file system commit them together
        list(pool.map(_sync, [path for path in paths if path.is_file()]))
    for path in [*(path for path in paths if path.is_dir()), folder]:
        _sync(path)


def _sync(path: Path) -> None:
    if path.is_dir() and os.name == "nt":
        return  # a folder cannot be opened there
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Bring a folder's list of names to the disk."""
    _sync(folder)


def _publish(partial: Path, result: Path) -> None:
    """Give the built folder its name: by a rename, or by exchange with the older result."""
    if not result.exists():
        os.rename(partial, result)
    elif not exchange(partial, result):
        _replace_by_two_renames(partial, result)
    _sync(result.parent)


def _replace_by_two_renames(partial: Path, result: Path) -> None:
    """The older result waits as RESULT.old until the new one has its name; a later run may bring it back."""
    old = _old(result)
    if old.exists():
        raise ProductError(f"{old}: is in the way of replacing {result.name}: move it elsewhere")
    os.rename(result, old)
    os.rename(partial, result)
    os.rename(old, partial)  # under this name it is removed by us, or by the next run


def exchange(first: Path, second: Path) -> bool:
    """Exchange two folders in one step (Linux renameat2); False where system or file system cannot."""
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) if os.name == "posix" else None
    if rename is None:
        return False
    done = rename(AT_FDCWD, os.fsencode(first), AT_FDCWD, os.fsencode(second), RENAME_EXCHANGE)
    if done == 0:
        return True
    if ctypes.get_errno() in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
        return False
    raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()), str(second))
