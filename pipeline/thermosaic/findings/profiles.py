"""Thermal profiles: the readings of each stretch, its differential and class, and how firm that class is.

A cell is *in scope* when its middle lies in the profile and, across, between the mat's trimmed edges there,
unless all its first looks left by the rule's own will (aged_look, replaced, excluded, start_up, stop,
edge_trim). Coverage is the share of cells in scope that hold a kept reading of the profile: a gap, a dead
spot, a person and a temperature cut all count against it.

The class is tried on 20 other placements, the profile slid along the pass by 1/20 to 10/20 of its length
both ways, over whole columns of cells; those that run out of the pass or lack coverage are not counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ..config import RuleProfile
from ..datum import Operation, unit_factor
from ..kernels.cells import CellIndex
from ..model import PLACED, Exclusion, Swath, Trajectory
from ..units import StationLabels
from .classes import INSUFFICIENT, Judgement, judge
from .cuts import Cut, cut_profiles
from .frames import laid_between
from .mat import PassMat
from .readings import PassReadings
from .speeds import Motion, moving_speed
from .stops import sigma_over
from .verdicts import CODE, trims

SLIDES = np.r_[-10:0, 1:11] / 20
BY_WILL = ("aged_look", "replaced", "excluded", "start_up", "stop", "edge_trim")


@dataclass(frozen=True, eq=False, slots=True)
class PassSample:
    """Kept readings and cells of one pass, from which any stretch of it is judged.

    Readings are in ascending order of frame. Cells are those of the statistic: row and col of a reading
    count from `row0, col0` of the frame, and the block reaches from end to end of the pass, gaps included.
    """

    mat: PassMat
    rules: RuleProfile
    target_c: float | None
    col0: int
    frame_m: np.ndarray  # (reading)
    temp_c: np.ndarray  # float64 (reading)
    row: np.ndarray  # int (reading)
    col: np.ndarray  # int (reading)
    cell_c: np.ndarray  # float64 (cell) mean of kept readings over the whole pass, column by column
    cell_ends: np.ndarray  # int (col + 1) where each column's cells begin in `cell_c`
    held_ends: np.ndarray  # int (col + 1) cells in scope with a kept reading before each column
    scope_ends: np.ndarray  # int (col + 1) cells in scope before each column
    scope: np.ndarray  # bool (row, col)
    running_c: np.ndarray | None  # float64 (col) running mean, only for share_below_reference

    def columns(self, from_m: float, to_m: float) -> slice:
        """Columns of cells whose middle lies in [from, to) of the frame."""
        ends = (math.ceil(end / self.rules.statistic.cell_m - 0.5) - self.col0 for end in (from_m, to_m))
        return slice(*(min(max(end, 0), self.scope.shape[1]) for end in ends))

    def stretch(self, from_m: float, to_m: float) -> tuple[np.ndarray, np.ndarray | None, float]:
        """Give the sample of [from, to), the running mean beside each value where asked, and the coverage."""
        ends = slice(*np.searchsorted(self.frame_m, (from_m, to_m)))
        row, col, temp_c = self.row[ends], self.col[ends], self.temp_c[ends]
        columns = self.columns(from_m, to_m)
        first = min(int(col.min()), columns.start) if len(col) else columns.start
        width = max(int(col.max()) + 1 if len(col) else 0, columns.stop) - first
        shape = (self.scope.shape[0], width)
        key = row * width + (col - first)
        number = np.bincount(key, minlength=shape[0] * width).reshape(shape)
        coverage = _share(number[:, columns.start - first : columns.stop - first] > 0, self.scope[:, columns])
        if self.rules.statistic.sample == "reading":
            return temp_c, self._running_at(col), coverage
        total = np.bincount(key, temp_c, minlength=shape[0] * width).reshape(shape)
        held = number > 0
        beside = self._running_at(np.nonzero(held)[1] + first)
        return total[held] / number[held], beside, coverage

    def _running_at(self, col: np.ndarray) -> np.ndarray | None:
        return None if self.running_c is None else self.running_c[col]

    def slid(self, from_m: float, to_m: float) -> str:
        """Class word of another placement over whole columns of cells; insufficient without coverage."""
        columns = self.columns(from_m, to_m)
        first, last = columns.start, columns.stop
        asked = self.scope_ends[last] - self.scope_ends[first]
        held = self.held_ends[last] - self.held_ends[first]
        if asked == 0 or held / asked < self.rules.profile.minimum_coverage_frac:
            return INSUFFICIENT
        if self.rules.statistic.sample == "reading":
            edges = (np.array([first, last]) + self.col0) * self.rules.statistic.cell_m
            ends = slice(*np.searchsorted(self.frame_m, edges))
            return self.judge(self.temp_c[ends], self._running_at(self.col[ends])).word
        values, running_c = self.cell_c[self.cell_ends[first] : self.cell_ends[last]], self.running_c
        if running_c is not None:
            running_c = np.repeat(running_c[columns], np.diff(self.cell_ends[first : last + 1]))
        return self.judge(values, running_c).word

    def judge(self, values: np.ndarray, running_c: np.ndarray | None) -> Judgement:
        return judge(values, running_c, self.rules.statistic, self.rules.classes, self.target_c)


def _share(held: np.ndarray, in_scope: np.ndarray) -> float:
    return float((held & in_scope).sum() / in_scope.sum()) if in_scope.any() else 0.0


def pass_sample(
    readings: PassReadings, reason: np.ndarray, rules: RuleProfile, laydown_target_c: float | None
) -> PassSample:
    """Gather the kept readings of one pass; `reason` is that of the block (line, spot)."""
    mat, cell_m = readings.mat, rules.statistic.cell_m
    index = readings.cells
    if index.cell_m != cell_m:
        index = readings.index(cell_m)
    low, high = np.sort(mat.frame_at(np.array(mat.span_m)))
    col0 = min(index.col0, int(np.floor(low / cell_m))) if index.size else int(np.floor(low / cell_m))
    cols = max(index.col0 + index.shape[1], int(np.floor(high / cell_m)) + 1) - col0
    shape, flat = (index.shape[0], cols), reason.ravel()
    scope = _scope(readings, flat, index, col0, shape, rules)
    kept, frame_m = _in_order(readings, flat)
    temp_c, code = readings.temp_c.ravel()[kept].astype(np.float64), index.code[kept]
    del kept  # a large lot has 100 MB of it
    number, total = np.bincount(code, minlength=index.size), np.bincount(code, temp_c, minlength=index.size)
    mean_c = _widened(total / np.maximum(number, 1), index, col0, shape)
    held = _widened(number > 0, index, col0, shape)
    row, col = np.divmod(code, np.int32(max(index.shape[1], 1)))
    col += index.col0 - col0
    return PassSample(
        mat=mat,
        rules=rules,
        target_c=laydown_target_c,
        col0=col0,
        frame_m=frame_m,
        temp_c=temp_c,
        row=row,
        col=col,
        cell_c=mean_c.T[held.T],
        cell_ends=_before(held),
        held_ends=_before(held & scope),
        scope_ends=_before(scope),
        scope=scope,
        running_c=_running_mean(mean_c, held, rules),
    )


def _in_order(readings: PassReadings, reason: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Kept readings in ascending order of frame: flat index, and frame in metres."""
    kept = np.flatnonzero(reason == 0)
    kept = kept if readings.mat.upstation else kept[::-1]
    frame_m = readings.frame_m.ravel()[kept]
    order = np.argsort(frame_m, kind="stable")
    frame_m = frame_m[order]
    return kept[order], frame_m


