"""A verdict for every reading: kept, or the first reason that applies; nothing is deleted.

The reasons stand in the order of `model.REASONS`. Distances along a pass are those of the scan line, so a
reason that is a stretch of mat holds for whole lines.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from ..config import EdgeTrimRule, RuleProfile
from ..model import NOT_A_ROW, REASONS, Exclusion, Stations, Swath
from .mat import PassMat
from .stops import Stop

CODE = {reason: code for code, reason in enumerate(REASONS)}
EXACT_M = 1e-6  # a spot exactly on the trim's inner line is kept


def aged_lines(swath: Swath, look_age_s: float) -> np.ndarray:
    """Mark lines whose look is older than the rule allows, bool (line).

    That is the strip between scan line and screed of a stop, first seen when the paver moved on, and any
    mat laid slower than the rule's age allows. An unknown age (laid before the log) is not marked.
    """
    return (swath.seen_utc - swath.laid_utc) / np.timedelta64(1, "s") > look_age_s


def excluded_readings(
    rows: np.ndarray, swath: Swath, stations: Stations, exclusions: tuple[Exclusion, ...]
) -> np.ndarray:
    """Mark the rows that lie in an exclusion, bool (line, spot)."""
    found = np.zeros(rows.shape, bool)
    if not exclusions:
        return found
    zero_m = np.r_[stations.zero_m, np.nan][swath.pass_code]
    station_m = zero_m[:, None] + stations.frame_m
    for item in exclusions:
        if item.polygon is None:
            inside = (station_m >= item.from_m) & (station_m < item.to_m)
            if item.side != "full":
                inside &= (stations.offset_m < 0) if item.side == "left" else (stations.offset_m >= 0)
            found |= inside & rows
        else:
            found |= _in_polygon(item.polygon, rows, swath)
    return found


def _in_polygon(polygon: shapely.Geometry, rows: np.ndarray, swath: Swath) -> np.ndarray:
    west, south, east, north = polygon.bounds
    near = rows & (swath.easting_m >= west) & (swath.easting_m <= east)
    near &= (swath.northing_m >= south) & (swath.northing_m <= north)
    found = np.zeros(rows.shape, bool)
    shapely.prepare(polygon)
    found[near] = shapely.contains_xy(polygon, swath.easting_m[near], swath.northing_m[near])
    return found


def _trimmed_spots(mat: PassMat, swath: Swath, rule: EdgeTrimRule) -> np.ndarray:
    """Mark the spots whose centre is nearer to an edge than the trim for its kind, bool (layout, spot)."""
    left_m, right_m = trims(mat, rule)
    return np.array([
        (item.spot_right_m < item.edges_m[0] + left_m - EXACT_M)
        | (item.spot_right_m > item.edges_m[1] - right_m + EXACT_M)
        for item in swath.layouts
    ])  # fmt: skip


def trims(mat: PassMat, rule: EdgeTrimRule) -> tuple[float, float]:
    """Width of the trim along the left and the right edge in travel."""
    width = {
        "free": rule.free_m,
        "cold joint": rule.cold_joint_m,
        "hot joint": rule.hot_joint_m,
        "kerb": rule.kerb_m,
    }
    return width[mat.edge_kinds[0]], width[mat.edge_kinds[1]]


def judge_readings(
    rows: np.ndarray,
    foreign: np.ndarray,
    excluded: np.ndarray,
    swath: Swath,
    mats: tuple[PassMat, ...],
    stops: tuple[Stop, ...],
    rules: RuleProfile,
    replaced: np.ndarray,
) -> np.ndarray:
    """Give the code (`model.REASONS`) of the first reason that applies to each reading, int8 (line, spot).

    `replaced` marks lines, bool (line), whose first look is of mat that was laid again later.
    """
    reason = np.zeros(rows.shape, np.int8)
    window = rules.window
    reason[swath.temp_c > window.highest_c] = CODE["too_hot"]
    reason[swath.temp_c < window.lowest_c] = CODE["too_cold"]
    for mat in mats:
        mine = swath.pass_code == mat.code
        for code, trimmed in enumerate(_trimmed_spots(mat, swath, rules.edge_trim)):
            reason[np.ix_(mine & (swath.layout == code), trimmed)] = CODE["edge_trim"]
        reason[mine & _stop_lines(mat, swath, stops, rules)] = CODE["stop"]
        if mat.begins:
            reason[mine & (swath.distance_m < mat.span_m[0] + rules.profile.start_up_m)] = CODE["start_up"]
    reason[foreign] = CODE["foreign"]
    reason[excluded] = CODE["excluded"]
    reason[aged_lines(swath, window.look_age_s)] = CODE["aged_look"]
    reason[~swath.first_look] = CODE["second_look"]
    reason[replaced] = CODE["replaced"]
    reason[np.r_[swath.bad_spot, np.zeros((1, rows.shape[1]), bool)][swath.pass_code]] = CODE["bad_spot"]
    reason[np.isnan(swath.temp_c)] = CODE["no_reading"]
    reason[~rows] = NOT_A_ROW
    return reason


def _stop_lines(mat: PassMat, swath: Swath, stops: tuple[Stop, ...], rules: RuleProfile) -> np.ndarray:
    lines = np.zeros(len(swath.distance_m), bool)
    for stop in stops:
        if stop.mat is mat:
            from_m, to_m = stop.left_out_m(rules.stop)
            lines |= (swath.distance_m >= from_m) & (swath.distance_m <= to_m)
    return lines


def balance(
    reason: np.ndarray, swath: Swath, stations: Stations, mats: tuple[PassMat, ...]
) -> dict[str, Any]:
    """Count every reading once: lines x spots = rows + off_mat + no_position + outside_limits.

    A line in no pass counts as outside the limits; a spot off the alignment has no position.
    """
    on_mat = swath.on_mat
    in_pass = (swath.pass_code >= 0)[:, None]
    unplaced = on_mat & in_pass & ((swath.placed == 0)[:, None] | ~np.isfinite(stations.frame_m))
    outside = on_mat & ~unplaced & ~(in_pass & stations.inside)
    return {
        "lines": reason.shape[0],
        "spots": reason.shape[1],
        "off_mat": int((~on_mat).sum()),
        "no_position": int(unplaced.sum()),
        "outside_limits": int(outside.sum()),
        **_by_reason(reason),
        "passes": {mat.id: _by_reason(reason[swath.pass_code == mat.code]) for mat in mats},
    }


def _by_reason(reason: np.ndarray) -> dict[str, Any]:
    number = np.bincount(reason[reason >= 0].ravel(), minlength=len(REASONS))
    dropped = {name: int(number[code]) for name, code in CODE.items() if code}
    return {"rows": int(number.sum()), "kept": int(number[0]), "dropped": dropped}
