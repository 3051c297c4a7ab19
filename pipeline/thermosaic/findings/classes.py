"""The statistic of a profile and its class, by the rule."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..config import ClassesRule, StatisticRule
from ..errors import ConfigError
from ..kernels.percentiles import percentiles

INSUFFICIENT = "insufficient"
EQUAL = 1e-6  # of a rounding step: a limit is a whole number of steps in its own unit, not in ours


@dataclass(frozen=True, slots=True)
class Judgement:
    """The numbers of one profile; NaN and None where the statistic does not give them."""

    low_c: float
    high_c: float
    differential_delta_c: float
    share_frac: float  # of the sample below the reference; only for share_below_reference
    word: str
    rank: int | None
    margin_delta_c: float
    borderline: bool


def judge(
    values: np.ndarray,
    reference_c: np.ndarray | None,
    statistic: StatisticRule,
    classes: ClassesRule,
    laydown_target_c: float | None = None,
) -> Judgement:
    """Class a sample that is large enough to be classed.

    Parameters
    ----------
    values : float64 (sample), degC
    reference_c : float64 (sample), optional
        Running mean of the mat beside each value; needed by share_below_reference only.
    laydown_target_c : float, optional
        Needed by below_target only.

    Raises
    ------
    ConfigError
        The rule judges against the laydown target and the lot states none.
    """
    low, high = _ends(values, statistic, laydown_target_c)
    difference, share = high - low, np.nan
    if statistic.kind == "share_below_reference":
        share = float(np.mean(values < statistic.reference_frac * reference_c)) if len(values) else np.nan
        difference = np.nan
    amount = share if classes.is_share else difference
    if not math.isfinite(amount):
        return Judgement(low, high, difference, share, INSUFFICIENT, None, np.nan, False)
    rank = class_rank(amount, classes)
    limits = [word.up_to_delta_c for word in classes.words if word.up_to_delta_c is not None]
    margin = np.nan if classes.is_share else min(abs(difference - limit) for limit in limits)
    near = bool(margin <= classes.instrument_accuracy_delta_c)
    return Judgement(low, high, difference, share, classes.words[rank].word, rank, margin, near)


def _ends(values: np.ndarray, statistic: StatisticRule, target_c: float | None) -> tuple[float, float]:
    if len(values) == 0:
        return np.nan, np.nan
    if statistic.kind in ("max_minus_min", "share_below_reference"):
        return float(values.min()), float(values.max())
    pair = (statistic.low_percentile, statistic.high_percentile or 100.0)
    low, high = percentiles(values, pair, statistic.percentile_method).tolist()
    if statistic.kind == "below_target":
        if target_c is None:
            raise ConfigError(
                "lot.toml: [lot] laydown_target is missing, and the rule judges the mat against it; "
                'state it, like laydown_target = "300 degF"'
            )
        return low, target_c
    return low, high


def class_rank(amount: float, classes: ClassesRule) -> int:
    """Rank of a value among the classes, 0 = best: rounded half up first, limits inclusive.

    Compared are whole rounding steps, so that 25.0 degF is 25.0 degF whatever the unit inside.
    """
    step = classes.rounded_to_frac if classes.is_share else classes.rounded_to_delta_c
    steps = math.floor(amount / step + 0.5 + EQUAL)
    for rank, word in enumerate(classes.words):
        limit = word.up_to_frac if classes.is_share else word.up_to_delta_c
        if limit is None or steps <= limit / step + EQUAL:
            return rank
    return len(classes.words) - 1
