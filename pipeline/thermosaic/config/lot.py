"""Who, where and what was laid: identity, files, frames, cells, bounds and delivery of a lot."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from pydantic import Field, model_validator

from ..datum import decimal_year
from ..values import (
    Accuracy,
    AnyFrame,
    AreaMass,
    Epoch,
    FreeKeys,
    GeographicFrame,
    Length,
    LiftNumber,
    Limit,
    Line,
    LotPath,
    LotPaths,
    LotPathsOrNone,
    MapCell,
    MatCell,
    Name,
    Note,
    ProjectedFrame,
    Revision,
    Share,
    SiteZone,
    Size,
    Temperature,
    Thickness,
    Width,
    stated_time,
)
from .section import Section


class LimitsSection(Section):
    """The part of the logs that belongs to the lot, half open [from, to): two times or two stations."""

    from_: Limit | None = Field(default=None, alias="from", description="First time or station of the lot")
    to: Limit | None = Field(default=None, description="First time or station no longer in the lot")

    @model_validator(mode="after")
    def _check(self) -> LimitsSection:
        ends = [end for end in (self.from_, self.to) if end is not None]
        if len({type(end) for end in ends}) == 2:
            raise ValueError("from and to must be two times or two stations, not one of each")
        if len(ends) == 2 and not self.from_ < self.to:  # type: ignore[operator]
            raise ValueError("from must be smaller than to")
        return self


class LotSection(Section):
    """Who, where and what was laid."""

    id: Name = Field(description="Name of the lot; becomes file names: letters, digits, . _ -")
    revision: Revision = Field(default=1, description="Counts re-issues of the same lot")
    supersedes: Line | None = Field(default=None, description="What this revision replaces")
    reason: Line | None = Field(default=None, description="Why this revision was made")
    route: Line = Field(description="Road or route, as the agency names it")
    lane: Line = Field(description="Lane, as the agency names it")
    lift: LiftNumber = Field(description="Lift, counted from the bottom")
    thickness_m: Thickness = Field(alias="thickness", description="Compacted thickness")
    time_zone: SiteZone = Field(description="IANA name of the site's time zone")
    course: Line | None = Field(default=None, description="Course: wearing, binder, base")
    mix: Line | None = Field(default=None, description="Mix")
    warm_mix: bool = Field(default=False, description="The mix is a warm mix")
    laydown_target_c: Temperature | None = Field(
        default=None, alias="laydown_target", description="Target temperature behind the screed"
    )
    spread_rate_kg_m2: AreaMass | None = Field(
        default=None, alias="spread_rate", description="Mass laid by area"
    )
    load_length_m: Size | None = Field(
        default=None, alias="load_length", description="Mat that one truck load covers, without tickets"
    )
    paved_width_m: Width | None = Field(default=None, alias="paved_width", description="Width paved")
    shift: Line | None = Field(default=None, description="Shift")
    note: Note | None = Field(default=None, description="Free text, shown as it is")
    limits: LimitsSection = Field(default=LimitsSection(), description="Part of the logs that is this lot")
    agency: FreeKeys = Field(
        default={}, description="Free keys that an agency asks for: contract, bid item, .."
    )

    def local(self, moment_utc: np.datetime64) -> datetime:
        """Local time of a moment on site, to the second."""
        return stated_time(moment_utc.astype("M8[s]")).astimezone(ZoneInfo(self.time_zone))


class FilesSection(Section):
    """The logs, as absolute paths after loading; each a list read in order as one log."""

    scan: LotPaths | None = Field(
        default=None, description="Scan log: one row a line of spots; with [[scanner]] each has its own"
    )
    fixes: LotPaths = Field(description="GNSS log")
    wheel: LotPathsOrNone = Field(
        default=(), description="Distance wheel log; without it the scan's own column"
    )
    alignment: LotPath | None = Field(default=None, description="Reference line of the road")
    exclusions: LotPath | None = Field(default=None, description="Polygons that the rule leaves out")
    diary: LotPath | None = Field(default=None, description="What happened on site: trucks, stops, rain, ..")
    weather: LotPath | None = Field(default=None, description="Air temperature, wind and sky by time")
    control: LotPath | None = Field(
        default=None, description="Points measured independently: rover positions, hand readings"
    )
    tickets: LotPath | None = Field(
        default=None, description="Truck tickets: mass, and when each discharge ended"
    )


class FormatsSection(Section):
    """Names of shipped formats, or paths to the user's own."""

    scan: Line = Field(description="Format of the scan log")
    fixes: Line = Field(description="Format of the GNSS log")
    wheel: Line = Field(default="wheel-csv", description="Format of the wheel log, where there is one")
    diary: Line = Field(default="diary-csv", description="Format of the diary, where there is one")
    weather: Line = Field(default="weather-csv", description="Format of the weather, where there is any")
    control: Line = Field(default="control-csv", description="Format of control points, where there are any")
    tickets: Line = Field(default="tickets-csv", description="Format of truck tickets, where there are any")


