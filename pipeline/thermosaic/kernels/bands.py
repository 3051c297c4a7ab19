"""Where on a level that comes back its cold bands lie, and how long the way from one to the next is on average.

Bands are followed from one to the next, so ways may differ from band to band and drift against an even rhythm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

NEXT_FRAC = (0.7, 1.3)  # of the period: where the next band is looked for
SPREAD_FRAC = 0.1  # of the period: how far ways usually differ
SOFT = 2.0  # noise sigmas from which more depth counts less and less: one very cold place does not draw the others
SMOOTH_M = 3.0  # the level is averaged over this
PRESENT_FRAC, PRESENT_SIGMAS = 0.25, 2.5  # of the usual depth, and of the noise: a shallower place is no band
PARTS, PART_FRAC = (4, 3, 2), 0.7  # of a period, where bands between are so deep and so many are there
FEWEST = 4  # bands that tell how their ways differ
SURE = 0.95
PHASE_M = 3.0  # way between two bands is parted so, for the share that they explain


@dataclass(frozen=True, eq=False, slots=True)
class Bands:
    """Bands along a level, in its direction; each is one period, more or less, past the one before."""

    place_m: np.ndarray  # from the middle of the level's first place
    depth: np.ndarray  # of the averaged level below nothing, its own unit
    present: np.ndarray  # bool: it is deep enough to be seen; else a band was due and none is there

    @property
    def period_m(self) -> float:
        """Mean way from one band to the next; NaN with fewer than two."""
        way, turns = self._ways()
        return float(way.sum() / turns.sum()) if len(way) else np.nan

    @property
    def period_sigma_m(self) -> float:
        """Sigma of that mean, taking ways as independent of each other; NaN with fewer than `FEWEST` bands.

        The mean of ways is the whole way by the turns, so its variance is that of one way by the turns. Where bands
        keep an even rhythm and only their places scatter, the true sigma is smaller.
        """
        way, turns = self._ways()
        if len(way) < FEWEST - 1:
            return np.nan
        of_one = ((way - turns * self.period_m) ** 2 / turns).sum() / (len(way) - 1)
        return float(np.sqrt(of_one / turns.sum()))

    @property
    def period_within_m(self) -> tuple[float, float]:
        """Interval that holds the mean way with 95 %, by Student's t; NaN with fewer than `FEWEST` bands."""
        way, _ = self._ways()
        half = self.period_sigma_m * (
            stdtrit(len(way) - 1, 0.5 + SURE / 2) if len(way) >= FEWEST - 1 else np.nan
        )
        return float(self.period_m - half), float(self.period_m + half)

    def _ways(self) -> tuple[np.ndarray, np.ndarray]:
        """Ways between neighbours that are present, and the number of periods that each stands for."""
        number = np.flatnonzero(self.present)
        return np.diff(self.place_m[number]), np.diff(number)


def nearest_bands(level: np.ndarray, step_m: float, period_m: float, shortest_m: float) -> Bands:
    """Bands about every `period_m`, or every half, third or quarter of it where those between are nearly as deep.

    Where loads differ in length a level may come back more strongly after two of them than after one.
    """
    for part in PARTS:
        if period_m / part < shortest_m:
            continue
        found = find_bands(level, step_m, period_m / part)
        turn = np.arange(len(found.depth)) % part
        usual = [np.median(found.depth[turn == k]) for k in range(part) if (turn == k).any()]
        if len(usual) == part and min(usual) >= PART_FRAC * max(usual) and found.present.mean() >= PART_FRAC:
            return found
    return find_bands(level, step_m, period_m)


def find_bands(level: np.ndarray, step_m: float, period_m: float) -> Bands:
    """Follow the bands of a level that comes back about every `period_m`.

    The sequence of places is the one with the most cold in all, less what ways differ from the period: Viterbi's
    algorithm. Near either end of the level a band may lie up to a way from it.

    Parameters
    ----------
    level : float64 (place), evenly spaced, against its trend, negative where cold; NaN = unknown
    step_m : float
        Distance of places.
    """
    smooth = _smoothed(level, max(round(SMOOTH_M / step_m), 1))
    spread = _unevenness(smooth, max(round(SMOOTH_M / step_m), 1))
    deep = -smooth / spread
    gain = np.where(deep > 0, SOFT * np.log1p(np.maximum(deep, 0) / SOFT), deep)
    first, last = (max(round(part * period_m / step_m), 1) for part in NEXT_FRAC)
    ways = np.arange(first, last + 1)
    cost = ((ways * step_m / period_m - 1) / SPREAD_FRAC) ** 2 / 2
    place = _climbed(-smooth, _followed(gain, ways, cost))
    depth = -smooth[place]
    usual = np.median(depth)
    present = (depth >= max(PRESENT_FRAC * usual, PRESENT_SIGMAS * spread)) & np.isfinite(level[place])
    return Bands(_summits(-smooth, place) * step_m, depth, present)


