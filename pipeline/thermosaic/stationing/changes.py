"""Changes of the set-up that are stated by station get their time."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from ..errors import ConfigError
from ..model import Pass, Stations, Swath
from ..values import stated_time
from .marks import code_of

if TYPE_CHECKING:
    from ..config import ChangeSection


def time_changes(
    changes: tuple[ChangeSection, ...], passes: tuple[Pass, ...], swath: Swath, stations: Stations
) -> tuple[ChangeSection, ...]:
    """Give every change stated by station the time at which the scan line first came there.

    Raises
    ------
    ConfigError
        No pass, or more than one, comes to the station.
    """
    found = []
    for number, change in enumerate(changes, 1):
        if change.at is None:
            moment = _time_at_station(f"[[change]] {number}", change, passes, swath, stations)
            change = change.model_copy(update={"at": moment})
        found.append(change)
    return tuple(found)


def _time_at_station(
    name: str, change: ChangeSection, passes: tuple[Pass, ...], swath: Swath, stations: Stations
) -> datetime:
    """Time of the first line at or past a station in its pass."""
    codes = range(len(passes)) if change.pass_id is None else [code_of(change.pass_id, passes, name)]
    reached = {}
    for code in codes:
        sign = 1 if stations.upstation[code] else -1
        rows = np.flatnonzero((swath.pass_code == code) & np.isfinite(stations.line_frame_m))
        ahead = sign * (stations.zero_m[code] + stations.line_frame_m[rows] - change.at_station_m)
        if len(rows) and ahead[0] < 0 <= ahead.max():
            reached[code] = rows[np.argmax(ahead >= 0)]
    if len(reached) != 1:
        which = ", ".join(passes[code].id for code in reached)
        what = f"passes {which} come there: add pass" if reached else "no pass comes there from outside it"
        raise ConfigError(
            f"{name}: at_station = {change.at_station_m:.2f} m: {what}; or state its time with at"
        )
    return stated_time(swath.seen_utc[next(iter(reached.values()))])
