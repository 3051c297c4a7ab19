"""Recognise the logs in a folder by what stands in them, so that opening a lot can propose them.

A proposal only: nothing is read beyond headers, and nothing is taken that a person does not confirm.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ...config import SIDE_FILES, LogFormat
from ...errors import ThermosaicError
from ..catalogue import load_format, shipped_names
from ..sources import check_file
from .rows import read_layout

LINES = (".geojson", ".gpkg", ".xml", ".dxf", ".shp")  # kinds of file that hold alignments
MOST_FILES = 200
START_BYTES = 4096


def recognise_logs(folder: Path) -> dict[str, str]:
    """Propose `files.scan`, `formats.scan`, .. for a folder: key text to file name or format name.

    Of several files that could be one log the first by name is proposed.
    """
    formats = [load_format(name) for name in shipped_names("formats")]
    found: dict[str, str] = {}
    paths = sorted(path for path in folder.iterdir() if path.is_file()) if folder.is_dir() else []
    for path in paths[:MOST_FILES]:
        for role, log_format in _roles(path, formats):
            if f"files.{role}" in found:
                continue
            found[f"files.{role}"] = path.name
            if log_format:
                found[f"formats.{role}"] = log_format
            break
    return found


def fitting_formats(path: Path, kind: str) -> tuple[str, ...]:
    """Names of the shipped formats of one kind whose columns a table has."""
    formats = (load_format(name) for name in shipped_names("formats"))
    return tuple(item.id for item in formats if item.kind == kind and _has_layout(path, item))


def _roles(path: Path, formats: list[LogFormat]) -> Iterator[tuple[str, str]]:
    """What a file could be: role and format name; scans before the tables that resemble them."""
    if path.suffix.lower() in LINES:
        yield "alignment", ""
    elif _is_sentences(path):
        yield from (("fixes", item.id) for item in formats if item.container == "nmea")
    else:
        order = ("scan", "fixes", "wheel", *SIDE_FILES)
        known = (item for item in formats if item.kind in order)
        for item in sorted(known, key=lambda item: order.index(item.kind)):
            if item.container != "nmea" and _has_layout(path, item):
                yield item.kind, item.id


def _is_sentences(path: Path) -> bool:
    try:
        check_file(path)
        with path.open("rb") as file:
            lines = file.read(START_BYTES).splitlines()
    except (ThermosaicError, OSError):
        return False
    return sum(line.startswith((b"$G", b"$P")) for line in lines) > len(lines) / 2


def _has_layout(path: Path, log_format: LogFormat) -> bool:
    try:
        layout = read_layout(path, log_format)
    except (ThermosaicError, OSError, ValueError):
        return False
    return len(layout.spots) >= 2 if log_format.kind == "scan" else True
