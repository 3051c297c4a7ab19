"""Stations along C's own path: ground lengths from the pass's first line, tied to the road by marks."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from ..delivery import tell
from ..errors import ConfigError, MismatchError
from ..model import Doubt, Pass, Stations, Swath
from ..values import instant
from .beside import station_unmarked
from .lines import inside_limits, median_edges
from .marks import PlacedMark

if TYPE_CHECKING:
    from ..config import StationPlan

SAME_PLACE_M = 10.0  # marks closer than this are one mark noted twice


def by_own_path(
    swath: Swath, passes: tuple[Pass, ...], marks: tuple[PlacedMark, ...], plan: StationPlan
) -> Stations:
    """Station each pass along C's own path; marks give the zero."""
    if not marks:
        raise ConfigError(
            "stations need an alignment in [files], or one [[mark]]: state the station of a place"
        )
    signs = np.array([_stated_sign(item, plan) for item in passes])
    line_frame = np.full(len(swath.line), np.nan)
    zero, closings = np.full(len(passes), np.nan), [np.nan]
    for code in range(len(passes)):
        rows = np.flatnonzero(swath.pass_code == code)
        if not len(rows):
            continue
        first_m = float(swath.distance_m[rows[0]])
        line_frame[rows] = signs[code] * (swath.distance_m[rows] - first_m)
        places, shifts = _merged([item for item in marks if item.pass_code == code], first_m, signs[code])
        if len(places):
            closings.append(_closing(places, shifts, passes[code].id, plan))
            zero[code] = np.interp(0.0, places, shifts)
            line_frame[rows] += np.interp(line_frame[rows], places, shifts) - zero[code]
    doubts = _closing_doubts(closings) + _first_line_doubts(swath, plan)
    doubts += station_unmarked(zero, line_frame, swath, passes, plan)
    return _own_path_stations(swath, signs, line_frame, zero, _worst(closings), tuple(doubts), plan)


def _stated_sign(stated: Pass, plan: StationPlan) -> int:
    """+1 upstation, -1 downstation, as stated."""
    direction = stated.direction or plan.direction
    if direction is None:
        raise ConfigError(
            f'pass {stated.id}: without an alignment state direction = "upstation" or "downstation" in '
            "[stationing], or in every [[pass]]"
        )
    return 1 if direction == "upstation" else -1


def _merged(own: list[PlacedMark], first_m: float, sign: int) -> tuple[np.ndarray, np.ndarray]:
    """Frame coordinates of a pass's marks, rising, and station minus frame there; near ones become one."""
    groups: list[list[tuple[float, float]]] = []
    for frame, station in sorted((sign * (item.distance_m - first_m), item.station_m) for item in own):
        if groups and frame - groups[-1][0][0] < SAME_PLACE_M:
            groups[-1].append((frame, station - frame))
        else:
            groups.append([(frame, station - frame)])
    means = np.array([np.mean(group, axis=0) for group in groups]).reshape(-1, 2)
    return means[:, 0], means[:, 1]


def _closing(places: np.ndarray, shifts: np.ndarray, pass_id: str, plan: StationPlan) -> float:
    """Stations between a pass's outermost marks minus its path there; NaN with one mark."""
    lengths, steps = np.diff(places), np.diff(shifts)
    wrong = np.flatnonzero(np.abs(steps) > np.maximum(1.0, plan.wheel_gnss_frac * lengths))
    if len(wrong):
        length, step = lengths[wrong[0]], steps[wrong[0]]
        raise MismatchError(
            f"[[mark]] of pass {pass_id}: between two marks the stations rise by {length + step:.2f} m where "
            f"{length:.2f} m of path were laid; within {100 * plan.wheel_gnss_frac:g} % is expected: check "
            "the labels, the direction and where the marks were noted"
        )
    return float(shifts[-1] - shifts[0]) if len(places) > 1 else np.nan


def _worst(closings: list[float]) -> float:
    return max(closings, key=lambda item: -1.0 if np.isnan(item) else abs(item))


def _closing_doubts(closings: list[float]) -> list[Doubt]:
    worst = _worst(closings)
    if np.isnan(worst):
        return []
    text = tell(
        "the stations between marks differ from the path by {worst_m:+.2f}; the difference is spread along the "
        "path: check the marks if that is more than they are good for",
        worst_m=worst,
    )
    return [Doubt("s4", "marks_misclosure", text, worst, "m")]


def _first_line_doubts(swath: Swath, plan: StationPlan) -> list[Doubt]:
    """A mark at the first line of a log whose first lines the limits leave out is easily misread."""
    start = plan.limits.from_
    at_first = any(mark.at == "first line" for mark in plan.marks)
    if not (at_first and isinstance(start, datetime) and instant(start) > swath.seen_utc[0]):
        return []
    text = (
        'a mark stands at the "first line" of the log, which the limits leave out: if it was meant for the '
        "first line inside the limits, give that line's number or time"
    )
    return [Doubt("s4", "mark_outside_limits", text)]


def _own_path_stations(
    swath: Swath,
    signs: np.ndarray,
    line_frame: np.ndarray,
    zero: np.ndarray,
    misclosure_m: float,
    doubts: tuple[Doubt, ...],
    plan: StationPlan,
) -> Stations:
    """Spread the lines' frame over the spots: across, the frame is the line's own."""
    shape = swath.temp_c.shape
    in_pass = swath.pass_code >= 0
    seen = np.where(in_pass & (swath.placed > 0), line_frame, np.nan)
    sign = np.where(in_pass, signs[swath.pass_code], np.nan).astype(np.float32)
    frame = np.broadcast_to(seen[:, None], shape)
    return Stations(
        alignment=None,
        frame_m=frame,
        offset_m=sign[:, None] * swath.spot_right_m.astype(np.float32, copy=False),
        line_frame_m=line_frame,
        line_offset_m=np.where(in_pass, 0.0, np.nan),
        inside=inside_limits(frame, line_frame, zero, swath, plan),
        zero_m=zero,
        upstation=signs > 0,
        edges_offset_m=median_edges(sign[:, None] * swath.edges_m, swath, len(signs)),
        misclosure_m=misclosure_m,
        doubts=doubts,
    )
