"""Passes, marks and stretches left out: what ties the mat to the stations on the ground."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Literal

from pydantic import Field, model_validator

from ..units import StationLabels
from ..values import Across, At, Direction, Edge, Line, MarkDistance, Name, StationM, Time
from .changes import SetUp
from .lot import LimitsSection
from .section import Section


class PassSection(Section):
    """One traverse of one lane by one paver; `from`, `to` half open."""

    id: Name | None = Field(default=None, description="Name of the pass; else its number in order of time")
    lane: Line | None = Field(default=None, description="Lane, where it is not the lot's")
    from_: Time | None = Field(default=None, alias="from", description="Start")
    to: Time | None = Field(default=None, description="End, no longer in the pass")
    direction: Direction | None = Field(default=None, description="Travel along the stations")
    left_edge: Edge = Field(default="free", description="Left edge of the mat in travel")
    right_edge: Edge = Field(default="free", description="Right edge of the mat in travel")

    @model_validator(mode="after")
    def _check(self) -> PassSection:
        if self.from_ is not None and self.to is not None and not self.from_ < self.to:
            raise ValueError("from must be earlier than to")
        return self


def time_order(passes: tuple[PassSection, ...]) -> list[int]:
    """Return the places of passes in order of time; an open start comes first."""
    start = datetime(1, 1, 1, tzinfo=UTC)
    return sorted(range(len(passes)), key=lambda index: passes[index].from_ or start)


def passes_in_time(passes: tuple[PassSection, ...]) -> tuple[PassSection, ...]:
    """Put passes in order of time and give those without an id their number in it."""
    ordered = [passes[index] for index in time_order(passes)]
    return tuple(
        item if item.id is not None else item.model_copy(update={"id": str(number)})
        for number, item in enumerate(ordered, 1)
    )


class ExcludeSection(Section):
    """A stretch that the rule leaves out, between two stations, half open."""

    from_m: StationM = Field(alias="from", description="Smaller station")
    to_m: StationM = Field(alias="to", description="Larger station, no longer left out")
    side: Literal["left", "right", "full"] = Field(
        default="full", description="Side looking upstation; full = whole mat"
    )
    reason: Line = Field(description="Why it is left out")

    @model_validator(mode="after")
    def _check(self) -> ExcludeSection:
        if not self.from_m < self.to_m:
            raise ValueError("from must be a smaller station than to")
        return self


class MarkSection(Section):
    """A station read on the ground, seen from a point of the paver at a line or time.

    `distance_m` is positive *before*: "50 ft before" means that the marked station lies 50 ft ahead along
    travel, not yet reached by `point`; "50 ft past" is negative, already passed. So the station of `point`
    is `station_m - distance_m` going upstation and `station_m + distance_m` going downstation.
    """

    station_m: StationM = Field(alias="station", description="Station of the mark on the ground")
    at: At = Field(description='"first line", a scan line number, or a time')
    pass_id: Line | None = Field(default=None, alias="pass", description="Pass in which it was noted")
    point: Literal["screed", "antenna", "spot line"] = Field(
        description="Point of the paver it was measured from"
    )
    distance_m: MarkDistance = Field(
        alias="distance", description='How far before the mark ("50 ft before") or past it the point is'
    )


class StationingSection(Section):
    """How stations run along the line, and how they are written."""

    direction: Direction | None = Field(
        default=None, description="Travel along the stations, without an alignment"
    )
    alignment: Line | None = Field(
        default=None, description="Name of the alignment where the file holds several"
    )
    start_m: StationM | None = Field(default=None, alias="start", description="Station of its first vertex")
    labels: Literal["100 ft", "100 m", "1000 m"] | None = Field(
        default=None, description="How stations are written; default 100 ft for us, 100 m for si"
    )
    mat_offsets_m: tuple[Across, ...] | None = Field(
        default=None,
        alias="mat_offsets",
        description="Where the plans put the mat: its two offsets from the alignment, right looking upstation",
    )

    @model_validator(mode="after")
    def _check(self) -> StationingSection:
        ends = self.mat_offsets_m
        if ends is not None and not (len(ends) == 2 and ends[0] < ends[1]):
            raise ValueError('mat_offsets takes two offsets, left one first, like ["0 ft", "12 ft right"]')
        return self


class StationPlan(Section):
    """What stationing needs of a lot: direction, marks, limits, points of the paver ahead of C."""

    direction: Direction | None = None
    marks: tuple[MarkSection, ...] = ()
    limits: LimitsSection = LimitsSection()
    labels: StationLabels = StationLabels()
    screed_forward_m: float
    antenna_forward_m: float
    antenna_right_m: float = 0.0
    mat_offsets_m: tuple[float, float] | None = None
    later: tuple[SetUp, ...] = ()  # set-ups after the first
    alignment_distance_m: float
    wheel_gnss_frac: float

    def forward_m(self, point: str, moment: datetime) -> float:
        """How far a point of the paver lies ahead of C at a moment."""
        held = [item.rig for item in self.later if item.at <= moment]  # type: ignore[operator]
        ends = held[-1] if held else self
        return {"screed": ends.screed_forward_m, "antenna": ends.antenna_forward_m, "spot line": 0.0}[point]