def _smoothed(level: np.ndarray, number: int) -> np.ndarray:
    """Running mean over known places, 0 where none is known."""
    known = np.isfinite(level)
    weight = np.convolve(known, np.ones(number), "same")
    return np.convolve(np.where(known, level, 0.0), np.ones(number), "same") / np.maximum(weight, 1)


def _unevenness(smooth: np.ndarray, number: int) -> float:
    """Sigma of a smoothed level by its steps over the smoothing's own length, robust; never 0."""
    steps = np.abs(smooth[number:] - smooth[:-number])
    return max(float(np.median(steps)) * 1.4826 / np.sqrt(2), 1e-9) if len(steps) else 1e-9


def _followed(gain: np.ndarray, ways: np.ndarray, cost: np.ndarray) -> np.ndarray:
    """Places, ascending, of the sequence with the most gain less cost of its ways."""
    best, came = gain.copy(), np.full(len(gain), -1)
    for here in range(len(gain)):
        before = here - ways
        reach = before >= 0
        if not reach.any():
            continue
        worth = best[before[reach]] - cost[reach]
        top = int(np.argmax(worth))
        if here >= ways[-1] or worth[top] > 0:  # a start is free only within the first way
            best[here] += worth[top]
            came[here] = before[reach][top]
    ends = max(len(gain) - int(ways[-1]), 0)  # the last band lies within a way of the level's end
    found = [ends + int(np.argmax(best[ends:]))]
    while came[found[-1]] >= 0:
        found.append(int(came[found[-1]]))
    return np.array(found[::-1])


def _climbed(height: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Places moved up to the tops that they lie on the slopes of."""
    padded = np.r_[-np.inf, height, -np.inf]
    while True:
        around = np.stack([padded[place + k] for k in range(3)])
        moved = place + np.array([0, -1, 1])[np.argmax(around[[1, 0, 2]], axis=0)]
        if (moved == place).all():
            return place
        place = moved


def _summits(height: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Tops of parabolas through places and their neighbours; the places themselves where they are no tops."""
    inner = np.clip(place, 1, len(height) - 2)
    before, here, after = (height[inner + k] for k in (-1, 0, 1))
    curve = before - 2 * here + after
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.where(curve < 0, 0.5 * (before - after) / curve, 0.0)
    return np.where((inner == place) & (np.abs(off) <= 1), place + off, place)


def share_explained(level: np.ndarray, step_m: float, bands: Bands) -> float:
    """Share of a level's variance that its place between two bands explains, 0 .. 1, adjusted for its phases.

    Means over parts of the way from each band to the next, of about `PHASE_M`, the first and last half around the
    bands; adjusted by degrees of freedom as R squared is (Theil 1961), so that no cycle gives about 0.
    """
    if bands.present.sum() < 2:
        return np.nan
    parts = max(round(bands.period_m / PHASE_M), 2)
    place = np.arange(len(level)) * step_m
    number = np.interp(place, bands.place_m, np.arange(len(bands.place_m)), left=np.nan, right=np.nan)
    use = np.isfinite(level) & np.isfinite(number)
    if use.sum() <= parts + 1:
        return np.nan
    phase = np.floor(number[use] * parts + 0.5).astype(int) % parts
    value = level[use]
    count = np.bincount(phase, minlength=parts)
    means = np.bincount(phase, value, minlength=parts) / np.maximum(count, 1)
    left, whole = ((value - means[phase]) ** 2).sum(), ((value - value.mean()) ** 2).sum()
    freedom = (len(value) - 1) / (len(value) - int((count > 0).sum()))
    return float(np.clip(1 - left / whole * freedom, 0, 1)) if whole > 0 else np.nan