def _widened(values: np.ndarray, index: CellIndex, col0: int, shape: tuple[int, int]) -> np.ndarray:
    """Values of the cells of an index (flat) in a block (row, col) of as many rows from col0 on; 0 elsewhere."""
    block = np.zeros(shape, values.dtype)
    block[:, index.col0 - col0 :][:, : index.shape[1]] = values.reshape(index.shape)
    return block


def _before(cells_of: np.ndarray) -> np.ndarray:
    """Count the marked cells before each column, and in all: int (col + 1)."""
    return np.concatenate(([0], np.cumsum(cells_of.sum(axis=0))))


def _scope(
    readings: PassReadings,
    reason: np.ndarray,
    index: CellIndex,
    col0: int,
    shape: tuple[int, int],
    rules: RuleProfile,
) -> np.ndarray:
    """Mark the cells in scope, bool (row, col)."""
    mat, cell_m = readings.mat, rules.statistic.cell_m
    by_will = np.zeros(len(CODE), bool)
    by_will[[CODE[word] for word in BY_WILL]] = True
    fresh = (reason >= 0) & (reason != CODE["second_look"])
    willed = np.bincount(index.code[fresh & by_will[reason]], minlength=index.size)
    number = np.bincount(index.code[fresh], minlength=index.size)
    asked = ~_widened((number > 0) & (willed == number), index, col0, shape)
    left_m, right_m = trims(mat, rules.edge_trim)
    trim_low, trim_high = (left_m, right_m) if mat.upstation else (right_m, left_m)
    edges_m = mat.edges_at((np.arange(shape[1]) + col0 + 0.5) * cell_m)
    middle_m = ((np.arange(shape[0]) + index.row0 + 0.5) * cell_m)[:, None]
    return asked & (middle_m >= edges_m[:, 0] + trim_low) & (middle_m <= edges_m[:, 1] - trim_high)


