"""Columns across the mat: the warm part, noisy columns, exchanged ones."""

from __future__ import annotations

import numpy as np
import pytest

from thermosaic.kernels.across import exchanged_columns, noisy_columns, warm_span


def naive_span(level):
    """Try every part and measure the squares left over, one by one."""
    best = None
    for first in range(len(level)):
        for last in range(first, len(level)):
            inside = level[first : last + 1]
            outside = np.concatenate([level[:first], level[last + 1 :]])
            if not len(outside) or inside.mean() <= outside.mean() + 30:
                continue
            left_over = ((inside - inside.mean()) ** 2).sum() + ((outside - outside.mean()) ** 2).sum()
            best = min(best or (np.inf,), (left_over, first, last))
    return best and best[1:]


@pytest.mark.parametrize("seed", range(6))
def test_warm_span_is_the_best_of_all_parts(seed):
    """The part found leaves the least squares of all parts (naive loop)."""
    rng = np.random.default_rng(seed)
    level = np.full(24, 30.0)
    first, last = sorted(rng.choice(24, 2, replace=False))
    level[first : last + 1] = 140.0
    level += rng.normal(0, 4, 24)
    assert warm_span(level) == naive_span(level)


def test_a_wide_mat_has_no_edges():
    """Where every column is on the mat, or unevenness is all there is, nothing is called an edge."""
    assert warm_span(np.full(20, 140.0)) is None
    assert warm_span(140.0 + np.random.default_rng(2).normal(0, 5, 20)) is None


def uneven_mat(lines=600, spots=24):
    """Make unevenness wider than a spot: noise smoothed over five columns and twenty lines."""
    rng = np.random.default_rng(5)
    field = rng.normal(0, 1, (lines + 40, spots + 8))
    for axis, size in ((0, 20), (1, 5)):
        field = np.apply_along_axis(lambda row, n=size: np.convolve(row, np.ones(n) / n, "same"), axis, field)
    field = field[20 : lines + 20, 4 : spots + 4]
    return (140 + 2 * field / field.std() + rng.normal(0, 0.4, field.shape)).astype(np.float32)


def test_exchanged_columns_are_found():
    """Two exchanged columns are found, wherever they lie; an untouched mat, or pure noise, has none."""
    temp = uneven_mat()
    assert exchanged_columns(temp) is None
    assert exchanged_columns(np.random.default_rng(1).normal(140, 1, (400, 20)).astype(np.float32)) is None
    for one, other in ((3, 17), (0, 23), (8, 12)):
        swapped = temp.copy()
        swapped[:, [one, other]] = temp[:, [other, one]]
        assert exchanged_columns(swapped) == (one, other)


def test_noisy_columns_are_found():
    """A column that jumps by 6 degC from line to line is noisy; a dead one is not, and its neighbours are not."""
    temp = uneven_mat()
    temp[:, 7] += np.random.default_rng(3).normal(0, 6, len(temp))
    temp[:, 11] = np.nan
    assert np.flatnonzero(noisy_columns(temp)).tolist() == [7]
