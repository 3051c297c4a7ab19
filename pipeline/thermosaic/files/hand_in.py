"""A hand-in: what an agency's list asks of a lot, under its names, in one ZIP with checksums and a cover page.

Everything comes from a published result, but the raw logs, which come from the lot folder and must be those
that the result was made from. Same content, same bytes. Not done here: the agency's list (`config.HandIn`).
"""

from __future__ import annotations

import csv
import hashlib
import os
import textwrap
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from ..config import AgencyPattern, HandedIn, HandIn
from ..delivery import deliver, delivered_name
from ..errors import MismatchError, ProductError
from ..tables import LAYER
from . import cog, csv_tables, exports, geopackage, kml, line_table, manifest, pdf
from .dressing import lane_words, paved_lanes
from .facts import CAUTIONS
from .geopackage import PACKAGE
from .parquet import SPOTS_FILE
from .persons import SITE_TEXTS
from .report import CARD, PAGE, PLACES
from .sheets.lot_sheet import to_si
from .zips import write_zip

COVER, CHECKSUMS = "cover.txt", "checksums.sha256"
WIDTH = 96  # letters a line of the cover page
UNITS = {"us": "feet, degF, ft/min", "si": "metres, degC, m/s"}
ONE_FILE = {
    "page": PAGE, "card": CARD, "waypoints": PLACES, "layers": PACKAGE, "spots": SPOTS_FILE,
    "quality": manifest.QUALITY, "manifest": manifest.MANIFEST,
}  # fmt: skip


class MissingError(Exception):
    """What the list asks for is not there; the text says why, and what to do."""


@dataclass(frozen=True, eq=False)
class Source:
    """Where a hand-in is made from: a result (or its copy without names), a place for new files, the lot folder.

    `listed` is the result's manifest with `paved_on`; `units` are those of the list, for tables.
    """

    folder: Path
    working: Path
    listed: dict[str, Any]
    units: str
    stamp: str
    lot: Path | None = None
    left_out: tuple[str, ...] | None = None  # keys; None where names stay


@dataclass(frozen=True, eq=False)
class HandedOver:
    """What stands in a hand-in and what its list asks for in vain."""

    entries: dict[str, Path] = field(default_factory=dict)
    present: list[tuple[str, HandedIn, list[str]]] = field(default_factory=list)
    missing: list[tuple[str, HandedIn, str]] = field(default_factory=list)


def collect(source: Source, plan: HandIn) -> HandedOver:
    """Find or make everything that the list asks for.

    Raises
    ------
    MismatchError
        A raw log is not the one that the result was made from.
    ProductError
        Two things of the list have one name.
    """
    done = HandedOver()
    for word, item in plan.files.items():
        try:
            found = _FIND[item.what](source, item)
        except MissingError as error:
            done.missing.append((word, item, str(error)))
            continue
        names = {_named(item.name, source.listed, file): path for file, path in found.items()}
        twice = sorted(set(names) & {*done.entries, COVER, CHECKSUMS})
        if twice:
            raise ProductError(
                f"{twice[0]}: two things of the agency's list have this name: change one there"
            )
        done.entries.update(names)
        done.present.append((word, item, sorted(names)))
    return done


def _named(name: str, listed: dict[str, Any], file: str) -> str:
    """Fill the parts of a name; what no file name takes is left out of them."""
    lot = listed["configuration"]["lot"]
    parts = {key: str(lot[key]) for key in ("route", "lane", "lift")}
    parts |= {"lot_id": listed["lot_id"], "revision": str(listed["revision"]), "paved_on": listed["paved_on"]}
    clean = {key: "".join(c for c in text if c.isalnum() or c in "._-") for key, text in parts.items()}
    return name.format(**clean, file=file)


# ------------------------------------------------------------------------------------- finding and making


def _one_file(source: Source, item: HandedIn) -> dict[str, Path]:
    return _there(source, ONE_FILE[item.what])


def _there(source: Source, name: str) -> dict[str, Path]:
    if not (source.folder / name).is_file():
        raise MissingError(f"{name} is not in the result")
    return {name: source.folder / name}


def _printed(source: Source, item: HandedIn) -> dict[str, Path]:
    """Print the page, its date that of the lot."""
    page = source.working / PAGE
    page.write_bytes(_there(source, PAGE)[PAGE].read_bytes())
    try:
        path = pdf.write_pdf(page)
    except ProductError:
        raise MissingError(
            "nothing that prints a page is installed: install Chromium or WeasyPrint, or print the page from "
            "any browser"
        ) from None
    pdf.set_date(path, source.stamp)
    return {path.name: path}


