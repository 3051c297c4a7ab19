"""Scanner spots against a calibrated reference thermometer: bias, limits of agreement, each spot, uniformity.

Method of J. M. Bland and D. G. Altman, Lancet 1986, i, 307-310: differences of paired readings, their mean
(bias) and mean +- 1.96 standard deviations (limits of agreement), with confidence intervals from t and from
sqrt(3 s2 / n). A correction is not applied here or anywhere unasked: raw readings are kept. What another emissivity
than the one set on the instrument would explain of a bias is said beside it (`kernels.radiation` has the formula).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from ..delivery import tell
from ..kernels.radiation import corrected_temperature
from ..model import EquipmentCheck
from ..values import duration

TOLERANCE_DELTA_C = 4.0 / 1.8  # 4 degF, or 2 % of the reading: Tex-244-F (July 2023), camera part
TOLERANCE_FRAC = 0.02
FEWEST_PAIRS = 10
Z_95 = 1.96


@dataclass(frozen=True, slots=True)
class Agreement:
    """Bias and limits of agreement of n pairs, each with its 95 % confidence interval; scanner less reference."""

    count: int
    bias: float
    sd: float
    low: float
    high: float
    bias_interval: tuple[float, float]
    low_interval: tuple[float, float]
    high_interval: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Emissivity:
    """What was set on the instrument, what the mat has, and the temperature that the mat reflects."""

    set_: float
    true: float
    reflected_c: float


@dataclass(frozen=True, eq=False, slots=True)
class ThermometerFinding:
    """The verdict, the agreement (degC), the pairs, and one row a spot."""

    check: EquipmentCheck
    agreement: Agreement
    pairs: pd.DataFrame  # spot, scanner_c, reference_c, mean_c, difference_delta_c, tolerance_delta_c
    spots: pd.DataFrame  # spot, count, bias_delta_c, sd_delta_c, within
    uniformity_delta_c: float  # largest less smallest bias of a spot; NaN with one spot


def match_readings(
    scan_utc: np.ndarray,
    temp_c: np.ndarray,
    reference_utc: np.ndarray,
    spot: np.ndarray,
    reference_c: np.ndarray,
    window_s: float = 2.0,
) -> pd.DataFrame:
    """Pair each reference reading with the median of its spot's readings around that time.

    Parameters
    ----------
    scan_utc : numpy.ndarray
        datetime64[ns] (line), ascending, on the same clock as the reference.
    temp_c : numpy.ndarray
        (line, spot) degC, NaN = none.
    reference_utc, spot, reference_c : numpy.ndarray
        (reading) time, number of the spot (1 = first column), degC.
    window_s : float
        Readings this far before and after count.

    Returns
    -------
    pandas.DataFrame
        spot, scanner_c, reference_c; readings of the reference without a scanner reading are left out.
    """
    half = duration(window_s)
    rows = []
    for moment, number, reference in zip(reference_utc, spot, reference_c, strict=True):
        if not 1 <= number <= temp_c.shape[1]:
            raise ValueError(f"there is no spot {number}: the scan has spots 1 to {temp_c.shape[1]}")
        first, last = np.searchsorted(scan_utc, [moment - half, moment + half], side="left")
        near = temp_c[first:last, int(number) - 1]
        near = near[np.isfinite(near)]
        if len(near):
            rows.append((int(number), float(np.median(near)), float(reference)))
    return pd.DataFrame(rows, columns=["spot", "scanner_c", "reference_c"])


def agreement_of(difference: np.ndarray) -> Agreement:
    """Bias and limits of agreement of paired differences, at least two."""
    values = np.asarray(difference, float)
    count = len(values)
    if count < 2:
        raise ValueError("two pairs at least are needed to judge agreement")
    bias, sd = float(values.mean()), float(values.std(ddof=1))
    t = float(stats.t.ppf(0.975, count - 1))
    about_bias, about_limit = t * sd / math.sqrt(count), t * sd * math.sqrt(3 / count)
    low, high = bias - Z_95 * sd, bias + Z_95 * sd
    return Agreement(
        count,
        bias,
        sd,
        low,
        high,
        (bias - about_bias, bias + about_bias),
        (low - about_limit, low + about_limit),
        (high - about_limit, high + about_limit),
    )


def check_thermometer(
    spot: np.ndarray, scanner_c: np.ndarray, reference_c: np.ndarray, tolerance_delta_c: float | None = None
) -> ThermometerFinding:
    """Judge paired readings.

    Parameters
    ----------
    spot : numpy.ndarray
        (pair) number of the spot.
    scanner_c, reference_c : numpy.ndarray
        (pair) degC.
    tolerance_delta_c : float, optional
        Stated tolerance; else the larger of 4 degF and 2 % of the reference in degC.

    Returns
    -------
    ThermometerFinding
        `fail` when a spot's mean difference lies outside the tolerance, `look` when single pairs do or when
        there are fewer than ten, else `pass`.
    """
    pairs = pd.DataFrame({"spot": spot, "scanner_c": scanner_c, "reference_c": reference_c}).dropna()
    agreement = agreement_of(pairs["scanner_c"] - pairs["reference_c"])
    share = np.maximum(TOLERANCE_DELTA_C, TOLERANCE_FRAC * pairs["reference_c"].abs())
    pairs["mean_c"] = (pairs["scanner_c"] + pairs["reference_c"]) / 2
    pairs["difference_delta_c"] = pairs["scanner_c"] - pairs["reference_c"]
    pairs["tolerance_delta_c"] = share if tolerance_delta_c is None else tolerance_delta_c
    spots = _by_spot(pairs)
    biases = spots["bias_delta_c"]
    uniformity = float(biases.max() - biases.min()) if len(spots) > 1 else float("nan")
    return ThermometerFinding(
        _verdict(pairs, spots, agreement, uniformity), agreement, pairs, spots, uniformity
    )


def agreement_by_emissivity(finding: ThermometerFinding, emissivity: Emissivity) -> Agreement:
    """Agreement that the same pairs would have, had the instrument been set to the mat's emissivity.

    Raises
    ------
    ValueError
        An emissivity that is none, or a reflection that explains more than a reading.
    """
    readings = finding.pairs["scanner_c"].to_numpy()
    there = corrected_temperature(readings, emissivity.set_, emissivity.true, emissivity.reflected_c)
    if np.isnan(there).any():
        raise ValueError(
            tell(
                "{reflected_c:.0f} reflected explain more than a reading of {reading_c:.0f}: check --emissivity "
                "and --reflected",
                reflected_c=emissivity.reflected_c, reading_c=readings[np.isnan(there)][0],
            )
        )  # fmt: skip
    return agreement_of(there - finding.pairs["reference_c"])


def _by_spot(pairs: pd.DataFrame) -> pd.DataFrame:
    groups = pairs.groupby("spot")
    spots = groups["difference_delta_c"].agg(count="count", bias_delta_c="mean", sd_delta_c="std")
    spots["within"] = spots["bias_delta_c"].abs() <= groups["tolerance_delta_c"].mean()
    return spots.reset_index()


def _verdict(
    pairs: pd.DataFrame, spots: pd.DataFrame, agreement: Agreement, uniformity: float
) -> EquipmentCheck:
    """Judge spots and pairs by their tolerance, in one sentence."""
    tolerance = float(pairs["tolerance_delta_c"].mean())
    outside = int((pairs["difference_delta_c"].abs() > pairs["tolerance_delta_c"]).sum())
    text = tell(
        "bias {bias_delta_c:+.2f}, 95 % limits of agreement {low_delta_c:+.2f} to {high_delta_c:+.2f} "
        "from {count} pairs of {spots} spots",
        bias_delta_c=agreement.bias, low_delta_c=agreement.low, high_delta_c=agreement.high,
        count=agreement.count, spots=len(spots),
    )  # fmt: skip
    if not np.isnan(uniformity):
        text += tell(", spots differ by up to {uniformity_delta_c:.2f}", uniformity_delta_c=uniformity)
    off = spots.loc[~spots["within"], "spot"].tolist()
    if off:
        verdict, text = "fail", text + f"; outside the tolerance: spot {', '.join(map(str, off))}"
    elif outside or len(pairs) < FEWEST_PAIRS:
        few = (
            f"{FEWEST_PAIRS} pairs are needed"
            if len(pairs) < FEWEST_PAIRS
            else f"{outside} pairs are outside"
        )
        verdict, text = "look", text + f"; {few}"
    else:
        verdict = "pass"
    return EquipmentCheck("thermometer", agreement.bias, "degC", tolerance, "degC", verdict, text, None)
