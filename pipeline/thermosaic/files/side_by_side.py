"""Readings of two results side by side: spots.parquet of both, in blocks of the same lines; memory stays small.

A line of one result is that of the other where the scan logs are the same files, else where the scan's own clock
says the same time. Only read, never changed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from ..errors import ProductError

CLOSE_S = 0.005  # a time is stored to the millisecond, and the clock's offset was taken off and is put back


@dataclass(frozen=True, eq=False, slots=True)
class Lines:
    """Number that a line of either result has in the common order, by its own number; None = its own."""

    old: np.ndarray | None = None
    new: np.ndarray | None = None

    def renumbered(self, frame: pd.DataFrame, which: int) -> pd.DataFrame:
        order = (self.old, self.new)[which]
        return frame if order is None else frame.assign(line=order[frame["line"].to_numpy()])


def side_by_side(
    paths: tuple[Path, Path], columns: tuple[str, ...], lines: Lines
) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
    """Yield blocks of both files over the same lines, in order; every row of both is in one block."""
    sources = [_blocks(path, columns, lines, which) for which, path in enumerate(paths)]
    held = [next(source, None) for source in sources]
    while any(frame is not None for frame in held):
        last = min(int(frame["line"].iloc[-1]) for frame in held if frame is not None)
        ends = [0 if frame is None else int(np.searchsorted(frame["line"].to_numpy(), last, side="right"))
                for frame in held]  # fmt: skip
        for which, frame in enumerate(held):  # a line may go on in the next block
            while frame is not None and ends[which] == len(frame):
                following = next(sources[which], None)
                if following is None:
                    break
                frame = held[which] = _joined(frame, following)
                ends[which] = int(np.searchsorted(frame["line"].to_numpy(), last, side="right"))
        whole = next(frame for frame in held if frame is not None)
        yield tuple(whole.iloc[:0] if frame is None else frame.iloc[:end]
                    for frame, end in zip(held, ends, strict=True))  # type: ignore[misc]  # fmt: skip
        held = [
            next(source, None) if frame is not None and end == len(frame) else
            None if frame is None else frame.iloc[end:]
            for frame, end, source in zip(held, ends, sources, strict=True)
        ]  # fmt: skip


def _joined(one: pd.DataFrame, other: pd.DataFrame) -> pd.DataFrame:
    texts = [name for name in one if isinstance(one[name].dtype, pd.CategoricalDtype)]
    if any(one[name].dtype != other[name].dtype for name in texts):
        one, other = (frame.astype(dict.fromkeys(texts, object)) for frame in (one, other))
    return pd.concat([one, other], ignore_index=True)


def _blocks(path: Path, columns: tuple[str, ...], lines: Lines, which: int) -> Iterator[pd.DataFrame]:
    with _whole(path):
        file = pq.ParquetFile(path)
    for group in range(file.num_row_groups):
        with _whole(path):
            frame = file.read_row_group(group, columns=list(columns)).to_pandas()
        if len(frame):
            yield lines.renumbered(frame, which)


@contextmanager
def _whole(path: Path) -> Iterator[None]:
    """Say which file cannot be read, and what to do."""
    try:
        yield
    except (pa.ArrowException, OSError, KeyError) as error:
        raise ProductError(f"{path}: cannot be read: {error}: find out with `thermosaic verify`") from error


def lines_by_time(paths: tuple[Path, Path], clocks_s: tuple[float, float]) -> Lines:
    """Match lines by the time that the scan's own clock says: of logs that are not the same files.

    Where a log's times do not ascend its lines keep their numbers.
    """
    read = [_line_times(path, clock_s) for path, clock_s in zip(paths, clocks_s, strict=True)]
    if any(len(times) == 0 or np.any(np.diff(times) <= 0) for _, times in read):
        return Lines()
    (old_lines, old_s), (new_lines, new_s) = read
    middles = (old_s[1:] + old_s[:-1]) / 2
    nearest = np.searchsorted(middles, new_s)
    snapped = np.where(np.abs(old_s[nearest] - new_s) <= CLOSE_S, old_s[nearest], new_s)
    order = np.unique(np.concatenate([old_s, snapped]))
    return Lines(*(
        _numbers(lines, np.searchsorted(order, times))
        for lines, times in ((old_lines, old_s), (new_lines, snapped))
    ))  # fmt: skip


def _numbers(lines: np.ndarray, place: np.ndarray) -> np.ndarray:
    numbers = np.zeros(int(lines[-1]) + 1, np.int64)
    numbers[lines] = place
    return numbers


def _line_times(path: Path, clock_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Number of each line and its time by the scan's clock, in seconds."""
    with _whole(path):
        table = pq.read_table(path, columns=["line", "seen_utc"])
    line = table["line"].to_numpy()
    first = np.flatnonzero(np.r_[True, np.diff(line) != 0]) if len(line) else np.empty(0, int)
    since = table["seen_utc"].to_numpy()[first] - np.datetime64("2000-01-01", "ms")
    return line[first], since / np.timedelta64(1, "s") + clock_s
