"""Marks brought to the path: where along C's path the station of each lies."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from ..errors import ConfigError
from ..model import Pass, Swath, Trajectory
from ..values import instant, stated_time

if TYPE_CHECKING:
    from ..config import MarkSection, StationPlan


@dataclass(frozen=True, slots=True)
class PlacedMark:
    """A mark brought to the path: where along C's path its station lies."""

    name: str
    pass_code: int
    distance_m: float  # path distance of the marked place
    station_m: float


def place_mark(
    name: str,
    mark: MarkSection,
    swath: Swath,
    trajectory: Trajectory,
    passes: tuple[Pass, ...],
    plan: StationPlan,
) -> PlacedMark:
    """Find where along C's path the station of a mark lies: ahead of its point by the stated distance."""
    wanted = None if mark.pass_id is None else code_of(mark.pass_id, passes, name)
    if isinstance(mark.at, datetime):
        code, distance_m = _at_time(mark.at, trajectory, name)
        moment = mark.at
    else:
        row = _at_line(mark.at, wanted, swath, name)
        code, distance_m = int(swath.pass_code[row]), float(swath.distance_m[row])
        moment = stated_time(swath.seen_utc[row])
    if code < 0 or (wanted is not None and code != wanted):
        where = "no pass" if code < 0 else f"pass {passes[code].id}"
        raise ConfigError(
            f"{name}: at = {mark.at} lies in {where}: give a line or time of the pass it was noted in"
        )
    if not np.isfinite(distance_m):
        raise ConfigError(f"{name}: the paver's path is unknown at {mark.at}: give another line or time")
    forward = plan.forward_m(mark.point, moment)
    return PlacedMark(name, code, distance_m + forward + mark.distance_m, mark.station_m)


def code_of(pass_id: str, passes: tuple[Pass, ...], name: str) -> int:
    """Code of a pass by its id; ConfigError, with `name` of what asks for it, where there is none."""
    ids = [item.id for item in passes]
    if pass_id not in ids:
        raise ConfigError(f'{name}: pass "{pass_id}" is not stated; passes are {", ".join(ids)}')
    return ids.index(pass_id)


def _at_line(at: str | int, wanted: int | None, swath: Swath, name: str) -> int:
    """Index of a scan line given by number, or of the first line of the pass or lot."""
    if isinstance(at, int):
        row = int(np.searchsorted(swath.line, at))
        if row == len(swath.line) or swath.line[row] != at:
            near = swath.line[max(row - 1, 0) : row + 1]
            raise ConfigError(
                f"{name}: scan line {at} is not among the usable lines; the nearest are "
                f"{' and '.join(str(item) for item in near)}"
            )
    else:
        rows = np.flatnonzero(swath.pass_code >= 0 if wanted is None else swath.pass_code == wanted)
        if not len(rows):
            raise ConfigError(f"{name}: its pass has no scan line")
        row = int(rows[0])
    return row


def _at_time(at: datetime, trajectory: Trajectory, name: str) -> tuple[int, float]:
    """Pass and path distance at a time."""
    time_utc, moment = trajectory.time_utc, instant(at)
    if not time_utc[0] <= moment <= time_utc[-1]:
        raise ConfigError(f"{name}: {at.isoformat()} is outside the logs, {time_utc[0]}Z to {time_utc[-1]}Z")
    row = int(np.searchsorted(time_utc, moment, side="right")) - 1
    seconds = (time_utc - time_utc[0]) / np.timedelta64(1, "s")
    distance_m = np.interp((moment - time_utc[0]) / np.timedelta64(1, "s"), seconds, trajectory.distance_m)
    return int(trajectory.pass_code[row]), float(distance_m)
