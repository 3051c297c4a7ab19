"""season.csv: one row a lot of a season, read from the results themselves; and its checker.

In the units that all lots were delivered in, SI where they differ. Nothing of when or where a lot was run stands
in it, so a season that was interrupted leaves the same table as one that was not.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from ..delivery import Reader, delivered_name
from ..tables import LOT, SEASON, SEASON_STATES
from ..units import FOOT_M
from . import csv_tables, dressing, geopackage, manifest, publishing
from .sheets.lot_sheet import to_si

NAME = "season.csv"
DONE, REFUSED = SEASON_STATES
REPORT = "report.html"
TAKEN = tuple(
    column.name
    for column in SEASON.columns
    if column.name in {of_lot.name for of_lot in LOT.columns} and column.name not in ("lot_id", "revision")
)


@dataclass(frozen=True, eq=False, slots=True)
class Entry:
    """One lot of a season: its row in SI, class words of its rule (best first), and how it was delivered."""

    row: dict[str, Any]
    words: tuple[str, ...] = ()
    reader: Reader | None = None
    supersedes: str | None = None


@dataclass(frozen=True, eq=False, slots=True)
class SeasonTable:
    """The lots of a season by day; `frame` is `tables.SEASON` in SI."""

    frame: pd.DataFrame
    words: tuple[tuple[str, ...], ...]  # of each row
    reader: Reader


def result_folders(top: Path) -> list[Path]:
    """Folders in `top` that hold a published result, by name."""
    folders = sorted(path.parent for path in top.glob(f"*/{manifest.MANIFEST}"))
    return [
        folder
        for folder in folders
        if not folder.name.startswith(".") and not folder.name.endswith(".old") and _is_ours(folder)
    ]


def _is_ours(folder: Path) -> bool:
    try:
        listed = manifest.read_json(folder / manifest.MANIFEST)
        return listed["program"] == publishing.PROGRAM and listed["lot_id"] == folder.name
    except (OSError, ValueError, KeyError):
        return False


def entry(
    state: str, result: Path | None, lot_folder: str | None = None, lot_id: str | None = None, exit_code: int = 0,
    error: str = "",
) -> Entry:  # fmt: skip
    """Make the row of a lot; without `result` it says no more than why there is none."""
    stated = dict.fromkeys(column.name for column in SEASON.columns)
    stated |= {"lot_id": lot_id, "lot_folder": lot_folder, "state": state, "error": error or None}
    stated["exit_code"] = exit_code if state == REFUSED else None
    if result is None:
        return Entry(stated)
    try:
        return _read(result, stated)
    except (OSError, ValueError, KeyError, TypeError, IndexError, *publishing.WRITERS) as trouble:
        text = f"RESULTS/{result.name}: is no whole result ({type(trouble).__name__}): run the lot again"
        return Entry(stated | {"lot_id": result.name, "state": REFUSED, "exit_code": 5, "error": text})


def _read(result: Path, stated: dict[str, Any]) -> Entry:
    """Add what a result states of its lot."""
    listed, quality = (manifest.read_json(result / name) for name in (manifest.MANIFEST, manifest.QUALITY))
    reader = Reader(listed["delivery"]["units"], float(listed["delivery"]["foot_m"]))
    lots = geopackage.read_layer(result / geopackage.PACKAGE, LOT.name)
    lot = lots[lots["pass_id"].isna()].iloc[0] if lots["pass_id"].isna().any() else lots.iloc[0]
    words = tuple(item["word"] for item in listed["configuration"]["rules"]["classes"]["words"])
    row = stated | {name: _number(lot[delivered_name(name, reader.units)], name, reader) for name in TAKEN}
    row |= {
        "lot_id": listed["lot_id"],
        "revision": listed["revision"],
        "mix": listed["configuration"]["lot"].get("mix"),
        "classes": ", ".join(f"{row[f'class_{rank}_count']} {word}" for rank, word in enumerate(words)),
        "doubt_count": len(quality["doubts"]),
        "report": f"{result.name}/{REPORT}" if (result / REPORT).is_file() else None,
    }
    return Entry(row, words, reader, listed["configuration"]["lot"].get("supersedes"))


def _number(value: Any, name: str, reader: Reader) -> Any:
    """A value in SI, to a millionth, so that a change of the foot and back leaves no trace."""
    value = to_si(value, name, *reader)
    return round(float(value), 6) if isinstance(value, float) else value


def gather(entries: list[Entry]) -> SeasonTable:
    """Put the lots of a season in order of the day they were paved, what was refused without a result last."""
    order = sorted(
        entries,
        key=lambda item: (
            item.row["paved_on"] or "~",
            item.row["lot_id"] or "~",
            item.row["lot_folder"] or "",
        ),
    )
    heirs = {item.supersedes: item.row["lot_id"] for item in order if item.supersedes != item.row["lot_id"]}
    rows = [item.row | {"superseded_by": heirs.get(item.row["lot_id"] or "")} for item in order]
    frame = pd.DataFrame(rows, columns=[column.name for column in SEASON.columns])
    readers = {item.reader for item in order if item.reader is not None}
    units = {reader.units for reader in readers}
    feet = {reader.foot_m for reader in readers}
    reader = Reader(units.pop() if len(units) == 1 else "si", feet.pop() if len(feet) == 1 else FOOT_M)
    return SeasonTable(
        pd.DataFrame(dressing.column_values(frame, SEASON, "si", FOOT_M)),
        tuple(item.words for item in order),
        reader,
    )


def write_table(folder: Path, season: SeasonTable) -> None:
    """Write season.csv."""
    csv_tables.write_table(folder / NAME, _delivered(season))


def check_table(folder: Path, season: SeasonTable) -> list[str]:
    """Read season.csv back; return what differs."""
    return csv_tables.check_table(folder / NAME, _delivered(season), "the results")


def _delivered(season: SeasonTable) -> pd.DataFrame:
    return pd.DataFrame(dressing.column_values(season.frame, SEASON, *season.reader))
