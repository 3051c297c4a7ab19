"""How even the mat is, in plainly named numbers: variogram, share colder than a drop, load cycle, tonnage.

They describe and judge nothing. Variogram and cycle stand on the readings in the rule's scope before any
temperature cut, as means on the cells of zones; first differences of cells along and across the mat within
a pass, never between passes. A slow drift of the plant is part of the variogram along, not of the cycle.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from ..config import RuleProfile, ZoneRule
from ..kernels import periods, variograms, yields
from ..kernels.periods import Correlogram, Period
from .cycles import DRAWS, LONGEST_PERIOD_M, SHORTEST_PERIOD_M, Cycle
from .verdicts import CODE
from .zones import ColdField

IN_SCOPE = [CODE[word] for word in ("", "too_cold", "too_hot")]
LAGS = 20
MOST_CELLS = 50_000  # of an image; of larger ones only the pairs of every second, third .. column are taken
STEP_M = 1.0  # the cold level is averaged over this before its cycle is sought
COLD_PERCENT = 10  # of the cells across, the level whose cycle is sought (common practice, no source)
METHOD = (
    "semivariance of cell means, half the mean squared difference at a lag; spherical model by least squares "
    "with weights pairs / lag^2, nugget and partial sill not below 0"
)
CYCLE_METHOD = (
    f"autocorrelation along the pass of the {COLD_PERCENT}th percentile across, less its running median; "
    f"significance against {periods.DRAWS} shufflings of {periods.BLOCK_M:g} m blocks; or the recurrence of cold "
    f"zones against {DRAWS} random placings, where that is no likelier by chance; doubled for the two looks"
)


def uniformity(
    fields: tuple[ColdField, ...],
    images: tuple[np.ndarray, ...],
    cycles: tuple[Cycle | None, ...],
    rules: RuleProfile,
) -> dict[str, Any]:
    """Uniformity numbers of a lot.

    Parameters
    ----------
    fields : tuple of ColdField, one a pass
    images : tuple of float64 (row, col)
        The `image_in_scope` of each field.
    cycles : tuple, one a pass
        Found with the zones, from the same level (`cold_period`).

    Returns
    -------
    dict
        For quality.json: `along` and `across` (nugget, sill, range and the binned variogram), `colder`
        (share of the mat's cells colder than the rule's drop below their reference), `cycle` by pass.
    """
    cell_m = rules.zone.cell_m
    widest = max((image.shape[0] for image in images), default=0)
    return {
        "cell_m": cell_m,
        "method": METHOD,
        "along": _variogram(images, round(rules.profile.length_m / cell_m), 1, cell_m),
        "across": _variogram(images, widest * 2 // 3, 0, cell_m),
        "colder": _colder(fields, rules.zone.drop_delta_c),
        "cycle_method": CYCLE_METHOD,
        "cycle": {
            field.readings.mat.id: {"period_m": None} if found is None else asdict(found)
            for field, found in zip(fields, cycles, strict=True)
        },
    }


def image_in_scope(field: ColdField, reason: np.ndarray) -> np.ndarray:
    """Mean of the readings in scope in each cell, float64 (row, col), NaN = empty; `reason` is the block's."""
    index = field.readings.cells
    scope = np.zeros(len(CODE) + 1, bool)
    scope[IN_SCOPE] = True
    use = np.flatnonzero((scope[reason] & field.clean).ravel())
    code = index.code[use]
    number = np.bincount(code, minlength=index.size)
    total = np.bincount(code, field.readings.temp_c.ravel()[use], minlength=index.size)
    with np.errstate(invalid="ignore"):
        return np.where(number > 0, total / np.maximum(number, 1), np.nan).reshape(index.shape)


