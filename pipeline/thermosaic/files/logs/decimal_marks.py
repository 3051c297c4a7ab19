"""The decimal mark of a delimited log: where a log is refused and writes another one, the key to state is named."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ...config import LogFormat
from ...errors import InputError

HEAD_BYTES = 1 << 14


@contextmanager
def naming_decimal_mark(path: Path, log_format: LogFormat) -> Iterator[None]:
    """Add to an InputError of reading a log which decimal mark to state, where its numbers have the other one."""
    try:
        yield
    except InputError as error:
        hint = _decimal_hint(path, log_format)
        if not hint or "decimal = " in str(error):
            raise
        raise InputError(f"{error}{hint}") from None


def _decimal_hint(path: Path, log_format: LogFormat) -> str:
    """Name the decimal mark to state, empty where the first rows' numbers have the stated one or none."""
    if log_format.container != "csv" or not path.is_file():
        return ""
    with path.open("rb") as file:
        rows = file.read(HEAD_BYTES).decode(log_format.encoding, "replace").splitlines()[1:-1]
    other = "," if log_format.decimal == "." else "."
    number = re.compile(rf"\s*[+-]?[0-9]+{re.escape(other)}[0-9]+\s*")
    fields = [field for row in csv.reader(rows, delimiter=log_format.delimiter) for field in row]
    found = next((field.strip() for field in fields if number.fullmatch(field)), None)
    if found is None:
        return ""
    return f'; numbers are written like {found}: state decimal = "{other}" in the format file'
