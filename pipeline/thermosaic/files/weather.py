"""The weather of a shift: what was read on site, and of that what is nearest to its start, middle and end."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from ..model import WEATHER_NEAR

if TYPE_CHECKING:
    from ..model import LotRecord


def shift_weather(record: LotRecord) -> list[dict[str, Any]]:
    """Moment (start, middle, end), time of the reading, air_c, wind_mps, sky; no row where none is near in time."""
    seen = record.swath.seen_utc[record.swath.pass_code >= 0]
    if len(seen) == 0:
        return []
    moments = {"start": seen[0], "middle": seen[0] + (seen[-1] - seen[0]) // 2, "end": seen[-1]}
    found = []
    for moment, time in moments.items():
        apart = [abs(reading.time_utc - time) for reading in record.inputs.weather]
        if apart and min(apart) <= WEATHER_NEAR:
            near = record.inputs.weather[int(np.argmin(apart))]
            found.append({
                "moment": moment, "time_utc": near.time_utc, "air_c": near.air_c, "wind_mps": near.wind_mps,
                "sky": near.sky,
            })  # fmt: skip
    return found


def weather_readings(record: LotRecord) -> list[dict[str, Any]]:
    """Every reading within the shift and an hour around it: time_utc, air_c, wind_mps, sky."""
    seen = record.swath.seen_utc[record.swath.pass_code >= 0]
    if len(seen) == 0:
        return []
    first, last = seen[0] - WEATHER_NEAR, seen[-1] + WEATHER_NEAR
    return [asdict(reading) for reading in record.inputs.weather if first <= reading.time_utc <= last]