def _variogram(images: tuple[np.ndarray, ...], most: int, axis: int, cell_m: float) -> dict[str, Any]:
    """Variogram of all passes together along an axis of their images, and the model fitted to it."""
    lags = variograms.lags(most, LAGS)
    pairs, squares = np.zeros(len(lags), np.int64), np.zeros(len(lags))
    every = max(1, -(-sum(image.size for image in images) // MOST_CELLS))
    for image in images:
        found = variograms.pair_sums(image, lags, axis, every)
        pairs, squares = pairs + found[0], squares + found[1]
    held = pairs > 0
    lag_m, pairs = lags[held] * cell_m, pairs[held]
    semivariance = squares[held] / 2 / pairs
    model = variograms.fit_spherical(lag_m, pairs, semivariance)
    fitted = {
        "nugget_delta_c2": model.nugget,
        "sill_delta_c2": model.sill,
        "range_m": model.range_,
        "range_within_lags": bool(model.range_ <= lag_m[-1]),
    } if model else {}  # fmt: skip
    return {
        **fitted,
        "every": every,
        "lag_m": np.round(lag_m, 6).tolist(),
        "pairs": pairs.tolist(),
        "semivariance_delta_c2": semivariance.tolist(),
    }


def _colder(fields: tuple[ColdField, ...], drop_delta_c: float) -> dict[str, float]:
    """Share of the cells of mat that lie at least a drop below their reference."""
    cold = known = 0
    for field in fields:
        deficit = field.reference_c - field.temp_c
        known += int(np.isfinite(deficit).sum())
        with np.errstate(invalid="ignore"):
            cold += int((deficit >= drop_delta_c).sum())
    return {"drop_delta_c": drop_delta_c, "share_frac": cold / known if known else np.nan}


@dataclass(frozen=True, eq=False, slots=True)
class ColdLine:
    """Cold end of the mat along a pass, averaged over each metre or so; place 0 begins at the image's first column."""

    level_c: np.ndarray  # (place), NaN = unknown
    trend_c: np.ndarray  # its running median over the window of zones
    step_m: float

    @property
    def off_delta_c(self) -> np.ndarray:
        """Against the trend, negative where colder."""
        return self.level_c - self.trend_c

    def correlogram(self) -> Correlogram | None:
        """How strongly it comes back at each lag at which a cycle is sought."""
        return periods.correlogram(self.off_delta_c, self.step_m, SHORTEST_PERIOD_M, LONGEST_PERIOD_M)


def cold_line(image: np.ndarray, zone: ZoneRule) -> ColdLine:
    """Make the cold line of the image of one pass."""
    number = max(1, round(STEP_M / zone.cell_m))
    level, step_m = _averaged(_cold_level(image), number), number * zone.cell_m
    window = max(3, round(zone.window_m / step_m))
    trend = pd.Series(level).rolling(window, center=True, min_periods=1).median().to_numpy()
    return ColdLine(level, trend, step_m)


def cold_period(image: np.ndarray, rules: RuleProfile) -> Period | None:
    """Strongest period of the cold end of the columns of the image of one pass."""
    found = cold_line(image, rules.zone).correlogram()
    return None if found is None else found.period()


def _averaged(level: np.ndarray, number: int) -> np.ndarray:
    """Mean of each `number` neighbours that are known, NaN where none is; a rest at the end is left out."""
    groups = level[: len(level) // number * number].reshape(-1, number)
    known = np.isfinite(groups)
    total = np.where(known, groups, 0.0).sum(axis=1)
    return np.where(known.any(axis=1), total / np.maximum(known.sum(axis=1), 1), np.nan)


def _cold_level(image: np.ndarray) -> np.ndarray:
    """The 10th percentile of each column's cells (the next lower cell), NaN where there are none."""
    if image.size == 0:
        return np.full(image.shape[1], np.nan)
    ordered = np.sort(image, axis=0)
    number = np.isfinite(ordered).sum(axis=0)
    place = np.maximum(number - 1, 0) * COLD_PERCENT // 100
    return np.where(number > 0, ordered[place, np.arange(image.shape[1])], np.nan)


def tonnage(lots: pd.DataFrame, spread_rate_kg_m2: float) -> dict[str, dict[str, float]]:
    """Mass and mass by time that a stated spread rate gives, by pass; `lots` is the layer of the lot.

    Returns
    -------
    dict
        By pass id: `mass_t`, `width_m` (ground area by measured length) and `placed_t_per_h` while moving.
    """
    found = {}
    for row in lots[lots["pass_id"].notna()].itertuples():
        width_m = row.area_m2 / row.measured_m if row.measured_m > 0 else np.nan
        found[str(row.pass_id)] = {
            "mass_t": float(yields.mass_kg(row.area_m2, spread_rate_kg_m2)) / 1000,
            "width_m": width_m,
            "placed_t_per_h": float(yields.delivery_kg_s(row.speed_mean_mps, width_m, spread_rate_kg_m2))
            * 3.6,
        }
    return found
