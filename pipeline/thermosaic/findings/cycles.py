"""One period of a pass, with one significance: that of its zones' places or of the mat's cold level.

Zones tell a period sharply where there are enough of them; the cold level tells it also where load ends are
too warm to be zones. The less likely by chance of the two counts, zones where both are equal. Two looks were
taken, so the share of chance is doubled (Bonferroni).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..kernels.periods import Period
from ..kernels.runs import join

SIGNIFICANCE = 0.05
LONGEST_EVENT_M = 20.0  # a longer zone is no recurring event
SHORTEST_PERIOD_M = 10.0
LONGEST_PERIOD_M = 200.0
FEWEST_EVENTS = 4
SAME_EVENT_M = 1.0
PAIR_BIN_M = 0.25
PART_FRAC = 0.7
SEED = 20260514
LAG_STEP_M = 0.5
SPREAD_FRAC = 0.06  # of the period: loads differ in length
MEMBER_FRAC = 0.15
DRAWS = 199


@dataclass(frozen=True, slots=True)
class Recurrence:
    """Zones come back at one distance along a pass."""

    period_m: float
    significance: float  # share of random placings that recur as well


@dataclass(frozen=True, slots=True)
class Cycle:
    """What comes back along a pass; `by` is `zones` or `level`."""

    period_m: float
    significance: float  # share of chance that comes back as strongly, doubled for the two looks
    by: str
    strength: float | None = None  # autocorrelation of the level there; None by zones

    @property
    def is_significant(self) -> bool:
        return self.significance <= SIGNIFICANCE


def one_cycle(zones: Recurrence | None, level: Period | None) -> Cycle | None:
    """Choose between the period of zones and that of the cold level; None where neither has one."""
    if zones is not None and (level is None or zones.significance <= level.significance):
        return Cycle(zones.period_m, min(2 * zones.significance, 1.0), "zones")
    if level is None:
        return None
    return Cycle(level.period_m, min(2 * level.significance, 1.0), "level", level.strength)


def recurrence(
    from_m: np.ndarray, to_m: np.ndarray, counts: np.ndarray, span_m: tuple[float, float]
) -> Recurrence | None:
    """Look for a distance at which zones recur.

    Zones side by side or at most 1 m apart are one event. The strength of a lag is the number of pairs of
    events at that distance, each with a weight that falls to nothing over 6 % of the lag; a half, third or
    quarter of the strongest lag is the period where it is at least 0.7 as strong. Significance is the share
    of 199 random placings (as many events, uniform over the pass, fixed seed) whose strongest lag is as
    strong.

    Parameters
    ----------
    from_m, to_m : float64 (zone) distances along one pass
    counts : bool (zone)
        Whether a zone counts as an event: those that a stop or the start of the pass explains do not, though
        they may belong to what recurs.
    span_m : first and last distance of the pass

    Returns
    -------
    Recurrence, or None where nothing recurs (fewer than 4 zones, or significance above 0.05).
    """
    place = _events(from_m, to_m, counts) - span_m[0]
    length_m = span_m[1] - span_m[0]
    if len(place) < FEWEST_EVENTS or length_m < 3 * SHORTEST_PERIOD_M:
        return None
    lags = np.arange(SHORTEST_PERIOD_M, min(LONGEST_PERIOD_M, length_m / 2.5), LAG_STEP_M)
    strength = _strength(place[None, :], lags)[0]
    drawn = np.random.default_rng(SEED).uniform(0, length_m, (DRAWS, len(place)))
    chance = _strength(np.sort(drawn, axis=1), lags).max(axis=1)
    significance = (1 + int((chance >= strength.max()).sum())) / (DRAWS + 1)
    if significance > SIGNIFICANCE:
        return None
    return Recurrence(_refine(place, _shortest(lags, strength)), significance)


def _events(from_m: np.ndarray, to_m: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Middles of events, ascending: zones that count and are short, those side by side as one."""
    order = np.flatnonzero((to_m - from_m <= LONGEST_EVENT_M) & counts)
    order = order[np.argsort(from_m[order], kind="stable")]
    ends = np.column_stack((from_m[order], np.maximum.accumulate(to_m[order])))
    return join(ends, SAME_EVENT_M).mean(axis=1) if len(order) else np.empty(0)


def members(from_m: np.ndarray, to_m: np.ndarray, counts: np.ndarray, period_m: float) -> tuple[int, ...]:
    """Zones that lie one period from an event, within 15 % of it; arguments as in `recurrence`."""
    middle = (from_m + to_m) / 2
    apart = np.abs(np.abs(middle[:, None] - _events(from_m, to_m, counts)[None, :]) - period_m)
    near = (apart <= MEMBER_FRAC * period_m).any(axis=1) & (to_m - from_m <= LONGEST_EVENT_M)
    return tuple(int(i) for i in np.flatnonzero(near))


def _strength(place_m: np.ndarray, lags_m: np.ndarray) -> np.ndarray:
    """Weighted number of pairs at each lag, (placing, lag); places ascend within a placing."""
    number = int(np.ceil(lags_m[-1] * (1 + SPREAD_FRAC) / PAIR_BIN_M)) + 2
    row = np.arange(len(place_m))[:, None] * number
    pairs = np.zeros(len(place_m) * number, np.int64)
    for step in range(1, place_m.shape[1]):  # to the next place, the one after it ..
        slot = (place_m[:, step:] - place_m[:, :-step]) / PAIR_BIN_M
        near = slot < number - 1
        if not near.any():
            break
        pairs += np.bincount((slot.astype(np.int64) + row)[near], minlength=len(pairs))
    pairs = pairs.reshape(len(place_m), number)
    away = np.abs((np.arange(number)[:, None] + 0.5) * PAIR_BIN_M - lags_m)
    return pairs @ np.clip(1 - away / (SPREAD_FRAC * lags_m), 0, 1)


def _shortest(lags_m: np.ndarray, strength: np.ndarray) -> float:
    """Strongest lag, or the part of it that is nearly as strong."""
    best = int(np.argmax(strength))
    for part in (4, 3, 2):
        near = np.abs(lags_m - lags_m[best] / part) <= SPREAD_FRAC * lags_m[best] / part
        if near.any() and strength[near].max() >= PART_FRAC * strength[best]:
            return float(lags_m[near][np.argmax(strength[near])])
    return float(lags_m[best])


def _refine(place_m: np.ndarray, period_m: float) -> float:
    """Mean period over the intervals that are close to a whole number of periods."""
    step = np.diff(place_m)
    turns = np.round(step / period_m)
    good = (turns >= 1) & (np.abs(step - turns * period_m) <= MEMBER_FRAC * period_m)
    return float(step[good].sum() / turns[good].sum()) if good.any() else period_m
