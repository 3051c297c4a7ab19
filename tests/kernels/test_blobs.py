"""Connected cells against scipy.ndimage and a naive flood fill."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from hypothesis.extra import numpy as arrays
from scipy import ndimage

from thermosaic.kernels import blobs

IMAGES = arrays.arrays(
    np.int8, some.tuples(some.integers(1, 9), some.integers(1, 12)), elements=some.integers(0, 2)
)


def _flood(strong: np.ndarray, weak: np.ndarray) -> np.ndarray:
    """Grow from every strong cell over weak neighbours, one by one."""
    reached, waiting = strong.copy(), list(zip(*np.nonzero(strong), strict=True))
    while waiting:
        row, col = waiting.pop()
        for r in range(max(row - 1, 0), min(row + 2, weak.shape[0])):
            for c in range(max(col - 1, 0), min(col + 2, weak.shape[1])):
                if weak[r, c] and not reached[r, c]:
                    reached[r, c] = True
                    waiting.append((r, c))
    return reached


@settings(max_examples=200, deadline=None)
@given(IMAGES)
def test_hysteresis_keeps_what_a_flood_from_the_strong_cells_reaches(image):
    """Labelled is exactly what a naive flood fill reaches; parts are those of scipy.ndimage.label on it."""
    strong, weak = image == 2, image >= 1
    labels, number = blobs.hysteresis(strong, weak)
    reached = _flood(strong, weak)
    assert np.array_equal(labels > 0, reached)
    reference, count = ndimage.label(reached, np.ones((3, 3)))
    assert number == count
    pairs = set(zip(labels[reached].tolist(), reference[reached].tolist(), strict=True))
    assert len(pairs) == count  # a relabelling, one to one


def test_labels_run_without_holes_in_reading_order():
    """A weak part without a strong cell takes no number."""
    image = np.array([[1, 0, 2, 0, 1, 0, 2, 1]])
    labels, number = blobs.hysteresis(image == 2, image >= 1)
    assert labels.tolist() == [[0, 0, 1, 0, 0, 0, 2, 2]]
    assert number == 2


def test_images_of_different_shape_are_refused():
    """Strong and weak must be two looks at one image."""
    with pytest.raises(ValueError, match="differ in shape"):
        blobs.hysteresis(np.zeros((2, 2), bool), np.zeros((2, 3), bool))


@settings(max_examples=100, deadline=None)
@given(IMAGES)
def test_bridging_once_equals_a_moving_mean(image):
    """One step fills as scipy's generic_filter with a mean over 3 x 3 does, and leaves given cells alone."""
    holes = np.where(image == 0, np.nan, image.astype(float))
    filled = blobs.bridge_empty(holes, 1)

    def mean(window: np.ndarray) -> float:
        known = window[np.isfinite(window)]
        return known.mean() if len(known) else np.nan

    expected = ndimage.generic_filter(holes, mean, size=3, mode="constant", cval=np.nan)
    np.testing.assert_allclose(filled, np.where(np.isnan(holes), expected, holes), rtol=1e-12)


def test_bridging_reaches_as_far_as_asked():
    """A hole four cells from the rim stays open with reach 3 and closes with reach 4."""
    row = np.full((1, 9), np.nan)
    row[0, 0] = 5.0
    assert np.isfinite(blobs.bridge_empty(row, 3)).sum() == 4
    assert np.isfinite(blobs.bridge_empty(row, 8)).all()
