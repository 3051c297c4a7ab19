"""The mat's outline against the alignment: where the plans put it, and whether it moves aside within a pass."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..delivery import tell, together
from ..model import Doubt, Swath

if TYPE_CHECKING:
    from ..config import StationPlan

OFFSET_M = 0.3  # driving along a string line (common practice, no source)
BESIDE_M, TURN_M = 6, 4  # whole metres of path on either side of a move, and the most that a move takes
SAME_MOVE = np.timedelta64(180, "s")  # a move of the path and a step of its fixes are one thing
SIGMAS = 4.0  # of both sides together, that a move must exceed


def lies_as_planned(edges_m: np.ndarray, planned_m: tuple[float, float]) -> bool:
    """Whether a mat between two offsets lies where the plans put it, to what a string line is followed to."""
    return abs(float(edges_m.mean()) - sum(planned_m) / 2) <= OFFSET_M


def name_side(right_m: float) -> str:
    """Say a length to the right, or to the left where it is negative."""
    return tell("{off_m:.2f} " + ("right" if right_m >= 0 else "left"), off_m=abs(right_m))


def name_edges(edges_m: np.ndarray) -> str:
    """Say two offsets in words, for a sentence in the reader's units."""
    return together([name_side(edge) for edge in edges_m], " to ") + " of the alignment"


def off_plan(edges_offset_m: np.ndarray, plan: StationPlan) -> list[Doubt]:
    """Say which passes' mat lies elsewhere than the plans put it, and what that looks like.

    Parameters
    ----------
    edges_offset_m : numpy.ndarray
        (pass, 2) median offsets of the mat's edges, right positive looking upstation, NaN = none.
    """
    planned = plan.mat_offsets_m
    if planned is None:
        return []
    doubts = []
    for code, edges in enumerate(edges_offset_m):
        if not np.isfinite(edges).all() or lies_as_planned(edges, planned):
            continue
        off = float(edges.mean()) - sum(planned) / 2
        text = tell(
            "pass {number}: the mat lies {edges}, the plans put it {planned}: {cause}",
            number=code + 1, edges=name_edges(edges), planned=name_edges(np.array(planned)),
            cause=_cause(float(edges.mean()), planned, plan.antenna_right_m),
        )  # fmt: skip
        doubts.append(Doubt("s4", "mat_off_plan", text, off, "m"))
    return doubts


def _cause(middle_m: float, planned_m: tuple[float, float], antenna_right_m: float) -> str:
    wanted = sum(planned_m) / 2
    off = abs(middle_m - wanted)
    if abs(antenna_right_m) > OFFSET_M / 2 and abs(off - 2 * abs(antenna_right_m)) < 0.1:
        return tell(
            "that is twice the antenna's {arm_m:.2f}: left and right look exchanged in [rig] antenna_right",
            arm_m=abs(antenna_right_m),
        )
    if abs(middle_m + wanted) <= OFFSET_M:
        return "it lies on the other side: wrong lane, or the alignment's vertices do not run upstation"
    if off > 0.6 * (planned_m[1] - planned_m[0]):
        return "that is about a lane: the wrong lane or the wrong alignment"
    return "check antenna_right, mat_left and mat_right, and which line of the plans the alignment is"


def moves_aside(swath: Swath, offset_m: np.ndarray, steps_utc: np.ndarray) -> list[Doubt]:
    """Say where the scan line's middle moves aside along the alignment faster than a paver is steered.

    Means over some metres before and after a place, a short way apart, are compared: more than `OFFSET_M`,
    and more than four times the sigma of both, is a move. The largest of each stretch is told, in order of time.

    Parameters
    ----------
    offset_m : numpy.ndarray
        (line) offset of C from the alignment, NaN = unknown.
    steps_utc : numpy.ndarray
        datetime64 (step) of the fixes that the path already tells: the outline's move there is the same one.
    """
    doubts = []
    for code in np.unique(swath.pass_code[swath.pass_code >= 0]):
        rows = np.flatnonzero((swath.pass_code == code) & swath.first_look & np.isfinite(offset_m))
        for line, moved_m in _moves(swath, offset_m, rows):
            if not (np.abs(steps_utc - swath.seen_utc[line]) < SAME_MOVE).any():
                doubts.append(_move_doubt(swath, code, line, moved_m))
    return doubts


def _moves(swath: Swath, offset_m: np.ndarray, rows: np.ndarray) -> list[tuple[int, float]]:
    """Line and size of each move of one pass."""
    if not len(rows):
        return []
    metre = np.floor(swath.distance_m[rows] - swath.distance_m[rows[0]]).astype(np.int64)
    sigma_m = swath.sigma_across_m[rows, swath.sigma_across_m.shape[1] // 2]
    (before, after), (spread, other) = (_both_sides(metre, values) for values in (offset_m[rows], sigma_m))
    moved = np.nan_to_num(after - before)
    moved[np.abs(moved) <= np.fmax(OFFSET_M, SIGMAS * np.hypot(spread, other))] = 0.0
    runs = np.split(np.arange(len(moved)), np.flatnonzero(np.diff(moved != 0)) + 1)
    found = [run[np.argmax(np.abs(moved[run]))] for run in runs if moved[run[0]] != 0]
    return [(int(rows[np.searchsorted(metre, place)]), float(moved[place])) for place in found]


def _both_sides(metre: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Means over some metres before and after every whole metre, NaN where one side holds nothing."""
    number = metre[-1] + 1
    count, total = (
        np.concatenate([[0.0], np.cumsum(np.bincount(metre, part, number))]) for part in (None, values)
    )
    place = np.arange(number)
    with np.errstate(invalid="ignore"):
        return tuple(
            (total[last] - total[first]) / (count[last] - count[first])
            for first, last in (
                np.clip([place - BESIDE_M, place - TURN_M // 2], 0, number),
                np.clip([place + TURN_M // 2, place + BESIDE_M], 0, number),
            )
        )


def _move_doubt(swath: Swath, code: int, line: int, moved_m: float) -> Doubt:
    moment = swath.seen_utc[line]
    text = tell(
        "pass {number}: the outline moves {off_m:.2f} to the {side} of the alignment within {turn_m:.0f} at {time} "
        "UTC: was the antenna moved, or the receiver's base changed? A [[change]] states it",
        number=int(code) + 1, off_m=abs(moved_m), side="right" if moved_m > 0 else "left", turn_m=TURN_M,
        time=np.datetime_as_string(moment, unit="s")[11:],
    )  # fmt: skip
    return Doubt("s4", "outline_moves", text, moved_m, "m", moment, moment)
