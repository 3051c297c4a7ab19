"""Review a published folder by its own manifest: every file's digest, what is missing or foreign, its tables.

Whatever the command that wrote it. The checkers of single products stand beside their writers.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import pyproj

from ..tables import Table
from . import csv_tables, geopackage
from .manifest import MANIFEST
from .publishing import foreign_files
from .sources import sha256_of

Check = Callable[[Path, dict[str, Any]], list[str]]  # folder, manifest -> differences
PNG = b"\x89PNG\r\n\x1a\n"  # W3C Portable Network Graphics, 5.2


def review_folder(folder: Path, listed: dict[str, Any], check: Check) -> list[str]:
    """Hash every file that the manifest lists, name foreign ones, and run `check`; return every difference."""
    try:
        products = [(item["path"], item["bytes"], item["sha256"]) for item in listed["products"]]
        found = [text for product in products for text in _check_bytes(folder, *product)]
        found += [f"{name}: is not listed in {MANIFEST}" for name in foreign_files(folder)]
        return found + check(folder, listed)
    except (KeyError, TypeError, pyproj.exceptions.CRSError) as error:
        return [f"{MANIFEST}: cannot be read: {error}"]


def _check_bytes(folder: Path, name: str, size: int, digest: str) -> list[str]:
    path = folder / name
    if not path.is_file():
        return [f"{name}: is missing"]
    if path.stat().st_size != size:
        return [f"{name}: has {path.stat().st_size} bytes, published with {size}"]
    return [] if sha256_of(path) == digest else [f"{name}: its bytes changed since it was published"]


def review_package(
    path: Path, tables: tuple[Table, ...], crs: pyproj.CRS
) -> tuple[list[str], dict[str, int]]:
    """Check a GeoPackage against `tables`, as delivered; return differences, and rows by layer where there are none."""
    if not path.is_file():
        return [], {}
    found = geopackage.check_geopackage(path, tables, crs)
    return found, {} if found else {
        table.name: len(geopackage.read_layer(path, table.name)) for table in tables
    }


def review_tables(folder: Path, tables: Iterable[Table], rows: Mapping[str, int | None]) -> list[str]:
    """Check the columns of each tables/NAME.csv against `tables`, as delivered, and its number of rows.

    `rows` by name; a table whose number is not known there is not counted.
    """
    found = []
    for table in tables:
        path = folder / csv_tables.FOLDER / f"{table.name}.csv"
        if path.is_file():
            found += _check_table(path, [column.name for column in table.columns], rows.get(table.name))
    return [f"{csv_tables.FOLDER}/{text}" for text in found]


def _check_table(path: Path, columns: list[str], rows: int | None) -> list[str]:
    try:
        with path.open(encoding="utf-8", newline="") as file:
            head, *have = csv.reader(file)
    except (OSError, ValueError, csv.Error) as error:
        return [f"{path.name}: cannot be read: {error}"]
    found = []
    if head != columns:
        other = sorted(set(head) ^ set(columns)) or "in another order"
        found.append(f"{path.name}: has other columns: {other}")
    if rows is not None and len(have) != rows:
        found.append(f"{path.name}: {len(have)} rows, its layer has {rows}")
    return found + csv_tables.formulas(path.name, have)


def review_picture(path: Path) -> list[str]:
    """Check that a file that should be a PNG is one."""
    if not path.is_file():
        return []
    with path.open("rb") as file:
        return [] if file.read(len(PNG)) == PNG else [f"{path.name}: is no PNG"]