def _kml(source: Source, item: HandedIn) -> dict[str, Path]:
    path = source.working / exports.KML
    kml.write_kml(path, source.folder / PACKAGE)
    return {path.name: path}


def _flatgeobuf(source: Source, item: HandedIn) -> dict[str, Path]:
    paths = exports.write_also(source.folder / PACKAGE, source.working, ("fgb",))
    return {path.name: path for path in paths}


def _mosaic(source: Source, item: HandedIn) -> dict[str, Path]:
    """The mosaic and its tiles keep their places to each other, since the mosaic names them."""
    wanted = [source.folder / cog.MOSAIC, (source.folder / cog.MOSAIC).with_suffix(".qml")]
    wanted += sorted((source.folder / cog.TILE_FOLDER).glob("*"))
    found = {path.relative_to(source.folder).as_posix(): path for path in wanted if path.is_file()}
    if cog.MOSAIC not in found:
        raise MissingError("the lot has no tile")
    return found


def _mat(source: Source, item: HandedIn) -> dict[str, Path]:
    return {**_there(source, cog.MAT), **_there(source, Path(cog.MAT).with_suffix(".qml").name)}


def _table(source: Source, item: HandedIn) -> dict[str, Path]:
    """A layer as CSV in the list's units, with the agency's columns in its order; without any, all of ours."""
    frame = geopackage.read_layer(source.folder / PACKAGE, str(item.layer))
    ours = [column.name for column in LAYER[str(item.layer)].columns]
    columns = item.columns or {delivered_name(name, source.units): name for name in ours}
    cells = [_cells(source, frame, name) for name in columns.values()]
    path = source.working / f"{item.layer}_{len(list(source.working.iterdir()))}.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([list(columns), *zip(*cells, strict=True)])
    return {path.name: path}


def _cells(source: Source, frame: pd.DataFrame, name: str) -> list[str]:
    """Values of one column, SI name, from the units of the delivery to those of the list."""
    units, foot_m = source.listed["delivery"]["units"], float(source.listed["delivery"]["foot_m"])
    values = frame[delivered_name(name, units)]
    if units != source.units:
        values = deliver(to_si(values, name, units, foot_m), name, source.units, foot_m)
    return [csv_tables.cell(value, delivered_name(name, source.units)) for value in values]


def _line_table(source: Source, item: HandedIn) -> dict[str, Path]:
    path = source.working / f"lines_{len(list(source.working.iterdir()))}.csv"
    line_table.write_lines(
        path, source.folder / SPOTS_FILE, source.listed, source.units, item.columns, item.readings
    )
    return {path.name: path}


def _raw_logs(source: Source, item: HandedIn) -> dict[str, Path]:
    """The files that the result was made from, byte for byte."""
    if source.lot is None:
        raise MissingError("the lot folder was not named: give it with --lot")
    found = {}
    for entry in source.listed["inputs"]:
        if source.left_out is not None and entry["role"] in SITE_TEXTS:
            continue  # free text
        path = source.lot / entry["path"]
        if not path.is_file():
            raise MismatchError(
                f"{path}: is missing: the result was made from it; name the lot folder of the result"
            )
        if manifest.sha256_of(path) != entry["sha256"]:
            raise MismatchError(
                f"{path}: is not the file that the result was made from (SHA-256 differs): name the lot folder as it "
                "was, or run the lot again"
            )
        found[entry["path"]] = path
    return found


def _lot_file(source: Source, item: HandedIn) -> dict[str, Path]:
    if source.left_out is not None:
        raise MissingError("left out with the names of persons: it is free text")
    if source.lot is None or not (source.lot / "lot.toml").is_file():
        raise MissingError("the lot folder was not named: give it with --lot")
    return {"lot.toml": source.lot / "lot.toml"}


_FIND: dict[str, Callable[[Source, HandedIn], dict[str, Path]]] = {
    **dict.fromkeys(ONE_FILE, _one_file),
    "pdf": _printed, "kml": _kml, "flatgeobuf": _flatgeobuf, "mosaic": _mosaic, "mat": _mat, "table": _table,
    "lines": _line_table, "raw_logs": _raw_logs, "lot_file": _lot_file,
}  # fmt: skip


# ------------------------------------------------------------------------------------------ cover and ZIP


