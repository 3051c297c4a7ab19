"""Tables of logs as blocks of columns under our own names: delimited text and Parquet, by format file.

Columns are found by name, never by place: one that is missing, stands twice or is not known stops the
reading. Rows with another number of fields than the header, or with an open quote, are rejected one by
one. Values stay texts here (or the types of a Parquet file); numbers and times are read from them.
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv
import pyarrow.parquet as pq

from ...config import LOG_COLUMNS, LogFormat
from ...errors import InputError
from ..sources import LONGEST_LINE, refuse, text_blocks

MOST_COLUMNS = 4200
PARQUET_ROWS = 1 << 16
HEAD_BYTES = 1 << 16
_OPTIONAL = {  # names a file may lack; of wheel_m and wheel_count a wheel log needs one
    "scan": ("date", "wheel_m", "wheel_count"),
    "wheel": ("date", "wheel_m", "wheel_count"),
    "fixes": ("date", "height_m", "sigma_m", "sigma_north_m", "sigma_east_m", "heading_deg"),
    "diary": ("from_utc", "to_utc", "from_station", "to_station", "text"),
    "weather": ("date", "air_c", "wind_mps", "sky"),
    "control": ("easting_m", "northing_m", "lon_deg", "lat_deg", "time_utc", "date", "temp_c", "text"),
    "tickets": ("date", "ticket_id"),
    "cores": tuple(name for name in LOG_COLUMNS["cores"] if name != "core_id"),
}


@dataclass(frozen=True)
class Layout:
    """Where our columns stand in a file: index by our name, spot columns in order of their number."""

    place: dict[str, int]
    spots: tuple[int, ...]
    width: int


@dataclass(frozen=True)
class Block:
    """Some rows of a file: columns by our name, spot columns, and where the rows stand."""

    columns: dict[str, pa.Array]
    spots: tuple[pa.Array, ...]
    row: np.ndarray  # int64, 0 = first data row of the file, rejected rows counted
    line: np.ndarray  # int64, line in the file as an editor counts; Parquet: row + 1
    read: int  # rows of the file that this block stands for, rejected ones included
    rejected: tuple[tuple[str, np.ndarray], ...]  # cause, lines


def read_blocks(path: Path, log_format: LogFormat) -> Iterator[Block]:
    """Yield the rows of one file; InputError where its columns are not those of the format."""
    return (
        _parquet_blocks(path, log_format)
        if log_format.container == "parquet"
        else _text_blocks(path, log_format)
    )


def read_layout(path: Path, log_format: LogFormat) -> Layout:
    """Read the columns of a file alone."""
    if log_format.container == "parquet":
        return _find_columns(_open_parquet(path).schema_arrow.names, log_format, path)
    line = 1
    for raw in text_blocks(path, log_format.encoding, HEAD_BYTES):
        lines = _Lines(raw, line, log_format, path)
        layout = lines.take_layout()
        if layout is not None:
            return layout
        line += lines.count
    raise refuse(path, "holds no header and no row")


def count_parquet_rows(path: Path) -> int:
    """Return the number of rows that a Parquet file states."""
    return _open_parquet(path).metadata.num_rows


# ------------------------------------------------------------------------------------------- the columns


def _find_columns(names: list[str], log_format: LogFormat, path: Path, line: int = 1) -> Layout:
    """Find our columns among the names of a header."""
    names = [name.strip() for name in names]
    _check_names(names, path, line)
    wanted = {
        ours: log_format.columns[ours] for ours in LOG_COLUMNS[log_format.kind] if ours in log_format.columns
    }
    place = {ours: names.index(theirs) for ours, theirs in wanted.items() if theirs in names}
    for ours, theirs in wanted.items():
        if ours not in place and ours not in _OPTIONAL[log_format.kind]:
            near = difflib.get_close_matches(theirs, names, 1, 0.6)
            hint = f'; did you mean "{near[0]}"?' if near else f"; the file has {_listed(names)}"
            hint = _separated(names, log_format) or hint
            raise refuse(path, f'has no column "{theirs}" ({ours} of format {log_format.id}){hint}', line)
    if log_format.kind == "wheel" and not {"wheel_m", "wheel_count"} & place.keys():
        raise refuse(path, f"has neither wheel_m nor wheel_count of format {log_format.id}", line)
    spots = _find_spots(names, log_format, path, line) if log_format.kind == "scan" else ()
    _refuse_others(names, {*place.values(), *spots}, log_format, path, line)
    return Layout(place, spots, len(names))


def _separated(names: list[str], log_format: LogFormat) -> str:
    """Name the format key of a header whose fields are separated by something else."""
    marks = [mark for mark in (";", ",", "\t", "|") if mark != log_format.delimiter and mark in names[0]]
    if len(names) > 1 or not marks:
        return ""
    shown = "\\t" if marks[0] == "\t" else marks[0]
    return (
        f'; its fields are separated by "{shown}": state delimiter = "{shown}", and decimal = "," where numbers '
        "are written like 140,5, in the format file"
    )


def _check_names(names: list[str], path: Path, line: int) -> None:
    if len(names) > MOST_COLUMNS:
        raise refuse(path, f"has {len(names)} columns: at most {MOST_COLUMNS} are read", line)
    if re.match(r"\$[A-Z]{5}", names[0]):
        raise refuse(path, "holds NMEA sentences, not a table: are two files of [files] exchanged?", line)
    if any(re.fullmatch(r"[-+0-9.,:TZ ]+", name) for name in names):
        raise refuse(
            path, f"a header is expected, found {_listed(names)}: state header = false if it has none", line
        )
    doubled = (
        sorted({name for name in names if names.count(name) > 1}) if len(set(names)) < len(names) else []
    )
    if doubled:
        raise refuse(path, f'column "{doubled[0]}" stands twice in the header', line)


def _find_spots(names: list[str], log_format: LogFormat, path: Path, line: int) -> tuple[int, ...]:
    """Places of the spot columns in order of their number; 1 .. N without a hole."""
    before, after = (re.escape(part) for part in log_format.spots.split("{n}"))
    numbered: dict[int, int] = {}
    for index, name in enumerate(names):
        match = re.fullmatch(f"{before}([0-9]{{1,6}}){after}", name)
        if match and int(match[1]) in numbered:
            raise refuse(path, f'spot {int(match[1])} stands twice in the header: "{name}"', line)
        if match:
            numbered[int(match[1])] = index
    missing = [number for number in range(1, max(numbered, default=2) + 1) if number not in numbered]
    if missing:
        name = log_format.spots.replace("{n}", f"{missing[0]:02d}")
        raise refuse(
            path, f'has no spot column "{name}": spots 1 to {max(numbered, default=2)} are expected', line
        )
    return tuple(numbered[number] for number in sorted(numbered))


def _refuse_others(names: list[str], used: set[int], log_format: LogFormat, path: Path, line: int) -> None:
    if "*" in log_format.ignored:
        return
    others = [
        name for index, name in enumerate(names) if index not in used and name not in log_format.ignored
    ]
    if others:
        raise refuse(
            path,
            f"format {log_format.id} does not know {_listed(others)}: map it under [columns], or list it in "
            "ignored",
            line,
        )


def _listed(names: list[str]) -> str:
    shown = ", ".join(f'"{name[:40]}"' for name in names[:6])
    return shown + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _numbered_columns(width: int, log_format: LogFormat, path: Path) -> Layout:
    """Layout of a file without a header: columns by number, the spots are those that nothing else takes."""
    place = {ours: int(number) - 1 for ours, number in log_format.columns.items()}
    beyond = [ours for ours, index in place.items() if not 0 <= index < width]
    if beyond:
        raise refuse(path, f"has {width} columns, but {beyond[0]} is column {place[beyond[0]] + 1}")
    ignored = {int(number) - 1 for number in log_format.ignored if number.isdigit()}
    left = [index for index in range(width) if index not in place.values() and index not in ignored]
    return Layout(place, tuple(left) if log_format.kind == "scan" else (), width)


# ------------------------------------------------------------------------------------------ delimited text


def _text_blocks(path: Path, log_format: LogFormat) -> Iterator[Block]:
    layout, line, row = None, 1, 0
    for raw in text_blocks(path, log_format.encoding):
        lines = _Lines(raw, line, log_format, path)
        line += lines.count
        if layout is None:
            layout = lines.take_layout()
            if layout is None:
                continue
        block = lines.parse(layout, row)
        row += block.read
        if block.read:
            yield block
    if layout is None:
        raise refuse(path, "holds no header and no row")


class _Lines:
    """A block of text cut into lines that count: no blank ones, no comments."""

    def __init__(self, raw: bytes, line: int, log_format: LogFormat, path: Path) -> None:
        if log_format.delimiter == " ":
            raw = re.sub(rb" ?\n ?", b"\n", re.sub(rb"[ \t]+", b" ", raw)).removeprefix(b" ")
        self.format, self.path = log_format, path
        self.data = np.frombuffer(raw if raw.endswith(b"\n") else raw + b"\n", np.uint8)
        ends = np.flatnonzero(self.data == 10)
        self.count = len(ends)
        starts = np.concatenate([[0], ends[:-1] + 1])
        longest = int(np.argmax(ends - starts))
        if ends[longest] - starts[longest] > LONGEST_LINE:
            raise refuse(path, f"is longer than {LONGEST_LINE} bytes: not a table", line + longest)
        counts = (ends > starts) & ~self._comments(starts)
        self.line = np.arange(line, line + len(ends))[counts]
        self.starts, self.ends = starts[counts], ends[counts]

    def _comments(self, starts: np.ndarray) -> np.ndarray:
        mark = (self.format.comment or "").encode()
        found = np.full(len(starts), bool(mark))
        for k, byte in enumerate(mark):
            found &= self.data[np.minimum(starts + k, len(self.data) - 1)] == byte
        return found

    def _text(self, index: int) -> str:
        try:
            return self.data[self.starts[index] : self.ends[index]].tobytes().decode()
        except UnicodeDecodeError:
            raise refuse(
                self.path, "is not UTF-8: state its encoding in the format file", self.line[index]
            ) from None

    def take_layout(self) -> Layout | None:
        """Read the layout from the first line, and drop that line if it is a header."""
        if len(self.line) == 0:
            return None
        fields = next(csv.reader([self._text(0)], delimiter=self.format.delimiter), [])
        if not self.format.header:
            return _numbered_columns(len(fields), self.format, self.path)
        layout = _find_columns(fields, self.format, self.path, int(self.line[0]))
        self.line, self.starts, self.ends = self.line[1:], self.starts[1:], self.ends[1:]
        return layout

    def parse(self, layout: Layout, row: int) -> Block:
        """Reject what is no row of the layout, and read the columns of the rest as texts."""
        read = len(self.line)
        rows = np.arange(row, row + read)
        open_quote, ragged = self._faults(layout.width)
        sound = ~open_quote & ~ragged
        rejected = (("open_quote", self.line[open_quote]), ("ragged_row", self.line[ragged]))
        wanted = sorted({*layout.place.values(), *layout.spots})
        columns = dict(zip(wanted, self._columns(wanted, layout.width, sound), strict=True))
        place = {ours: columns[index] for ours, index in layout.place.items()}
        spots = tuple(columns[index] for index in layout.spots)
        return Block(place, spots, rows[sound], self.line[sound], read, rejected)

    def _faults(self, width: int) -> tuple[np.ndarray, np.ndarray]:
        """Rows with an odd number of quotes, and rows with another number of fields than width."""
        marks = np.flatnonzero(self.data == ord(self.format.delimiter))
        quotes = np.flatnonzero(self.data == ord('"'))
        open_quote = self._inside(quotes) % 2 == 1
        if len(quotes):
            line_of = np.searchsorted(self.starts, marks, side="right") - 1
            since = np.searchsorted(quotes, marks) - np.searchsorted(
                quotes, self.starts[np.clip(line_of, 0, None)]
            )
            marks = marks[since % 2 == 0]
        return open_quote, ~open_quote & (self._inside(marks) != width - 1)

    def _inside(self, places: np.ndarray) -> np.ndarray:
        """Count places between start and end of each line."""
        return np.searchsorted(places, self.ends) - np.searchsorted(places, self.starts)

    def _columns(self, wanted: list[int], width: int, sound: np.ndarray) -> list[pa.Array]:
        """Cut the sound lines into fields and give the wanted columns as texts."""
        names = [str(index) for index in range(width)]
        picked = [names[index] for index in wanted]
        if not sound.any():
            return [pa.array([], pa.string()) for _ in picked]
        starts, ends = self.starts[sound], self.ends[sound] + 1
        apart = np.flatnonzero(starts[1:] != ends[:-1])
        stretches = zip(starts[np.r_[0, apart + 1]], ends[np.r_[apart, len(ends) - 1]], strict=True)
        pieces = [self.data[start:end] for start, end in stretches]
        data = pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
        try:
            table = arrow_csv.read_csv(
                pa.BufferReader(pa.py_buffer(data)),
                arrow_csv.ReadOptions(column_names=names, use_threads=False, block_size=len(data) + 1),
                arrow_csv.ParseOptions(delimiter=self.format.delimiter),
                arrow_csv.ConvertOptions(
                    include_columns=picked, column_types=dict.fromkeys(picked, pa.string())
                ),
            )
        except pa.ArrowInvalid as error:
            wrong = "is not UTF-8" if "UTF8" in str(error) else "cannot be cut into fields"
            raise refuse(
                self.path, f"{wrong}: check encoding and delimiter of the format", self.line[0]
            ) from None
        return [table.column(name).combine_chunks() for name in picked]


# ------------------------------------------------------------------------------------------------ Parquet


def _open_parquet(path: Path) -> pq.ParquetFile:
    try:
        return pq.ParquetFile(path)
    except (pa.ArrowException, OSError) as error:
        raise _not_parquet(path, error) from None


def _not_parquet(path: Path, error: Exception) -> InputError:
    return refuse(path, f"cannot be read as Parquet: {str(error).splitlines()[0][:120]}")


def _parquet_blocks(path: Path, log_format: LogFormat) -> Iterator[Block]:
    """Yield the rows of a Parquet file batch by batch; InputError where it breaks off."""
    file, row = _open_parquet(path), 0
    names = file.schema_arrow.names
    layout = _find_columns(names, log_format, path)
    wanted = sorted({*layout.place.values(), *layout.spots})
    batches = file.iter_batches(PARQUET_ROWS, columns=[names[index] for index in wanted])
    while True:
        try:
            batch = next(batches, None)
        except (pa.ArrowException, OSError) as error:
            raise _not_parquet(path, error) from None
        if batch is None:
            break
        columns = {index: batch.column(names[index]) for index in wanted}
        place = {ours: columns[index] for ours, index in layout.place.items()}
        rows = np.arange(row, row + len(batch))
        row += len(batch)
        yield Block(place, tuple(columns[index] for index in layout.spots), rows, rows + 1, len(batch), ())
    if row == 0:
        raise refuse(path, "holds no row")
