"""An agency's own random numbers: a CSV table with one column, `number`, in the order in which they are used."""

from __future__ import annotations

import csv
from pathlib import Path

from .sources import check_file, refuse

MOST_BYTES = 1_000_000
COLUMN = "number"


def read_random_numbers(path: Path) -> tuple[float, ...]:
    """Read random numbers from 0 up to, but without, 1.

    Raises
    ------
    InputError
        A file that cannot be read, has no such column, or holds another number.
    """
    if check_file(path) > MOST_BYTES:
        raise refuse(path, f"is larger than {MOST_BYTES} bytes: a list of random numbers is expected")
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
    except (UnicodeDecodeError, csv.Error) as error:
        raise refuse(path, f"is not a CSV table: {error}") from None
    head = [name.strip() for name in rows[0]] if rows else []
    if COLUMN not in head:
        raise refuse(path, f'has no column "{COLUMN}": random numbers like 0.4823 stand in it, one a row')
    at = head.index(COLUMN)
    texts = [(line, row[at].strip()) for line, row in enumerate(rows[1:], 2) if len(row) > at]
    return tuple(_number(path, text, line) for line, text in texts if text)


def _number(path: Path, text: str, line: int) -> float:
    """Read one number."""
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not 0 <= number < 1:
        raise refuse(
            path, f'"{text}" is no random number from 0 up to 1: write 4823 of four digits as 0.4823', line
        )
    return number