def cover_text(source: Source, agency: AgencyPattern, done: HandedOver, problems: list[str]) -> str:
    """Write the cover page: what is here, what is missing from the list, how to check, cautions."""
    listed = source.listed
    stated, units = listed["configuration"], listed["delivery"]["units"]
    lot = stated["lot"]
    lanes = lane_words(paved_lanes(lot["lane"], (item["lane"] for item in stated["passes"])))
    lines = [
        f"Hand-in of lot {listed['lot_id']}, revision {listed['revision']}",
        f"for {agency.title}",
        "",
        f"{lot['route']}, {lanes}, lift {lot['lift']}, paved on {listed['paved_on']} (local date)",
        f"Rule: {stated['rules']['id']}, {stated['rules']['title']}",
        f"Map: {listed['crs']['map']['name']}",
        f"Made by thermosaic {listed['version']}. No conformity with a standard is claimed.",
        "",
        "MISSING FROM THE LIST",
        *_missing(done, problems),
        "",
        "UNITS",
        f"  tables: {UNITS[source.units]}; page, layers and rasters: {UNITS[units]}",
    ]
    lines += ["", "HERE"]
    for word, item, names in done.present:
        shown = names if len(names) < 4 else [names[0], f".. {len(names)} files"]
        lines += [f"  {word}: {item.meaning}", *(f"      {name}" for name in shown)]
    lines += ["", "NAMES OF PERSONS", f"  {_names_words(source.left_out)}", "", "CHECK"]
    lines += [f"  sha256sum -c {CHECKSUMS}      (every file but these two)", "", "CAUTIONS"]
    lines += [f"  {text}" for text in CAUTIONS]
    return "\n".join(_folded(line) for line in lines) + "\n"


def _folded(line: str) -> str:
    """Break a long line between words, what follows further in."""
    inset = " " * (len(line) - len(line.lstrip()) + 4)
    return textwrap.fill(line, WIDTH, subsequent_indent=inset, break_long_words=False, break_on_hyphens=False)


def _missing(done: HandedOver, problems: list[str]) -> list[str]:
    """What the list asks for and is not here, the required first; what the agency asks of the lot file."""
    required = [f"  {word}: {item.meaning}: {why}" for word, item, why in done.missing if item.required]
    optional = [
        f"  {word} (not required): {item.meaning}: {why}"
        for word, item, why in done.missing
        if not item.required
    ]
    asked = [f"  lot.toml: {text}" for text in problems]
    return [*required, *asked, *optional] or ["  nothing"]


def _names_words(left_out: tuple[str, ...] | None) -> str:
    if left_out is None:
        return "as the lot file states them: leave them out with --without-names"
    return f"left out: {', '.join(left_out) or 'the lot file states none'}; raw logs are as they were"


def write_hand_in(path: Path, done: HandedOver, cover: str, stamp: str) -> None:
    """Write the ZIP beside its place and give it its name when it is whole."""
    digests = {name: manifest.sha256_of(file) for name, file in sorted(done.entries.items())}
    sums = "".join(f"{digest}  {name}\n" for name, digest in digests.items())
    entries = {COVER: cover, CHECKSUMS: sums, **dict(sorted(done.entries.items()))}
    partial = path.with_name(f".{path.name}.partial")
    try:
        write_zip(partial, entries, stamp)
        differences = check_hand_in(partial, set(done.entries))
        if differences:
            raise ProductError(f"{path}: failed its own check: {'; '.join(differences[:5])}")
        os.replace(partial, path)
    except OSError as error:
        raise ProductError(
            f"{path}: {error.strerror or error}: make room there, or check permission"
        ) from error
    finally:
        partial.unlink(missing_ok=True)


def check_hand_in(path: Path, names: set[str] | None = None) -> list[str]:
    """Read a hand-in back: every file has the digest that the checksums state; return what differs."""
    try:
        with zipfile.ZipFile(path) as archive:
            inside = [name for name in archive.namelist() if name not in (COVER, CHECKSUMS)]
            lines = archive.read(CHECKSUMS).decode().splitlines()
            stated = {name: digest for digest, name in (line.split("  ", 1) for line in lines)}
            have = {name: hashlib.sha256(archive.read(name)).hexdigest() for name in inside}
    except (OSError, KeyError, ValueError, zipfile.BadZipFile) as error:
        return [f"{path.name}: cannot be read: {error}"]
    found = [f"{name}: differs from its checksum" for name in inside if have[name] != stated.get(name)]
    missing = sorted((set(stated) | (names or set())) - set(inside))
    return found + [f"{name}: is missing" for name in missing]
