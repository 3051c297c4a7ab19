"""Passes without a mark: stationed from where they begin beside a pass that has its stations."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..delivery import tell
from ..errors import ConfigError
from ..kernels import polyline
from ..model import Doubt, Pass, Swath
from .lines import centre_of

if TYPE_CHECKING:
    from ..config import StationPlan

PATH_STEP_M = 2.0  # thinning of a path that other passes are stationed by
FAR_M = 1e5


def station_unmarked(
    zero: np.ndarray, line_frame: np.ndarray, swath: Swath, passes: tuple[Pass, ...], plan: StationPlan
) -> list[Doubt]:
    """Fill in the zero of passes without a mark, from where they begin beside a stationed pass.

    The nearest pair goes first, so that a chain of restarts is followed. A first line beyond the end of the
    known path is placed on the end's direction.
    """
    centre_m = centre_of(swath)
    starts = {code: row for code in range(len(passes)) if (row := _first_placed(swath, code)) is not None}
    waiting = {code for code in starts if np.isnan(zero[code])}
    lost = set(np.unique(swath.pass_code[swath.pass_code >= 0]).tolist()) - set(starts)
    doubts = [_lost_doubt(passes[code]) for code in sorted(lost) if np.isnan(zero[code])]
    while waiting:
        known = {
            code: _path(code, zero, line_frame, swath, centre_m) for code in starts if code not in waiting
        }
        pairs = [
            (polyline.distance_to(_one(centre_m, starts[code]), path[0])[0], code, other)
            for code in sorted(waiting)
            for other, path in known.items()
            if path is not None
        ]
        if not pairs:
            raise ConfigError(_no_neighbour(waiting, passes))
        _, code, other = min(pairs)
        point = tuple(item[:, None] for item in _one(centre_m, starts[code]))
        along, aside = polyline.locate(point, *known[other], np.array([True]), FAR_M)
        if not abs(aside[0, 0]) <= plan.alignment_distance_m:
            raise ConfigError(_no_neighbour({code}, passes))
        zero[code] = along[0, 0] - line_frame[starts[code]]
        doubts.append(_beside_doubt(along[0, 0], known[other][1], passes[code], passes[other], plan))
        waiting.remove(code)
    return doubts


def _no_neighbour(codes: set[int], passes: tuple[Pass, ...]) -> str:
    names = ", ".join(passes[code].id for code in sorted(codes))
    return f"pass {names} has no [[mark]] and does not begin beside a pass that has one: state a mark for it"


def _lost_doubt(own: Pass) -> Doubt:
    text = f"pass {own.id} has neither a mark nor a position: it has no stations; state a mark for it"
    return Doubt("s4", "pass_without_station", text)


def _beside_doubt(along_m: float, station_m: np.ndarray, own: Pass, other: Pass, plan: StationPlan) -> Doubt:
    beyond = max(station_m[0] - along_m, along_m - station_m[-1], 0.0)
    text = (
        f"pass {own.id} has no mark: its first line was stationed at {plan.labels.text(along_m)} from "
        f"where it lies beside pass {other.id}"
    )
    text = tell(text + ", {beyond_m:.1f} beyond that pass's end", beyond_m=beyond) if beyond > 0 else text
    return Doubt("s4", "pass_without_mark", text + "; a mark of its own would be safer", float(beyond), "m")


def _first_placed(swath: Swath, code: int) -> int | None:
    rows = np.flatnonzero((swath.pass_code == code) & (swath.placed > 0))
    return int(rows[0]) if len(rows) else None


def _one(point_m: tuple[np.ndarray, np.ndarray], row: int) -> tuple[np.ndarray, np.ndarray]:
    return point_m[0][row : row + 1], point_m[1][row : row + 1]


def _path(
    code: int, zero: np.ndarray, line_frame: np.ndarray, swath: Swath, centre_m: tuple[np.ndarray, np.ndarray]
) -> tuple[tuple[np.ndarray, np.ndarray], np.ndarray] | None:
    """C's path of a stationed pass as a polyline, stations rising; None where it is too short to be one."""
    rows = np.flatnonzero((swath.pass_code == code) & (swath.placed > 0) & swath.first_look)
    if not len(rows):
        return None
    _, keep = np.unique(np.floor(line_frame[rows] / PATH_STEP_M), return_index=True)
    rows = rows[keep]
    station_m = zero[code] + line_frame[rows]
    return ((centre_m[0][rows], centre_m[1][rows]), station_m) if len(rows) > 1 else None
