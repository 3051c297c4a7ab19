"""Cells against a pandas groupby, an independent library."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from thermosaic.kernels import cells

CELL_M = 0.3048


@pytest.fixture(scope="module")
def readings() -> pd.DataFrame:
    """20,000 readings on both sides of the frame's zero, some without place, some without value."""
    rng = np.random.default_rng(7)
    frame = pd.DataFrame({
        "frame_m": rng.uniform(-30, 60, 20_000),
        "offset_m": rng.uniform(-3, 2, 20_000).astype(np.float32),
        "value": rng.normal(140, 8, 20_000).astype(np.float32),
    })  # fmt: skip
    frame.loc[::97, "frame_m"] = np.nan
    frame.loc[::89, "value"] = np.nan
    return frame


@pytest.fixture(scope="module")
def groups(readings):
    """The same readings grouped by pandas into (row, col) of the frame."""
    placed = readings.dropna(subset=["frame_m"])
    row = np.floor(placed.offset_m.astype("f8") / CELL_M).astype(int)
    col = np.floor(placed.frame_m / CELL_M).astype(int)
    return placed.groupby([row.rename("row"), col.rename("col")]).value


def _index(readings: pd.DataFrame) -> cells.CellIndex:
    return cells.index(readings.frame_m.to_numpy(), readings.offset_m.to_numpy(), CELL_M)


def _as_series(block: np.ndarray, index: cells.CellIndex) -> pd.Series:
    rows, cols = np.indices(index.shape)
    keys = pd.MultiIndex.from_arrays(
        [rows.ravel() + index.row0, cols.ravel() + index.col0], names=["row", "col"]
    )
    return pd.Series(block.ravel(), index=keys)


def test_means_equal_a_pandas_groupby(readings, groups):
    """The mean of every cell equals pandas', empty cells are NaN in both."""
    index = _index(readings)
    block = _as_series(cells.mean(index, readings.value.to_numpy()), index).dropna()
    expected = groups.mean().dropna()
    pd.testing.assert_series_equal(block, expected, check_names=False, check_dtype=False, rtol=1e-6)


def test_counts_equal_a_pandas_groupby_and_sum_to_the_readings(readings, groups):
    """Each cell's count equals pandas', and no placed reading is lost or counted twice."""
    index = _index(readings)
    counted = _as_series(np.bincount(index.code[index.code >= 0], minlength=index.size), index)
    pd.testing.assert_series_equal(counted[counted > 0], groups.size(), check_names=False, check_dtype=False)
    assert counted.sum() == readings.frame_m.notna().sum()


def test_a_reading_on_a_cell_edge_belongs_to_the_cell_that_starts_there():
    """Cell i covers [i, i + 1) x cell: 0 and 1 start cells 0 and 1 (design)."""
    index = cells.index(np.array([0.0, 1.0, np.nextafter(0.0, -1)]), np.zeros(3), 1.0)
    assert (index.code + index.col0).tolist() == [0, 1, -1]


def test_left_out_readings_do_not_widen_the_block(readings):
    """`use` limits both the index and the size of the block."""
    use = (readings.frame_m > 0).to_numpy() & (readings.frame_m < 3).to_numpy()
    index = cells.index(readings.frame_m.to_numpy(), readings.offset_m.to_numpy(), CELL_M, use)
    assert index.shape[1] == 10  # 3 m / 0.3048 m = 9.8
    assert np.array_equal(index.code >= 0, use)


def test_no_reading_gives_no_cells():
    """An index of nothing is a block of 0 x 0, and its statistics are empty."""
    index = cells.index(np.full(5, np.nan), np.zeros(5), 0.1)
    assert index.shape == (0, 0)
    assert cells.mean(index, np.ones(5)).shape == (0, 0)


def test_values_come_back_to_their_readings(readings):
    """A cell value looked up at the readings equals pandas' transform over the same groups."""
    index = _index(readings)
    back = cells.at_readings(index, cells.mean(index, readings.value.to_numpy()))
    row = np.floor(readings.offset_m.astype("f8") / CELL_M)
    expected = readings.groupby([row, np.floor(readings.frame_m / CELL_M)]).value.transform("mean")
    np.testing.assert_allclose(back, expected, rtol=1e-6)
    standing = cells.at_readings(index, np.ones(index.shape, bool))
    assert np.array_equal(standing, readings.frame_m.notna())


def test_arrays_of_two_dimensions_are_indexed_in_their_own_order():
    """(line, spot) arrays give the index of their flattened readings, whatever the shape of the values."""
    frame_m, offset_m = np.meshgrid(np.arange(4.0), np.arange(3.0), indexing="ij")
    index = cells.index(frame_m, offset_m, 1.0)
    value = np.arange(12.0).reshape(4, 3)
    assert np.array_equal(cells.mean(index, value), value.T)


@pytest.mark.parametrize("call", [
    lambda: cells.index(np.zeros(3), np.zeros(4), 1.0),
    lambda: cells.mean(cells.index(np.zeros(3), np.zeros(3), 1.0), np.zeros(4)),
    lambda: cells.at_readings(cells.index(np.zeros(3), np.zeros(3), 1.0), np.zeros((2, 2))),
])  # fmt: skip
def test_shapes_that_do_not_fit_are_refused(call):
    """Arrays that do not belong together raise ValueError with both shapes."""
    with pytest.raises(ValueError, match=r"shape|values"):
        call()
