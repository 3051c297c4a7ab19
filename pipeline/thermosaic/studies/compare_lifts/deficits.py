"""Both lots' deficits on the cells of one line: what both hold, how they go together, where they differ.

Lots are laid at other temperatures, so a difference of temperature says nothing by itself. What is compared is
how far a place lies below its own lot's mat around it, by the same reference that cold zones are found with.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...kernels import cells, shifts
from .lifts import Line, Readings


@dataclass(frozen=True, eq=False, slots=True)
class Field:
    """Deficits of both lots on the cells along one line; cell i covers [i, i + 1) x cell from its frame's zero."""

    line: Line
    cell_m: float
    row0: int
    col0: int
    one: (
        np.ndarray
    )  # float64 (row, col) degC of difference, NaN = empty; columns run upstation, rows to the right
    other: np.ndarray

    @property
    def both(self) -> np.ndarray:
        """Cells that hold readings of both, bool (row, col)."""
        return np.isfinite(self.one) & np.isfinite(self.other)

    @property
    def columns(self) -> slice:
        """First to last column of common cells."""
        held = np.flatnonzero(self.both.any(axis=0))
        return slice(int(held[0]), int(held[-1]) + 1) if len(held) else slice(0, 0)

    @property
    def stretch_m(self) -> tuple[float, float]:
        """Stations of both ends of the common mat."""
        held = self.columns
        low, high = ((self.col0 + col) * self.cell_m + self.line.zero_m for col in (held.start, held.stop))
        return low, high

    def difference_at(self, easting_m: np.ndarray, northing_m: np.ndarray) -> np.ndarray:
        """Deficit of the one less that of the other at places of the map, NaN where either is empty."""
        found = np.full(len(easting_m), np.nan)
        station, offset = self.line.locate(easting_m, northing_m)
        col, row = (
            np.floor(item / self.cell_m) - zero
            for item, zero in ((station - self.line.zero_m, self.col0), (offset, self.row0))
        )
        inside = (row >= 0) & (row < self.one.shape[0]) & (col >= 0) & (col < self.one.shape[1])
        at = row[inside].astype(int), col[inside].astype(int)
        found[inside] = self.one[at] - self.other[at]
        return found


def field_of(line: Line, one: Readings, other: Readings, cell_m: float) -> Field:
    """Average the readings of both lots on the cells of a line; those off its mat are left out."""
    placed = [_on_mat(line, item) for item in (one, other)]
    frame, offset = (np.concatenate([item[i] for item in placed]) for i in (0, 1))
    index = cells.index(frame, offset, cell_m)
    values = np.concatenate([one.deficit_delta_c, other.deficit_delta_c])
    is_one = np.arange(len(values)) < len(one.deficit_delta_c)
    grids = [cells.mean(index, np.where(held, values, np.nan)) for held in (is_one, ~is_one)]
    return Field(line, cell_m, index.row0, index.col0, *grids)


def _on_mat(line: Line, readings: Readings) -> tuple[np.ndarray, np.ndarray]:
    """Frame coordinate and offset of readings, NaN off the line's mat."""
    station, offset = line.locate(readings.easting_m, readings.northing_m)
    middle, half = (np.interp(station, line.station_m, item) for item in (line.middle_m, line.half_m))
    with np.errstate(invalid="ignore"):
        off = ~(np.abs(offset - middle) <= half)
    return np.where(off, np.nan, station - line.zero_m), np.where(off, np.nan, offset)


def correlations(fields: list[Field], parts: np.ndarray) -> tuple[float, np.ndarray]:
    """Correlation as it is, and with the other lot shifted by parts of each field's length (shift)."""
    observed, moved = np.zeros(6), np.zeros((6, len(parts)))
    for field in fields:
        held = field.columns
        found = shifts.sums(field.one[:, held], field.other[:, held])
        at = np.rint(parts * found.shape[1]).astype(int) % max(found.shape[1], 1)
        observed += found[:, 0]
        moved += found[:, at]
    return float(shifts.correlation(observed)), shifts.correlation(moved)


def effective_count(shifted: np.ndarray) -> float:
    """Independent cells whose correlation would scatter as the shifted ones do (Fisher 1915: var = 1 / (n - 1))."""
    shifted = shifted[np.isfinite(shifted)]
    spread = float(np.var(shifted)) if len(shifted) > 2 else np.nan
    return 1.0 + 1.0 / spread if spread > 0 else np.nan
