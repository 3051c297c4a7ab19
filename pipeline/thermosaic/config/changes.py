"""Changes of the rig or the mat's edges within a lot, and the set-ups they lead to."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
from pydantic import Field, ValidationError, model_validator

from ..values import (
    Across,
    Along,
    Angle,
    CountLength,
    CrossSlope,
    Height,
    Line,
    Size,
    StatedOffset,
    StationM,
    Time,
    duration,
    instant,
)
from .rig import FixSigma, RigSection, ScannerSection, Spots
from .section import Section


class ChangeSection(Section):
    """The rig or the mat's edges from a time or a station on: keys of [rig] and [scanner] with new values.

    What is not stated stays as it was. Over a `taper` the edges run straight from the old to the new ones.
    """

    at: Time | None = Field(
        default=None, description="First moment at which a scan line sees the new set-up, UTC as corrected"
    )
    at_station_m: StationM | None = Field(
        default=None,
        alias="at_station",
        description="Station of the scan line there, for keys across the mat",
    )
    pass_id: Line | None = Field(default=None, alias="pass", description="Pass that at_station is meant in")
    taper_m: Size | None = Field(
        default=None, alias="taper", description="Length along travel over which the edges change"
    )
    note: Line | None = Field(default=None, description="What was done: antenna moved, extension out, ..")
    antenna_forward_m: Along | None = Field(default=None, alias="antenna_forward", description="As in [rig]")
    antenna_right_m: Across | None = Field(default=None, alias="antenna_right", description="As in [rig]")
    antenna_up_m: Height | None = Field(default=None, alias="antenna_up", description="As in [rig]")
    screed_forward_m: Along | None = Field(default=None, alias="screed_forward", description="As in [rig]")
    non_slip_forward_m: Along | None = Field(
        default=None, alias="non_slip_forward", description="As in [rig]"
    )
    cross_slope_frac: CrossSlope | None = Field(
        default=None, alias="cross_slope", description="As in [rig]: another lane, or a superelevated bend"
    )
    heading_offset_deg: Angle | None = Field(default=None, alias="heading_offset", description="As in [rig]")
    fix_sigma: FixSigma | None = Field(default=None, description="As in [rig]: another receiver")
    wheel_per_count_m: CountLength | None = Field(
        default=None, alias="wheel_per_count", description="As in [rig]: another wheel or tyre"
    )
    clock_offset_s: StatedOffset | None = Field(
        default=None, alias="clock_offset", description="As in [rig], stated: the logger's clock was set"
    )
    spots_right: Spots | None = Field(default=None, description="As in [scanner]: the scanner was moved")
    mat_left_m: Across | None = Field(default=None, alias="mat_left", description="As in [scanner]")
    mat_right_m: Across | None = Field(default=None, alias="mat_right", description="As in [scanner]")

    @model_validator(mode="after")
    def _check(self) -> ChangeSection:
        if (self.at is None) == (self.at_station_m is None):
            raise ValueError("one of at (a time with its zone) and at_station is expected")
        if not self.stated:
            raise ValueError("states no new value: give a key of [rig] or [scanner], like mat_right")
        if self.pass_id is not None and self.at_station_m is None:
            raise ValueError("pass goes with at_station: a time lies in one pass anyway")
        if self.taper_m is not None and not {"mat_left_m", "mat_right_m"} & self.stated.keys():
            raise ValueError("taper goes with mat_left or mat_right: nothing else changes over a length")
        of_path = [name for name in CHANGES_OF_PATH if name in self.stated]
        if self.at_station_m is not None and of_path:
            key = ChangeSection.model_fields[of_path[0]].alias or of_path[0]
            raise ValueError(f"{key} moves the path that stations are found by: give its time (at)")
        return self

    @property
    def stated(self) -> dict[str, Any]:
        """New values by field of RigSection and ScannerSection."""
        names = [*RigSection.model_fields, *ScannerSection.model_fields]
        values = {name: getattr(self, name, None) for name in names}
        return {name: value for name, value in values.items() if value is not None}


# when a logger's clock was set, on the clock of the log's beginning, and how far ahead it went
ClockSets = tuple[tuple[np.datetime64, np.timedelta64], ...]
CHANGES_OF_PATH = (
    "antenna_forward_m", "antenna_right_m", "antenna_up_m", "non_slip_forward_m", "cross_slope_frac",
    "heading_offset_deg", "fix_sigma", "wheel_per_count_m", "clock_offset_s",
)  # fmt: skip


class SetUp(Section):
    """Rig and scanner as they stand from a moment on; `taper_m` of path after it the edges still move."""

    at: datetime | None  # None = from the beginning
    rig: RigSection
    scanner: ScannerSection
    taper_m: float = 0.0

    @property
    def at_utc(self) -> np.datetime64:
        """The moment it holds from, of those after the first."""
        return instant(self.at)  # type: ignore[arg-type]


def set_ups(
    rig: RigSection, scanner: ScannerSection, changes: tuple[ChangeSection, ...]
) -> tuple[SetUp, ...]:
    """Follow a rig through its changes, in order of time; changes known by station only are left out."""
    found = [SetUp(at=None, rig=rig, scanner=scanner)]
    timed = [item for item in changes if item.at is not None]
    for change in sorted(timed, key=lambda item: item.at):  # type: ignore[arg-type, return-value]
        found.append(changed_by(found[-1], change))
    return tuple(found)


def clock_sets(rig: RigSection, later: tuple[SetUp, ...]) -> ClockSets:
    """When the logger's clock was set, on the clock of the log's beginning, and how far ahead of before."""
    found, before = [], rig.clock_offset_s
    for item in later:
        now = item.rig.clock_offset_s
        if now != before:
            found.append((item.at_utc + duration(rig.clock_offset_s), duration(now - before)))
            before = now
    return tuple(found)


def changed_by(before: SetUp, change: ChangeSection) -> SetUp:
    """Apply a change to a set-up; whether the result can be is `impossible`'s to say."""
    rig, scanner = (
        section.model_copy(
            update={key: value for key, value in change.stated.items() if key in type(section).model_fields}
        )
        for section in (before.rig, before.scanner)
    )
    return SetUp.model_construct(at=change.at, rig=rig, scanner=scanner, taper_m=change.taper_m or 0.0)


def impossible(set_up: SetUp) -> str | None:
    """Say why a set-up cannot be, by the checks of its sections; None where it can."""
    try:
        SetUp(at=set_up.at, rig=set_up.rig, scanner=set_up.scanner)
    except ValidationError as error:
        return str(error.errors()[0]["ctx"]["error"])
    return None
