"""Connected parts of an image of cells: labels, hysteresis, holes.

Labels run from 1 in reading order of the image (row by row), 0 is background. Diagonal neighbours
belong together, so that a thin oblique streak stays one thing.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

EIGHT = np.ones((3, 3), bool)


def label(mask: np.ndarray) -> tuple[np.ndarray, int]:
    """Label the parts of a bool image (row, col): int32 labels and their number."""
    labels, number = ndimage.label(mask, EIGHT)
    return labels, int(number)


def hysteresis(strong: np.ndarray, weak: np.ndarray) -> tuple[np.ndarray, int]:
    """Label the parts of `weak` that hold at least one cell of `strong`.

    Both are bool (row, col); a strong cell counts as weak too. Returns labels 1 .. n, and n.

    >>> hysteresis(np.array([[0, 1, 0, 0, 0]]) > 0, np.array([[1, 1, 0, 1, 1]]) > 0)[0].tolist()
    [[1, 1, 0, 0, 0]]
    """
    if strong.shape != weak.shape:
        raise ValueError(f"strong {strong.shape} and weak {weak.shape} differ in shape")
    labels, number = label(weak | strong)
    holds = np.zeros(number + 1, bool)
    holds[labels[strong]] = True
    holds[0] = False
    return keep(labels, holds)


def keep(labels: np.ndarray, wanted: np.ndarray) -> tuple[np.ndarray, int]:
    """Keep the labels marked in `wanted` (bool, index = label) and number them anew in their order."""
    renumbered = np.where(wanted, np.cumsum(wanted), 0).astype(np.int32)
    renumbered[0] = 0
    return renumbered[labels], int(wanted[1:].sum())


def bridge_empty(image: np.ndarray, reach: int) -> np.ndarray:
    """Fill empty cells (NaN) up to `reach` cells from a given one by the mean of their eight neighbours.

    Repeated `reach` times, so a hole is closed from its rim. The given cells are unchanged.

    >>> bridge_empty(np.array([[1.0, np.nan, 3.0, np.nan, np.nan]]), 1).tolist()
    [[1.0, 2.0, 3.0, 3.0, nan]]
    """
    filled = image.copy()
    for _ in range(reach):
        have = np.isfinite(filled)
        if have.all():
            break
        total, number = np.where(have, filled, 0.0), have.astype(float)
        for axis in (0, 1):
            total = ndimage.convolve1d(total, np.ones(3), axis=axis, mode="constant")
            number = ndimage.convolve1d(number, np.ones(3), axis=axis, mode="constant")
        take = ~have & (number > 0.5)
        filled[take] = total[take] / number[take]
    return filled
