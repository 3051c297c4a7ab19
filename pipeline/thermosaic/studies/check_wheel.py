"""The wheel's constant, from driven distances over a measured course: length per count, and how well it repeats.

Drive the course several times in paving direction, tyre as warm and as loaded as in paving. 150 ft is a
common course (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..delivery import tell
from ..model import EquipmentCheck

FEWEST_RUNS = 3
TOLERANCE_FRAC = 0.01  # of the distance: from memory and unsure, to be checked against the contract


@dataclass(frozen=True, eq=False, slots=True)
class WheelFinding:
    """The verdict, and one row a run: course_m, counted, per_count_m, off_frac, gnss_m, gnss_off_frac."""

    check: EquipmentCheck
    runs: pd.DataFrame
    per_count_m: float
    repeatability_frac: float  # one standard deviation of a run
    sigma_frac: float  # of the mean
    radius_m: float | None  # effective, where the counts of a turn are known
    in_use_off_frac: float | None  # constant in use against the measured one


def check_wheel(
    course_m: np.ndarray,
    counted: np.ndarray,
    gnss_m: np.ndarray | None = None,
    in_use_m: float | None = None,
    counts_per_turn: float | None = None,
    tolerance_frac: float = TOLERANCE_FRAC,
) -> WheelFinding:
    """Find the wheel's constant.

    Parameters
    ----------
    course_m : numpy.ndarray
        (run) taped length driven, m.
    counted : numpy.ndarray
        (run) counts, or metres where the logger turns counts into metres itself (then the constant is a
        factor on them).
    gnss_m : numpy.ndarray, optional
        (run) distance by GNSS, m; NaN where none.
    in_use_m : float, optional
        Constant in use, m a count.
    counts_per_turn : float, optional
        Counts of one turn of the wheel: gives its effective radius.
    tolerance_frac : float
        Largest share of the distance that a run may be off.

    Returns
    -------
    WheelFinding
        Constant = sum of courses / sum of counts. `pass` when every run lies within the tolerance of it; `look`
        with fewer than three runs. The constant in use is compared and does not change the verdict: it is
        the lot's, and `check` holds the two against each other.

    Raises
    ------
    ValueError
        No run, or a run that cannot be.
    """
    course, count = np.asarray(course_m, float), np.asarray(counted, float)
    if len(course) == 0 or course.shape != count.shape:
        raise ValueError("one taped length and one count for each run are needed")
    if not (np.all(course > 0) and np.all(count > 0)):
        raise ValueError("taped lengths and counts must be above 0: check the counter's sign")
    per_count = float(course.sum() / count.sum())
    runs = _runs(course, count, gnss_m, per_count)
    spread = float(runs["off_frac"].std(ddof=1)) if len(runs) > 1 else float("nan")
    check = _verdict(runs, per_count, spread, tolerance_frac)
    used = None if in_use_m is None else in_use_m / per_count - 1.0
    radius = None if counts_per_turn is None else per_count * counts_per_turn / (2 * math.pi)
    return WheelFinding(check, runs, per_count, spread, spread / math.sqrt(len(runs)), radius, used)


def _runs(course: np.ndarray, count: np.ndarray, gnss_m: np.ndarray | None, per_count: float) -> pd.DataFrame:
    gnss = np.full(len(course), np.nan) if gnss_m is None else np.asarray(gnss_m, float)
    return pd.DataFrame(
        {
            "course_m": course,
            "counted": count,
            "per_count_m": course / count,
            "off_frac": per_count * count / course - 1.0,
            "gnss_m": gnss,
            "gnss_off_frac": gnss / course - 1.0,
        }
    )


def _verdict(runs: pd.DataFrame, per_count: float, spread: float, tolerance: float) -> EquipmentCheck:
    worst = float(runs["off_frac"].abs().max())
    text = tell("{count_m:.5gmm} a count from {runs} runs", count_m=per_count, runs=len(runs))
    text += f", worst run {100 * worst:.2f} % off" + (
        "" if np.isnan(spread) else f", standard deviation {100 * spread:.2f} %"
    )
    gnss = runs["gnss_off_frac"].dropna()
    text += f"; GNSS distance {100 * gnss.mean():+.2f} % off the tape" if len(gnss) else ""
    verdict = "pass" if worst <= tolerance else "fail"
    if verdict == "pass" and len(runs) < FEWEST_RUNS:
        verdict, text = "look", text + f"; {FEWEST_RUNS} runs are needed to see how well it repeats"
    return EquipmentCheck("wheel", per_count, "m", tolerance, "share", verdict, text, "rig.wheel_per_count")