def _running_mean(mean_c: np.ndarray, held: np.ndarray, rules: RuleProfile) -> np.ndarray | None:
    """Running mean of the columns' means; None where the rule does not ask for it."""
    window_m = rules.statistic.reference_window_m
    if window_m is None:
        return None
    if mean_c.size == 0:
        return np.full(mean_c.shape[1], np.nan)
    number = held.sum(axis=0)
    column_c = np.where(number > 0, (mean_c * held).sum(axis=0) / np.maximum(number, 1), np.nan)
    window = max(1, round(window_m / rules.statistic.cell_m))
    return pd.Series(column_c).rolling(window, center=True, min_periods=1).mean().to_numpy()


def pass_cuts(
    readings: PassReadings,
    rules: RuleProfile,
    exclusions: tuple[Exclusion, ...],
    labels: StationLabels | None,
) -> tuple[Cut, ...]:
    """Cut one pass into profiles that take in all of its readings."""
    have = readings.frame_m[readings.row]
    reach_m = (float(have.min()), float(have.max())) if len(have) else (np.inf, -np.inf)
    return cut_profiles(readings.mat, rules.profile, exclusions, reach_m, labels)


def profile_rows(
    sample: PassSample,
    cuts: tuple[Cut, ...],
    readings: PassReadings,
    reason: np.ndarray,
    motion: Motion | None,
    swath: Swath,
    trajectory: Trajectory,
    sigma_m: np.ndarray,
) -> list[dict[str, Any]]:
    """Rows of the layer of profiles of one pass, without their number; `reason` is that of the block."""
    mat = sample.mat
    counts = _counts(cuts, sample, readings, reason)
    laid = _laid_at(readings, swath)
    ends = np.array([[cut.from_m, cut.to_m] for cut in cuts]).reshape(-1, 2)
    lon, lat = _lon_lat(trajectory, mat.centre_at(ends.ravel()))
    rows = []
    for i, cut in enumerate(cuts):
        geometry = mat.strip(cut.from_m, cut.to_m)
        measured_m = sum(end - start for start, end in mat.chains(cut.from_m, cut.to_m))
        area_m2 = mat.ground_area(geometry)
        rows.append({
            **mat.identity(),
            **mat.stations(cut.frame_from_m, cut.frame_to_m),
            "length_m": cut.length_m, "area_m2": area_m2,
            "width_mean_m": area_m2 / measured_m if measured_m > 0 else np.nan,
            **_numbers(counts[i]),
            **_statistic(sample, cut),
            **_movement(cut, motion),
            **_laid(cut, *laid),
            "start_lon_deg": lon[2 * i], "start_lat_deg": lat[2 * i],
            "end_lon_deg": lon[2 * i + 1], "end_lat_deg": lat[2 * i + 1],
            "placed": _placed(cut, mat, swath),
            "position_sigma_m": sigma_over(sigma_m, mat, cut.from_m, cut.to_m),
            "geometry": geometry,
        })  # fmt: skip
    return rows


def _counts(
    cuts: tuple[Cut, ...], sample: PassSample, readings: PassReadings, reason: np.ndarray
) -> np.ndarray:
    """Count rows by profile and reason, int (profile, reason); the kept ones stand in order already."""
    ends_m = np.array([(cut.frame_from_m, cut.frame_to_m) for cut in cuts]).reshape(-1, 2)
    order = np.argsort(ends_m[:, 0])
    low, high = ends_m[order].T
    gone = reason > 0
    frame_m = readings.frame_m[gone]
    place = np.searchsorted(low, frame_m, side="right") - 1
    inside = (place >= 0) & (frame_m < np.r_[high, 0][place])
    key = np.r_[order, 0][place[inside]] * len(CODE) + reason[gone][inside]
    number = np.bincount(key, minlength=len(cuts) * len(CODE)).reshape(-1, len(CODE))
    number[:, 0] = np.diff(np.searchsorted(sample.frame_m, ends_m), axis=1)[:, 0]
    return number