class CrsSection(Section):
    """Frames: of the fixes (must be stated), of the products, of the alignment's numbers."""

    fixes: GeographicFrame = Field(description="Reference frame of the fixes: the log does not say it")
    epoch: Epoch | None = Field(default=None, description="Epoch of the fixes as a decimal year")
    map: ProjectedFrame = Field(description="Projected reference system of the products; any linear unit")
    alignment: AnyFrame | None = Field(
        default=None, description="True frame of the numbers in alignment, exclusions and control"
    )
    accuracy_m: Accuracy = Field(default="0.1 m", alias="accuracy", description="Worst datum operation taken")
    accept_ensemble: bool = Field(default=False, description="Take plain WGS 84 as equal to any frame")

    def dated(self, first_utc: np.datetime64) -> CrsSection:
        """Return the same frames with an epoch: the stated one, else that of the logs' first fix."""
        return self if self.epoch else self.model_copy(update={"epoch": decimal_year(first_utc)})


class GridSection(Section):
    """Cells of the pictures; the rule has its own cell for the statistic."""

    map_cell_m: MapCell = Field(default="0.1 m", alias="map_cell", description="Cell of the tiles")
    mat_cell_m: MatCell = Field(
        default="1 ft", alias="mat_cell", description="Cell of the picture in the mat frame"
    )


class AcceptSection(Section):
    """When to stop rather than go on."""

    rejected_frac: Share = Field(default=0.2, description="Largest share of a log that may be rejected")
    autonomous_frac: Share = Field(default=0.1, description="Largest share of autonomous fixes")
    wheel_gnss_frac: Share = Field(
        default=0.03, description="Largest disagreement of wheel and GNSS distance"
    )
    alignment_distance_m: Length = Field(
        default="30 m",
        alias="alignment_distance",
        description="Largest distance of the mat from the alignment",
    )


class DeliverySection(Section):
    """What the agency receives."""

    units: Literal["us", "si"] = Field(default="si", description="Units of layers and tables")
    display_low_c: Temperature | None = Field(
        default=None,
        alias="display_low",
        description="Lowest temperature of the pictures' colours; pictures only",
    )
    display_high_c: Temperature | None = Field(
        default=None,
        alias="display_high",
        description="Highest temperature of the pictures' colours; pictures only",
    )

    @model_validator(mode="after")
    def _check(self) -> DeliverySection:
        ends = (self.display_low_c, self.display_high_c)
        if None not in ends and not ends[0] < ends[1]:  # type: ignore[operator]
            raise ValueError("display_low must be below display_high")
        return self

    @property
    def display_c(self) -> tuple[float | None, float | None]:
        """Ends of the pictures' colours as stated; an end that is not comes from the lot's own temperatures."""
        return self.display_low_c, self.display_high_c


class RulesSection(Section):
    """Which rules judge the lot."""

    profile: Line = Field(description="Name of a shipped rule profile, or a path to your own")
