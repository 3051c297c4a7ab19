"""Two fields on one lattice at every circular shift along their columns, by Fourier transforms.

A shift along station keeps what each field is like along itself (how far a cold place reaches, how often loads
end) and breaks only what ties the two together: the fields at all shifts are what chance gives.
"""

from __future__ import annotations

import numpy as np


def sums(first: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Sum over the cells that both fields hold, at every circular shift of the other.

    Parameters
    ----------
    first, other : float64 (row, col), NaN = empty
        `other` is rolled by d columns, so that its column c lies at column c + d of `first`.

    Returns
    -------
    float64 (6, col)
        Count of cells, sums of first, other, first squared, other squared, and their product, at each d.

    Raises
    ------
    ValueError
        If the shapes differ.

    Examples
    --------
    >>> sums(np.array([[1.0, 2.0, np.nan]]), np.array([[5.0, 7.0, 9.0]]))[0].round().tolist()
    [2.0, 2.0, 2.0]
    """
    if first.shape != other.shape:
        raise ValueError(f"fields differ in shape: {first.shape} and {other.shape}")
    fields = [np.nan_to_num(item) for item in (first, other)]
    held = [np.isfinite(item).astype(float) for item in (first, other)]
    (a, b), (a2, b2) = ([np.fft.rfft(item, axis=1) for item in group] for group in (fields, _squared(fields)))
    m, n = (np.fft.rfft(item, axis=1) for item in held)
    pairs = ((m, n), (a, n), (m, b), (a2, n), (m, b2), (a, b))
    return np.array([
        np.fft.irfft((one * np.conj(two)).sum(axis=0), first.shape[1]) for one, two in pairs
    ])  # fmt: skip


def _squared(fields: list[np.ndarray]) -> list[np.ndarray]:
    return [item**2 for item in fields]


def correlation(found: np.ndarray) -> np.ndarray:
    """Correlation coefficient from `sums` (6, ...); NaN where fewer than three cells or no spread is left.

    >>> correlation(np.array([3.0, 6.0, 6.0, 14.0, 14.0, 14.0])).item()
    1.0
    """
    count, first, other, first2, other2, product = found
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = (first2 - first**2 / count) * (other2 - other**2 / count)
        known = (count > 2.5) & (spread > 1e-12 * np.maximum(first2 * other2, 1e-300))
        return np.where(known, (product - first * other / count) / np.sqrt(spread), np.nan)