def _numbers(count: np.ndarray) -> dict[str, Any]:
    number = int(count.sum())
    return {
        "reading_count": int(count[0]),
        "dropped_count": number - int(count[0]),
        "dropped_low_count": int(count[CODE["too_cold"]]),
        "excluded_frac": count[CODE["excluded"]] / number if number else 0.0,
    }


def _statistic(sample: PassSample, cut: Cut) -> dict[str, Any]:
    """Numbers of the statistic of one profile, its class and the agreement of other placements."""
    values, running_c, coverage = sample.stretch(cut.frame_from_m, cut.frame_to_m)
    rules = sample.rules
    found = sample.judge(values, running_c)
    mean_c = float(values.mean()) if len(values) else np.nan
    sufficient = coverage >= rules.profile.minimum_coverage_frac and found.rank is not None
    cold = values < mean_c - rules.zone.drop_delta_c
    share_cold = found.share_frac if rules.classes.is_share else float(cold.mean()) if len(values) else np.nan
    return {
        "coverage_frac": coverage,
        "low_c": found.low_c,
        "high_c": found.high_c,
        "differential_delta_c": found.differential_delta_c,
        "sample": rules.statistic.sample,
        "profile_class": found.word if sufficient else INSUFFICIENT,
        "class_rank": found.rank if sufficient else None,
        "margin_delta_c": found.margin_delta_c if sufficient else np.nan,
        "borderline": found.borderline and sufficient,
        "class_agree_frac": _agreement(sample, cut, found.word) if sufficient else np.nan,
        "mean_c": mean_c,
        "sd_delta_c": float(values.std(ddof=1)) if len(values) > 1 else np.nan,
        "share_cold_frac": share_cold,
    }


def _agreement(sample: PassSample, cut: Cut, word: str) -> float:
    """Share of the slid placements with the same class; NaN where there is none."""
    mat = sample.mat
    ends_m = np.array([cut.from_m, cut.to_m]) + SLIDES[:, None] * cut.length_m
    ends_m = ends_m[(ends_m[:, 0] >= mat.span_m[0]) & (ends_m[:, 1] <= mat.span_m[1])]
    words = [sample.slid(*pair) for pair in np.sort(mat.frame_at(ends_m), axis=1).tolist()]
    classed = [other for other in words if other != INSUFFICIENT]
    return sum(other == word for other in classed) / len(classed) if classed else np.nan


def _movement(cut: Cut, motion: Motion | None) -> dict[str, Any]:
    """Stops within a profile, and mean speed while moving."""
    if motion is None:
        return {"stop_count": 0, "stop_time_s": 0.0, "speed_mean_mps": np.nan}
    stops = [stop for stop in motion.stops if cut.from_m <= stop.distance_m < cut.to_m]
    path_m, moving_s = moving_speed(motion, cut.from_m, cut.to_m)
    return {
        "stop_count": len(stops),
        "stop_time_s": float(sum(stop.duration_s for stop in stops)),
        "speed_mean_mps": path_m / moving_s if moving_s > 0 else np.nan,
    }


def _laid_at(readings: PassReadings, swath: Swath) -> tuple[np.ndarray, np.ndarray]:
    """Distance of the lines of a pass, ascending, and when their mat was laid."""
    line = readings.line[np.argsort(swath.distance_m[readings.line], kind="stable")]
    return swath.distance_m[line], swath.laid_utc[line]


def _laid(cut: Cut, distance_m: np.ndarray, laid_utc: np.ndarray) -> dict[str, Any]:
    """First and last time at which mat of the profile was laid; arguments as `_laid_at` gives them."""
    first = np.searchsorted(distance_m, cut.from_m)
    return laid_between(laid_utc[first : np.searchsorted(distance_m, cut.to_m, side="right")])


def _placed(cut: Cut, mat: PassMat, swath: Swath) -> str | None:
    """How the lines of new mat within a profile got their positions."""
    first = np.searchsorted(mat.distance_m, cut.from_m)
    line = mat.line[first : np.searchsorted(mat.distance_m, cut.to_m, side="right")]
    codes = set(swath.placed[line].tolist())
    if codes == {0} or not codes:
        return None
    return "partly" if len(codes) > 1 else PLACED[codes.pop()]


def _lon_lat(trajectory: Trajectory, place_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Bring map positions in metres (n, 2) back to the frame of the fixes by the pinned operation."""
    if not trajectory.operation["pipeline"]:
        return np.full(len(place_m), np.nan), np.full(len(place_m), np.nan)
    operation = Operation.stored(trajectory.operation, unit_factor(trajectory.crs))
    return operation.inverse(place_m[:, 0], place_m[:, 1])
