"""A copy of a result without the names of persons: keys of [lot.agency] that name them, and free texts.

They stand in lot.gpkg (`lot_info`; the texts of diary and control points, and with them the reasons of stops), in
the configuration that manifest.json keeps, and in the report, which is made anew. The copy links to what has no
names. Not done here: raw logs, reasons of exclusions, notes of changes, rows of side files that a doubt quotes.
"""

from __future__ import annotations

import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from . import geopackage, manifest
from .csv_tables import FOLDER as TABLES
from .geopackage import PACKAGE
from .report import CARD, PAGE, PLACES, make_report

WORDS = (
    "crew", "operator", "inspector", "foreman", "superintendent", "technician", "engineer", "driver", "person",
    "contact", "phone", "email", "by",
)  # fmt: skip  # parts of keys that name persons: common practice, no source
NOTES = ("note", "reason")  # free texts of [lot]
SITE_TEXTS = {
    "diary": "entry_text",
    "control": "entry_text",
}  # a layer's free text; a stop keeps the diary's kind
LEFT_OUT = "left out: it may name persons"


def _person_keys(agency: dict[str, Any], stated: tuple[str, ...]) -> list[str]:
    """Keys of [lot.agency] that name persons: those stated, and those made of a word that usually does.

    >>> _person_keys({"contract": "1", "roller_operator": "A", "checked_by": "B", "baseline": "C"}, ())
    ['checked_by', 'roller_operator']
    """
    return sorted(
        key for key in agency if key in stated or set(re.split(r"[^a-z]+", key.lower())) & set(WORDS)
    )


def copy_without_names(result: Path, folder: Path, stated: tuple[str, ...]) -> tuple[list[str], list[str]]:
    """Make a copy of `result` in the new folder `folder`.

    Returns
    -------
    list of str
        The keys that were left out.
    list of str
        What is wrong with the report made anew, nothing if all is well.
    """
    copy_linked(result, folder)
    listed = manifest.read_json(result / manifest.MANIFEST)
    lot = listed["configuration"]["lot"]
    keys = _person_keys(lot["agency"], stated)
    notes = [name for name in NOTES if lot.get(name)]
    lot["agency"] = {key: value for key, value in lot["agency"].items() if key not in keys}
    lot |= dict.fromkeys(notes)
    listed["configuration_text"] = LEFT_OUT
    texts = [
        f"{layer}.{column}"
        for layer, column in SITE_TEXTS.items()
        if geopackage.read_layer(result / PACKAGE, layer)[column].notna().any()
    ]
    left_out = [*(f"lot.agency.{key}" for key in keys), *(f"lot.{name}" for name in notes), *texts]
    _forget(result / PACKAGE, folder / PACKAGE, left_out)
    _write(folder / manifest.MANIFEST, listed)
    differences = make_report(folder, folder)[1]
    for item in listed["products"]:
        path = folder / item["path"]
        if path.is_file():
            item |= {"sha256": manifest.sha256_of(path), "bytes": path.stat().st_size}
    _write(folder / manifest.MANIFEST, listed)
    return left_out, differences


def copy_linked(result: Path, folder: Path) -> None:
    """Make a folder whose files are links to a result's; what a report writes is no link."""
    shutil.copytree(result, folder, copy_function=_link)
    made = [folder / name for name in (PAGE, CARD, PLACES)] + sorted((folder / TABLES).glob("*"))
    for path in made:
        path.unlink(missing_ok=True)


def _link(source: str, target: str) -> None:
    Path(target).symlink_to(Path(source).resolve())


def _write(path: Path, content: dict[str, Any]) -> None:
    path.unlink()
    manifest.write_json(path, content)


def _forget(source: Path, target: Path, names: list[str]) -> None:
    """Delete rows of lot_info and the free texts of the site, and their bytes with them."""
    target.unlink()
    shutil.copyfile(source, target)
    with closing(sqlite3.connect(target)) as base:
        # triggers of the spatial index name these functions; no geometry changes
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            base.create_function(name, 1, _not_asked)
        base.executemany("DELETE FROM lot_info WHERE key = ?", [(name,) for name in names])
        for layer, column in SITE_TEXTS.items():
            base.execute(f"UPDATE {layer} SET {column} = NULL")
        base.execute(
            "UPDATE stops SET reason = (SELECT group_concat(kind, '; ') FROM diary"
            " WHERE diary.stop_id = stops.stop_id AND diary.pass_id = stops.pass_id)"
        )
        base.commit()
        base.execute("VACUUM")


def _not_asked(_: bytes) -> float:
    raise RuntimeError("a geometry was to be changed")


def check_without_names(folder: Path, left_out: list[str]) -> list[str]:
    """Look again for what was left out; return where it still stands."""
    info = geopackage.read_table(folder / PACKAGE, "lot_info")
    found = [f"{PACKAGE}: lot_info still holds {key}" for key in info["key"] if key in left_out]
    for layer, column in SITE_TEXTS.items():
        if geopackage.read_layer(folder / PACKAGE, layer)[column].notna().any():
            found.append(f"{PACKAGE}: {layer} still holds {column}")
    kept = manifest.read_json(folder / manifest.MANIFEST)["configuration"]["lot"]
    stated = {f"lot.agency.{key}" for key in kept["agency"]}
    stated |= {f"lot.{name}" for name in NOTES if kept.get(name)}
    return found + [f"{manifest.MANIFEST}: still holds {key}" for key in left_out if key in stated]
