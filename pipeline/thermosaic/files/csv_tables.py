"""tables/*.csv: five layers as plain tables for a spreadsheet, in the delivery's units.

RFC 4180: UTF-8, one header row whose names carry the unit, rows end in CR LF. A text that a spreadsheet
would run as a formula gets an apostrophe before it. Not done here: geometry.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from ..tables import suffix

FOLDER = "tables"
NAMES = ("lot", "profiles", "stops", "cold_zones", "dropped")
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
DECIMALS = {
    "m": 3, "m2": 2, "mps": 4, "c": 2, "delta_c": 2, "deg": 8, "s": 1, "frac": 4,
    "ft": 3, "ft2": 2, "ftpmin": 2, "f": 2, "delta_f": 2, "kg_m3": 1, "lb_ft3": 2,
}  # fmt: skip


def write_tables(
    layers: dict[str, gpd.GeoDataFrame], folder: Path, names: tuple[str, ...] = NAMES
) -> list[Path]:
    """Write the tables of layers as delivered into folder/tables; return the paths in order."""
    (folder / FOLDER).mkdir(exist_ok=True)
    written = []
    for name in names:
        path = folder / FOLDER / f"{name}.csv"
        write_table(path, layers[name])
        written.append(path)
    return written


def write_table(path: Path, frame: pd.DataFrame) -> None:
    """Write one table as delivered, a layer without its geometry."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(_rows(frame))


def _rows(frame: pd.DataFrame) -> list[list[str]]:
    plain = pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))
    columns = [[cell(value, name) for value in plain[name]] for name in plain.columns]
    return [list(plain.columns), *(list(row) for row in zip(*columns, strict=True))]


def cell(value: Any, name: str) -> str:
    """Write one value; decimals by the unit that its column's name ends in.

    >>> cell(1.23456, "length_m"), cell("=1+1", "reason"), cell(None, "reason"), cell(-3.0, "offset_m")
    ('1.235', "'=1+1", '', '-3.000')
    """
    if value is None or value is pd.NaT or (not isinstance(value, str) and pd.isna(value)):
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, pd.Timestamp):
        return value.tz_convert("UTC").isoformat(timespec="milliseconds").replace("+00:00", "Z")
    if isinstance(value, float | np.floating):
        places = DECIMALS.get(suffix(name))
        return f"{value:.0f}" if places is None and float(value).is_integer() else f"{value:.{places or 4}f}"
    return _safe_text(str(value))


def _safe_text(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet would take for a formula.

    Also where blanks stand before the sign, since some programs drop them on import.
    """
    return f"'{text}" if text.startswith(FORMULA_STARTS) or text.lstrip().startswith(FORMULA_STARTS) else text


def check_tables(
    layers: dict[str, gpd.GeoDataFrame], folder: Path, names: tuple[str, ...] = NAMES
) -> list[str]:
    """Read the tables back with the csv module and compare them with the layers; return what differs."""
    return [
        text
        for name in names
        for text in check_table(folder / FOLDER / f"{name}.csv", layers[name], f"layer {name}")
    ]


def check_table(path: Path, frame: pd.DataFrame, meant: str) -> list[str]:
    """Read one table back and compare it with the frame `meant`; return what differs."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            have = list(csv.reader(file))
    except (OSError, ValueError, csv.Error) as error:
        return [f"{path.name}: cannot be read: {error}"]
    found = [] if have == _rows(frame) else [f"{path.name}: differs from {meant}"]
    return found + formulas(path.name, have)


def formulas(name: str, rows: list[list[str]]) -> list[str]:
    """Name every cell that a spreadsheet would run."""
    return [f"{name}: holds a formula: {text[:40]}" for row in rows for text in row if _is_formula(text)]


def _is_formula(text: str) -> bool:
    if not text.startswith(FORMULA_STARTS):
        return False
    try:
        float(text)
    except ValueError:
        return True
    return False
