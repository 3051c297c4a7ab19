"""Whether a level along a pass comes back at one distance, by its autocorrelation, and how surely.

Significance is against the same level cut into short blocks and shuffled: what is uneven over a few metres
stays, what is regular goes. Random with a fixed seed, so that equal input gives equal output.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import fft

BLOCK_M = 10.0
DRAWS, DRAWS_AT_ONCE = 199, 16
SEED = 20260514
PART_FRAC = 0.7  # a half to a sixth of the best lag is the period where it is at least so strong
NEAR_FRAC = 0.08  # of a lag: loads differ in length


@dataclass(frozen=True, slots=True)
class Period:
    """The strongest distance at which a level comes back."""

    period_m: float
    strength: float  # autocorrelation there, 1 = the same level again
    significance: float  # share of shuffled levels that come back as strongly


@dataclass(frozen=True, eq=False, slots=True)
class Correlogram:
    """How strongly a level comes back at each lag, and how strongly chance does."""

    step_m: float
    strength: np.ndarray  # (lag) autocorrelation, from lag 0; one lag more than is looked at
    chance: np.ndarray  # (draw) strongest autocorrelation of each shuffled level, over the lags looked at
    first: int  # lags looked at, both included
    last: int

    @property
    def lag_m(self) -> np.ndarray:
        return np.arange(len(self.strength)) * self.step_m

    def period(self) -> Period:
        """Strongest period, with its share of chance."""
        best = _shortest(self.strength, self.first, self.last)
        peak = float(self.strength[self.first : self.last + 1].max())
        significance = (1 + int((self.chance >= peak).sum())) / (DRAWS + 1)
        return Period(
            float(_summit(self.strength, best) * self.step_m), float(self.strength[best]), significance
        )


def find_period(level: np.ndarray, step_m: float, shortest_m: float, longest_m: float) -> Period | None:
    """Find the strongest period of a level.

    Parameters
    ----------
    level : float64 (place), evenly spaced, without trend; NaN = unknown
    step_m : float
        Distance of places.
    shortest_m, longest_m : float
        Periods looked for; at least three must fit into the level.

    Returns
    -------
    Period, or None where the level is too short or does not vary.
    """
    found = correlogram(level, step_m, shortest_m, longest_m)
    return None if found is None else found.period()


def correlogram(level: np.ndarray, step_m: float, shortest_m: float, longest_m: float) -> Correlogram | None:
    """Look at every lag between two periods; arguments and None as for `find_period`."""
    length_m = len(level) * step_m
    known = np.isfinite(level)
    first, last = round(shortest_m / step_m), int(min(longest_m, length_m / 3) / step_m)
    if last <= first or known.sum() < 3 * first or not np.ptp(level[known]) > 0:
        return None
    value = np.where(known, level - level[known].mean(), 0.0)
    strength = _autocorrelation(value[None])[0, : last + 2]
    block = max(round(BLOCK_M / step_m), 1)
    chance = np.concatenate(
        [_autocorrelation(draws)[:, first : last + 1].max(axis=1) for draws in _shuffled(value, block)]
    )
    return Correlogram(step_m, strength, chance, first, last)


def _autocorrelation(values: np.ndarray) -> np.ndarray:
    """Autocorrelation (draw, lag) of levels of mean 0, unknown places 0.

    Sums are not divided by the number of pairs, so that of equal returns the nearer is the stronger.
    """
    size = fft.next_fast_len(2 * values.shape[1], real=True)
    sums = fft.irfft(np.abs(fft.rfft(values, size)) ** 2, size)[:, : values.shape[1]]
    return sums / sums[:, :1]


def _shuffled(value: np.ndarray, block: int) -> Iterator[np.ndarray]:
    """Draws of a level whose blocks are put in another order, a few (draw, place) at a time; a rest stays last."""
    number = len(value) // block
    blocks = value[: number * block].reshape(number, block)
    order = np.argsort(np.random.default_rng(SEED).random((DRAWS, number)), axis=1)
    for start in range(0, DRAWS, DRAWS_AT_ONCE):
        draws = blocks[order[start : start + DRAWS_AT_ONCE]].reshape(-1, number * block)
        rest = np.broadcast_to(value[number * block :], (len(draws), len(value) - number * block))
        yield np.concatenate((draws, rest), axis=1)


def _shortest(strength: np.ndarray, first: int, last: int) -> int:
    """Lag of the strongest peak, or of its half to sixth where that is a peak nearly as strong."""
    before, here, after = (strength[first + k : last + 1 + k] for k in (-1, 0, 1))
    peaks = first + np.flatnonzero((here > before) & (here >= after))
    if not len(peaks):
        return first + int(np.argmax(strength[first : last + 1]))
    best = int(peaks[np.argmax(strength[peaks])])
    for part in (6, 5, 4, 3, 2):
        near = peaks[np.abs(peaks - best / part) <= NEAR_FRAC * best / part]
        if len(near) and strength[near].max() >= PART_FRAC * strength[best]:
            return int(near[np.argmax(strength[near])])
    return best


def _summit(strength: np.ndarray, lag: int) -> float:
    """Lag of the top of a parabola through a peak and its neighbours."""
    before, here, after = strength[lag - 1 : lag + 2]
    curve = before - 2 * here + after
    return lag + (0.5 * (before - after) / curve if curve < 0 else 0.0)
