"""An archive's own folder: what says that it is one, and one writer at a time.

Whoever writes holds the lock, builds in `.adding`, and finds it empty; what a kill left there is cleared away
first, and what it may have left behind is settled. Not done here: bags, catalogue and index.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

from ...errors import ConfigError, ProductError
from ..manifest import read_json
from ..publishing import locked, surroundings

LOTS, INDEX, WORK, LOCK = "lots", "index", ".adding", ".index.lock"
UNFINISHED = "unfinished"  # in the folder of work from the moment on when the index is behind
MARKER, README = "archive.json", "README.txt"
MARKED = {"program": "thermosaic", "holds": "archive of lots", "layout": 1}
README_TEXT = """Thermal profiles of asphalt mats, lot by lot.

lots/LOT/rN           revision N of a lot: a BagIt 1.0 bag (RFC 8493). The highest N is the newest.
  data/result         what was published: lot.gpkg, report.html, tiles, spots.parquet, ..
  data/lot            the raw logs and lot.toml, where they were given
lots/LOT/notes.csv    what people noted later
index/lots.gpkg       outlines of all lots, for any GIS: good to metres, for finding a lot
index/collection.json the same as a STAC catalogue

To check a bag without any program of ours:
  cd lots/LOT/rN && sha256sum -c manifest-sha256.txt
All files are read-only: copy one before you work with it.
"""


@contextlib.contextmanager
def writing(top: Path, settle: Callable[[Path, Path], None], create: bool = False) -> Iterator[Path]:
    """Hold the archive's lock, clear away what a kill left, and give an empty folder to build in."""
    if create and not top.exists() and top.parent.is_dir():
        with surroundings(top.parent):
            top.mkdir(exist_ok=True)
    require_archive(top, create)
    work = top / WORK
    with surroundings(top), locked(top / INDEX):
        interrupted = work.exists()
        remove(work)
        work.mkdir()
        try:
            if create:
                _mark(top, work)
            if interrupted:
                (work / UNFINISHED).touch()
                settle(top, work)
                (work / UNFINISHED).unlink()
            yield work
            (work / UNFINISHED).unlink(missing_ok=True)
        finally:
            if not (work / UNFINISHED).exists():
                remove(work)


def require_archive(top: Path, create: bool = False) -> None:
    """Refuse what is no archive; an empty folder, or one whose first `add` was killed, may become one."""
    if top.is_symlink() or not top.is_dir():
        advice = "name the archive, or make the folder above it first" if create else "name the archive"
        raise ConfigError(f"{top}: is no folder: {advice}")
    if (top / MARKER).is_file():
        try:
            marked = read_json(top / MARKER)
        except (OSError, ValueError) as error:
            raise ProductError(f"{top / MARKER}: cannot be read: {error}") from error
        if marked != MARKED:
            raise ProductError(
                f"{top / MARKER}: is of another version or program: take the program that made it"
            )
        return
    foreign = sorted(path.name for path in top.iterdir() if path.name not in (WORK, LOCK, README))
    if foreign or not create:
        what = f"holds files of something else: {', '.join(foreign[:5])}" if foreign else "is empty"
        raise ProductError(
            f"{top}: is no archive: {what}: name the folder that `archive add` made, or a new one"
        )


def _mark(top: Path, work: Path) -> None:
    """Say what the folder is; the marker comes last."""
    for name, text in ((README, README_TEXT), (MARKER, json.dumps(MARKED, indent=2) + "\n")):
        if not (top / name).is_file():
            write(work / name, text)
            os.replace(work / name, top / name)


def write(path: Path, text: str) -> None:
    """Write a read-only file and bring it to the disk."""
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.chmod(path, 0o444)


def remove(folder: Path) -> None:
    """Remove a folder of ours, its read-only parts too."""
    for path, _, _ in os.walk(folder):
        os.chmod(path, 0o755)
    shutil.rmtree(folder, ignore_errors=True)
