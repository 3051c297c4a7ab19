"""Readings to cells of one frame: index once, then take any statistic over the same index.

Cell i covers [i, i + 1) x cell from the frame's own zero, so two lots, lifts or days on one frame share
their cells. Nothing is interpolated or filtered here; a cell without a reading is empty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False, slots=True)
class CellIndex:
    """Which cell of a dense block each reading falls in; made by `index`.

    Rows run with offset, columns with station: the array's [0, 0] is cell (row0, col0) of the frame.
    """

    cell_m: float
    row0: int
    col0: int
    shape: tuple[int, int]  # rows, cols
    code: np.ndarray  # int32 (reading): row * cols + col within the block, -1 = in no cell

    @property
    def size(self) -> int:
        return self.shape[0] * self.shape[1]


def index(
    frame_m: np.ndarray, offset_m: np.ndarray, cell_m: float, use: np.ndarray | None = None
) -> CellIndex:
    """Find the cell floor(offset_m / cell), floor(frame_m / cell) of each reading.

    Parameters
    ----------
    frame_m, offset_m : array, any shape, the same
        Coordinates along and across in metres; a reading where either is NaN is in no cell.
    cell_m : float
        Edge of the square cells.
    use : bool array of that shape, optional
        Readings to index; the others are in no cell and do not widen the block.

    Returns
    -------
    CellIndex
        The smallest block that holds the readings (0 x 0 without any); `code` is flat, in C order.

    Raises
    ------
    ValueError
        Shapes differ, or the block has more cells than an int32 counts (a coordinate is no place on a road).

    Examples
    --------
    >>> cells = index(np.array([0.0, 0.31, np.nan]), np.array([-0.1, 0.1, 0.1]), 0.3)
    >>> cells.row0, cells.col0, cells.shape, cells.code.tolist()
    (-1, 0, (2, 2), [0, 3, -1])
    """
    if frame_m.shape != offset_m.shape:
        raise ValueError(f"frame_m and offset_m differ in shape: {frame_m.shape} and {offset_m.shape}")
    taken = np.isfinite(frame_m) & np.isfinite(offset_m)
    if use is not None:
        taken &= use
    taken = taken.ravel()
    if not taken.any():
        return CellIndex(cell_m, 0, 0, (0, 0), np.full(taken.size, -1, np.int32))
    row, row0, rows = _cells_of(_taken(offset_m, taken), cell_m)
    col, col0, cols = _cells_of(_taken(frame_m, taken), cell_m)
    shape = (rows, cols)
    if rows * cols > np.iinfo(np.int32).max:
        raise ValueError(f"a block of {rows} x {cols} cells of {cell_m} m is too large")
    row *= cols
    row += col
    if not taken.all():
        code = np.full(taken.size, -1, np.int32)
        code[taken] = row
        row = code
    return CellIndex(cell_m, row0, col0, shape, row)


def _taken(values: np.ndarray, taken: np.ndarray) -> np.ndarray:
    """Values, flat, that are taken; all of them are not copied."""
    return values.ravel() if taken.all() else values.ravel()[taken]


def _cells_of(place_m: np.ndarray, cell_m: float) -> tuple[np.ndarray, int, int]:
    """Cell of each place along one axis from the first cell on, int32; the first cell; how many to the last."""
    cell = np.divide(place_m, cell_m, dtype=np.float64)
    np.floor(cell, out=cell)
    first, last = cell.min(), cell.max()
    cell -= first
    return cell.astype(np.int32), int(first), int(last - first) + 1


def mean(cells: CellIndex, value: np.ndarray) -> np.ndarray:
    """Average `value` in each cell, float64 (row, col); NaN values are left out, empty cells are NaN.

    >>> cells = index(np.array([0.1, 0.2, 1.1]), np.zeros(3), 0.5)
    >>> mean(cells, np.array([1.0, 3.0, 5.0])).tolist()
    [[2.0, nan, 5.0]]
    """
    if value.size != cells.code.size:
        raise ValueError(f"{value.size} values for an index of {cells.code.size} readings")
    taken = (cells.code >= 0) & ~np.isnan(value.ravel())
    code, value = _taken(cells.code, taken), _taken(value, taken)
    number = np.bincount(code, minlength=cells.size)
    total = np.bincount(code, weights=value, minlength=cells.size)
    average = np.full(cells.size, np.nan)
    np.divide(total, number, out=average, where=number > 0)
    return average.reshape(cells.shape)


def at_readings(cells: CellIndex, cell_value: np.ndarray) -> np.ndarray:
    """Look up a value of (row, col) at each reading, flat; in no cell: NaN, False or 0."""
    if cell_value.shape != cells.shape:
        raise ValueError(f"values of {cell_value.shape} for cells of {cells.shape}")
    beyond = np.array([np.nan if cell_value.dtype.kind == "f" else 0], cell_value.dtype)
    return np.concatenate((cell_value.ravel(), beyond))[cells.code]
