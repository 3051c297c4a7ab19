"""notes.csv of an archived lot: what people found out later, one row a note, oldest first; and its checker.

A note stands beside the bags, never in one. Its date is what its author states; no clock is asked.
"""

from __future__ import annotations

import csv
import io
from datetime import date
from pathlib import Path

from ..csv_tables import cell

NAME = "notes.csv"
COLUMNS = ("revision", "stated_date", "author", "text")


def read_notes(folder: Path) -> list[tuple[str, ...]]:
    """Rows of a lot's notes, none where there is no file; ValueError where it is not one."""
    path = folder / NAME
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        try:
            rows = [tuple(row) for row in csv.reader(file, strict=True)]
        except csv.Error as error:
            raise ValueError(f"is no CSV: {error}") from None
    if not rows or rows[0] != COLUMNS:
        raise ValueError(f"its columns are not {', '.join(COLUMNS)}")
    for number, row in enumerate(rows[1:], start=1):
        if len(row) != len(COLUMNS) or not row[0].isdigit():
            raise ValueError(f"note {number} is not whole")
        date.fromisoformat(row[1])
    return rows[1:]


def notes_text(notes: list[tuple[str, ...]]) -> str:
    """Write notes as RFC 4180 CSV; a text that a spreadsheet would run as a formula gets an apostrophe before it."""
    out = io.StringIO(newline="")
    csv.writer(out).writerows(
        [COLUMNS, *([cell(text, name) for text, name in zip(row, COLUMNS, strict=True)] for row in notes)]
    )
    return out.getvalue()


def check_notes(folder: Path) -> list[str]:
    """Read a lot's notes back; return what is wrong in plain words."""
    try:
        read_notes(folder)
    except (OSError, ValueError) as error:
        return [f"{NAME}: {error}"]
    return []
