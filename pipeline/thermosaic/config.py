"""What a lot, a rig, a rule profile and a log format state: mappings in, frozen sections out; pure.

Every quantity comes as a string with its unit and becomes SI here, so a key without a suffix in TOML
(`antenna_forward = "78 in ahead"`) is an attribute with one (`antenna_forward_m`). Defaults are written
as a user would write them. None stands in for anything that a site must measure. No file of the user
is opened here: reading is `files.settings`, what depends on several sections is `opening`.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import asdict
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    model_validator,
)

from .tables import LAYER, LINES
from .units import StationLabels
from .values import (
    Accuracy,
    Across,
    Along,
    Angle,
    AnyFrame,
    Area,
    AreaMass,
    At,
    ClockOffset,
    CountLength,
    CrossSlope,
    Difference,
    Direction,
    Duration,
    Edge,
    Epoch,
    FreeKeys,
    GeographicFrame,
    Height,
    HighPercentile,
    IsoDate,
    Length,
    LiftNumber,
    Limit,
    Line,
    LineCount,
    LotPath,
    LotPaths,
    LotPathsOrNone,
    LowPercentile,
    MapCell,
    MarkDistance,
    MatCell,
    Name,
    Note,
    ProjectedFrame,
    Revision,
    ScanAngle,
    Share,
    Size,
    Speed,
    StatedOffset,
    StationM,
    Temperature,
    Thickness,
    Time,
    Word,
    Zone,
    shown,
)


class Section(BaseModel):
    """A part of a configuration: unknown keys are errors, nothing changes after loading."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        populate_by_name=True,
        allow_inf_nan=False,
        validate_default=True,
        arbitrary_types_allowed=True,
    )


# ---------------------------------------------------------------------------------------------- the lot


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
    time_zone: Zone = Field(description="IANA name of the site's time zone")
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
    paved_width_m: Length | None = Field(default=None, alias="paved_width", description="Width paved")
    shift: Line | None = Field(default=None, description="Shift")
    note: Note | None = Field(default=None, description="Free text, shown as it is")
    limits: LimitsSection = Field(default=LimitsSection(), description="Part of the logs that is this lot")
    agency: FreeKeys = Field(
        default={}, description="Free keys that an agency asks for: contract, bid item, .."
    )


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


class FixSigma(Section):
    """One-axis standard deviation by fix quality, where the log has none of its own.

    The defaults are common practice without a source.
    """

    fixed_m: Size = Field(default="0.02 m", alias="fixed", description="Ambiguities fixed (RTK)")
    float_m: Size = Field(default="0.3 m", alias="float", description="Ambiguities float")
    differential_m: Size = Field(default="1 m", alias="differential", description="Differential")
    autonomous_m: Size = Field(default="3 m", alias="autonomous", description="Autonomous")


class RigSection(Section):
    """Where things sit on the paver, from C, the point of the mat straight below the scanner."""

    antenna_forward_m: Along = Field(alias="antenna_forward", description="Antenna ahead of C")
    antenna_right_m: Across = Field(alias="antenna_right", description="Antenna right of C")
    antenna_up_m: Height = Field(alias="antenna_up", description="Antenna above the mat")
    screed_forward_m: Along = Field(
        alias="screed_forward", description="Trailing edge of the screed ahead of C"
    )
    non_slip_forward_m: Along = Field(
        alias="non_slip_forward", description="Point of the machine that does not slip sideways, ahead of C"
    )
    cross_slope_frac: CrossSlope | None = Field(
        default=None,
        alias="cross_slope",
        description="Fall of the mat across the machine, seen in travel; unstated, 2 % either way is in the sigma",
    )
    heading_offset_deg: Angle = Field(
        default="0 deg", alias="heading_offset", description="Two-antenna heading minus body heading"
    )
    fix_sigma: FixSigma = Field(default=FixSigma(), description="Sigma by quality where the log has none")
    max_sigma_m: Size = Field(
        default="1 m", alias="max_sigma", description="Position sigma above this is a gap"
    )
    wheel_per_count_m: CountLength | None = Field(
        default=None, alias="wheel_per_count", description="Wheel travel for one count"
    )
    clock_offset_s: ClockOffset = Field(alias="clock_offset", description='Scan clock minus UTC, or "auto"')
    evidence: tuple[LotPath, ...] = Field(default=(), description="Files written by checks of the rig")


class SpotsEven(Section):
    """Spot centres evenly spaced from the first column's to the last column's."""

    first_m: Across = Field(alias="first", description="Centre of the first column's spot, right of C")
    last_m: Across = Field(alias="last", description="Centre of the last column's spot, right of C")

    @model_validator(mode="after")
    def _check(self) -> SpotsEven:
        if self.first_m == self.last_m:
            raise ValueError("first and last must differ")
        return self


class SpotsByAngle(Section):
    """Spots of a scanner above the mat at equal steps of angle, right +: right = height tan(angle)."""

    height_m: Height = Field(alias="height", description="Scanner above the mat")
    angle_first_deg: ScanAngle = Field(
        alias="angle_first", description="Angle of the first column's spot from plumb"
    )
    angle_last_deg: ScanAngle = Field(
        alias="angle_last", description="Angle of the last column's spot from plumb"
    )

    @model_validator(mode="after")
    def _check(self) -> SpotsByAngle:
        if self.angle_first_deg == self.angle_last_deg or self.height_m == 0:
            raise ValueError("angle_first and angle_last must differ, and height must be above 0")
        return self


def _spots_kind(value: Any) -> str:
    """Tell which way of stating spots a value follows."""
    if isinstance(value, SpotsByAngle) or (
        isinstance(value, dict) and {"height", "angle_first"} & value.keys()
    ):
        return "by_angle"
    return "listed" if isinstance(value, tuple | list) else "even"


def _parse_spots(value: Any) -> Any:
    """Refuse a list of spots that cannot be a line."""
    if not isinstance(value, tuple | list | dict | Section):
        ways = "{ first, last }, a list, or { height, angle_first, angle_last }"
        raise ValueError(f"{ways} is expected, not {shown(value)}")
    if isinstance(value, tuple | list) and not 2 <= len(value) <= 4096:
        raise ValueError(f"a list of spots has 2 .. 4096 of them, not {len(value)}")
    return value


Spots = Annotated[
    Annotated[SpotsEven, Tag("even")]
    | Annotated[SpotsByAngle, Tag("by_angle")]
    | Annotated[tuple[Across, ...], Tag("listed")],
    Discriminator(_spots_kind),
    BeforeValidator(_parse_spots),
]


class ScannerSection(Section):
    """The line of spots and the edges of the paved mat, from C, right positive."""

    spots_right: Spots = Field(description="Centres of the spots right of C, in column order")
    mat_left_m: Across = Field(
        alias="mat_left", description="Left edge of the paved mat, right of C positive"
    )
    mat_right_m: Across = Field(
        alias="mat_right", description="Right edge of the paved mat, right of C positive"
    )
    correction: LotPath | None = Field(
        default=None, description="Evidence of `rig thermometer` whose bias is taken off the readings"
    )

    @model_validator(mode="after")
    def _check(self) -> ScannerSection:
        if not self.mat_left_m < self.mat_right_m:
            raise ValueError("mat_left must lie left of mat_right (right of C is positive)")
        if isinstance(self.spots_right, SpotsEven):
            ends = sorted((self.spots_right.first_m, self.spots_right.last_m))
            if ends[1] <= self.mat_left_m or ends[0] >= self.mat_right_m:
                raise ValueError("no spot lies between mat_left and mat_right")
        if isinstance(self.spots_right, tuple):
            steps = [b - a for a, b in pairwise(self.spots_right)]
            if not (min(steps) > 0 or max(steps) < 0):
                raise ValueError("spots_right must run in one direction across the mat, each spot once")
        return self

    def centres_m(self, spots: int) -> Any:
        """Resolve the stated spots for so many columns: float64 (spot) right of C, in column order.

        Raises
        ------
        ValueError
            A list of another length.
        """
        import numpy as np

        from .kernels.scan_geometry import spots_by_angle

        stated = self.spots_right
        if isinstance(stated, tuple):
            if len(stated) != spots:
                raise ValueError(f"lists {len(stated)} centres: state one for each column")
            return np.array(stated)
        if isinstance(stated, SpotsByAngle):
            angles = np.linspace(stated.angle_first_deg, stated.angle_last_deg, spots)
            return spots_by_angle(stated.height_m, angles)
        return np.linspace(stated.first_m, stated.last_m, spots)


class ScannerPart(Section):
    """One of several scanners over one mat; all look along the same line, through C."""

    id: Name = Field(description="Name of the scanner, as products write it")
    file: LotPaths = Field(description="Its scan log; a list is read in order as one log")
    spots_right: Spots = Field(description="Centres of its spots right of C, in column order")
    mat_left_m: Across | None = Field(
        default=None, alias="mat_left", description="Left edge of the paved mat; stated by one scanner"
    )
    mat_right_m: Across | None = Field(
        default=None, alias="mat_right", description="Right edge of the paved mat; stated by one scanner"
    )
    wins_overlap: bool = Field(default=False, description="Its readings count where two see the same mat")
    clock_offset_s: StatedOffset | None = Field(
        default=None, alias="clock_offset", description="Its own clock minus UTC; else that of [rig]"
    )
    correction: LotPath | None = Field(
        default=None, description="Evidence of `rig thermometer` whose bias is taken off its readings"
    )


def one_line(parts: tuple[ScannerPart, ...]) -> ScannerSection:
    """Return the section that stands for several scanners: spots of the first, the mat's edges of whoever has them."""
    edges = {
        name: next((getattr(part, name) for part in parts if getattr(part, name) is not None), None)
        for name in ("mat_left_m", "mat_right_m")
    }
    return ScannerSection.model_construct(spots_right=parts[0].spots_right, **edges)


def _scanner_kind(value: Any) -> str:
    return "several" if isinstance(value, tuple | list) else "one"


class RigFile(Section):
    """A rig on its own, to copy into lots: the two tables as they stand in lot.toml."""

    rig: RigSection
    scanner: ScannerSection


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
    is `station_m - ahead_m` going upstation and `station_m + ahead_m` going downstation.
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

    @property
    def ahead_m(self) -> float:
        """How far the marked station lies ahead of the point along travel; negative once passed."""
        return self.distance_m


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


def set_ups(
    rig: RigSection, scanner: ScannerSection, changes: tuple[ChangeSection, ...]
) -> tuple[SetUp, ...]:
    """Follow a rig through its changes, in order of time; changes known by station only are left out."""
    found = [SetUp(at=None, rig=rig, scanner=scanner)]
    timed = [item for item in changes if item.at is not None]
    for change in sorted(timed, key=lambda item: item.at):  # type: ignore[arg-type, return-value]
        found.append(changed_by(found[-1], change))
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


class LotStatement(Section):
    """What lot.toml states, apart from the rules."""

    lot: LotSection
    files: FilesSection
    formats: FormatsSection
    crs: CrsSection
    rig: RigSection
    scanner: ScannerSection
    passes: tuple[PassSection, ...] = Field(
        default=(), alias="pass", description="Paver passes; without any there is one"
    )
    exclude: tuple[ExcludeSection, ...] = Field(default=(), description="Stretches that the rule leaves out")
    changes: tuple[ChangeSection, ...] = Field(
        default=(),
        alias="change",
        description="Changes of the rig or the mat's edges within the lot, in order",
    )
    marks: tuple[MarkSection, ...] = Field(default=(), alias="mark", description="Stations from the ground")
    stationing: StationingSection = StationingSection()
    grid: GridSection = GridSection()
    accept: AcceptSection = AcceptSection()
    delivery: DeliverySection = DeliverySection()


class LotFile(LotStatement):
    """lot.toml as the user writes it."""

    scanner: Annotated[  # type: ignore[assignment]
        Annotated[ScannerSection, Tag("one")] | Annotated[tuple[ScannerPart, ...], Tag("several")],
        Discriminator(_scanner_kind),
    ]
    rules: RulesSection


class EvidenceValue(Section):
    """A further value that the same check measured."""

    key: Line = Field(description="Key of lot.toml that it stands for")
    measured: Line = Field(description="Measured value with its unit")
    tolerance: Line = Field(description="Tolerance with its unit, or a share")


class EvidenceFile(Section):
    """What a check of the rig found, valid from one local date to another, both included."""

    subject: Literal["wheel", "thermometer", "antenna", "reach"] = Field(description="What was checked")
    key: Line | None = Field(default=None, description="Key of lot.toml that the measured value stands for")
    measured: Line = Field(description="Measured value with its unit")
    tolerance: Line = Field(description="Tolerance with its unit, or a share")
    verdict: Literal["pass", "look", "fail"] = Field(description="pass: within the tolerance")
    finding: Line = Field(description="One sentence with the numbers")
    valid_from: IsoDate = Field(description="First local date it is valid for")
    valid_to: IsoDate = Field(description="Last local date it is valid for")
    method: Line = Field(description="How it was found")
    numbers: FreeKeys = Field(default={}, description="Further numbers, SI")
    further: tuple[EvidenceValue, ...] = Field(default=(), description="Further values of the same check")

    @property
    def spot_bias_delta_c(self) -> dict[int, float]:
        """Bias of each spot that a thermometer's check gives one for, by its column, 1 = first."""
        named = (
            (re.fullmatch(r"spot_([0-9]{1,4})_bias_delta_c", key), item) for key, item in self.numbers.items()
        )
        return {
            int(match[1]): float(item) for match, item in named if match and isinstance(item, int | float)
        }

    @model_validator(mode="after")
    def _check(self) -> EvidenceFile:
        if self.valid_to < self.valid_from:
            raise ValueError("valid_to must not be earlier than valid_from")
        return self


class AgencyKey(Section):
    """A free key of [lot.agency] that an agency asks for, and the pattern its value follows whole."""

    meaning: Line = Field(description="What it is, in the agency's words")
    example: Line = Field(description="A value that is taken")
    pattern: Line = Field(default=".+", description="Regular expression of the whole value")

    @model_validator(mode="after")
    def _check(self) -> AgencyKey:
        _require_taken(self.pattern, self.example)
        return self


class AgencyPart(Section):
    """A named part of a lot's name: which key it is taken from, and words the agency shortens."""

    key: Line = Field(description="Key of lot.toml that it is taken from, like lot.route or lot.agency.date")
    meaning: Line = Field(description="What it is")
    example: Line = Field(description="A value of that key")
    words: dict[str, str] = Field(default={}, description="Words of the value = how the name writes them")

    @model_validator(mode="after")
    def _check(self) -> AgencyPart:
        if not re.fullmatch(r"lot\.(agency\.)?[A-Za-z0-9_-]+|stationing\.alignment", self.key):
            raise ValueError(f"a key of [lot], [lot.agency] or stationing.alignment, not {shown(self.key)}")
        return self


HANDED_IN = (
    "page", "pdf", "card", "waypoints", "layers", "kml", "flatgeobuf", "mosaic", "mat", "table", "lines", "spots",
    "raw_logs", "lot_file", "quality", "manifest",
)  # fmt: skip
SEVERAL_FILES = ("flatgeobuf", "mosaic", "mat", "raw_logs")
NAME_PARTS = ("lot_id", "revision", "route", "lane", "lift", "paved_on", "file")


class HandedIn(Section):
    """One thing that an agency wants: what it is, its name in the hand-in, and for tables their columns."""

    what: Literal[HANDED_IN] = Field(description="What it is")  # type: ignore[valid-type]
    name: Line = Field(
        description="Its path in the hand-in, parts in braces; {file} where it is several files"
    )
    meaning: Line = Field(description="What it is, in the agency's words")
    required: bool = Field(default=True, description="Its absence is named as missing, not as left out")
    layer: Line | None = Field(default=None, description="Layer of a table, like profiles")
    columns: dict[str, str] = Field(
        default={}, description="The agency's name of a column = our column, in SI"
    )
    readings: Line | None = Field(default=None, description="Name of a column of readings, with {spot}")

    @model_validator(mode="after")
    def _check(self) -> HandedIn:
        parts = re.findall(r"\{([^{}]*)\}", self.name)
        unknown = [part for part in parts if part not in NAME_PARTS]
        if unknown:
            raise ValueError(f"{{{unknown[0]}}} is no part of a name: known are {', '.join(NAME_PARTS)}")
        if ("file" in parts) != (self.what in SEVERAL_FILES):
            raise ValueError("{file} belongs in the name of several files, and only there")
        if not re.fullmatch(r"(?!/)(?!.*//)(?!.*\.\.)[A-Za-z0-9 ._/{}-]+(?<!/)", self.name):
            raise ValueError(
                f"{shown(self.name)} is no path inside a folder: letters, digits, blank . _ - / are taken"
            )
        if (self.layer is not None) != (self.what == "table"):
            raise ValueError("layer is given for a table, and only there")
        if (self.columns and self.what not in ("table", "lines")) or (self.readings and self.what != "lines"):
            raise ValueError("columns are given for table and lines, readings for lines only")
        if self.readings and self.readings.count("{spot}") != 1:
            raise ValueError(f"{shown(self.readings)} lacks {{spot}}, the number of the column")
        self._check_columns()
        return self

    def _check_columns(self) -> None:
        """Refuse a layer or a column that there is not."""
        if self.layer is not None and self.layer not in LAYER:
            raise ValueError(f"there is no layer {shown(self.layer)}: known are {', '.join(LAYER)}")
        table = LINES if self.what == "lines" else LAYER[self.layer] if self.layer else None
        known = {column.name for column in table.columns} if table else set()
        unknown = sorted(set(self.columns.values()) - known)
        if table is not None and unknown:
            raise ValueError(f"{table.name} has no column {shown(unknown[0])}")


class HandIn(Section):
    """What an agency wants handed in, under which names; each agency has its own list."""

    units: Literal["us", "si"] = Field(description="Units that the agency takes")
    files: dict[str, HandedIn] = Field(description="The list: a word for each thing = what, name, meaning")
    persons: tuple[str, ...] = Field(default=(), description="Keys of [lot.agency] that name persons")


class AgencyPattern(Section):
    """How an agency names its lots, and which keys it wants in [lot.agency]; each agency has its own."""

    id: Name = Field(description="Name of the naming pattern")
    title: Line = Field(description="Title in plain words")
    note: Note | None = Field(default=None, description="What a reader should know")
    name: Line = Field(description="Template of the lot's name, its parts in braces")
    pattern: Line = Field(description="Regular expression of the whole name")
    parts: dict[str, AgencyPart] = Field(description="Parts of the template")
    required: dict[str, AgencyKey] = Field(default={}, description="Keys of [lot.agency] that must be there")
    optional: dict[str, AgencyKey] = Field(default={}, description="Keys of [lot.agency] that may be there")
    hand_in: HandIn | None = Field(default=None, description="What is handed in, where the agency has a list")

    @model_validator(mode="after")
    def _check(self) -> AgencyPattern:
        named = re.findall(r"\{([^{}]*)\}", self.name)
        if sorted(named) != sorted(self.parts) or re.search(
            r"[{}]", re.sub(r"\{[a-z0-9_]+\}", "", self.name)
        ):
            raise ValueError(f"name uses {', '.join(named)} in braces, [parts] has {', '.join(self.parts)}")
        _require_taken(self.pattern, None)
        return self

    def agency_keys(self) -> list[tuple[str, AgencyKey, bool]]:
        """List the keys of [lot.agency] with whether each is required."""
        both = ((self.required, True), (self.optional, False))
        return [(name, entry, needed) for entries, needed in both for name, entry in entries.items()]


def _require_taken(pattern: str, example: str | None) -> None:
    """Refuse a regular expression that is none, or that does not take its own example."""
    try:
        taken = example is None or re.fullmatch(pattern, example) is not None
    except re.error as error:
        raise ValueError(f"{shown(pattern)} is not a regular expression: {error}") from None
    if not taken:
        raise ValueError(f"the pattern {shown(pattern)} does not take the example {shown(example)}")


# -------------------------------------------------------------------------------------------- the rules


class ProfileRule(Section):
    """How a pass is cut into profiles."""

    length_m: Size = Field(alias="length", description="Length of a profile")
    anchor: Literal["pass_start", "whole_station"] = Field(description="Where the grid of profiles begins")
    remainder_from_m: Length = Field(
        alias="remainder_from", description="A shorter last piece joins the profile before it"
    )
    across_exclusion: Literal["continue", "restart"] = Field(description="The grid at an exclusion")
    minimum_coverage_frac: Share = Field(
        description="Least share of cells with a reading; below: insufficient"
    )
    start_up_m: Length = Field(
        alias="start_up", description="Length left out where the screed leaves the joint"
    )


class StatisticRule(Section):
    """The number that classes a profile, and the sample it is taken from.

    `percentile_pair`: high less low percentile; `max_minus_min`; `below_target`: laydown target less the low
    percentile; `share_below_reference`: share of the mat colder (degC) than a part of its running mean.
    """

    kind: Literal["percentile_pair", "max_minus_min", "below_target", "share_below_reference"] = Field(
        description="The statistic"
    )
    sample: Literal["cell_mean", "reading"] = Field(description="What it is taken of")
    cell_m: Size = Field(alias="cell", description="Cell of cell_mean, in the mat frame")
    high_percentile: HighPercentile | None = Field(default=None, description="Upper percentile of the pair")
    low_percentile: LowPercentile | None = Field(default=None, description="Lower percentile")
    percentile_method: Literal["R-6", "R-7"] | None = Field(
        default=None, description="Interpolation, by its number in Hyndman and Fan 1996"
    )
    reference_frac: Share | None = Field(default=None, description="Part of the running mean")
    reference_window_m: Size | None = Field(
        default=None, alias="reference_window", description="Length of the running mean"
    )

    @model_validator(mode="after")
    def _check(self) -> StatisticRule:
        needed = {
            "percentile_pair": ("high_percentile", "low_percentile", "percentile_method"),
            "max_minus_min": (),
            "below_target": ("low_percentile", "percentile_method"),
            "share_below_reference": ("reference_frac", "reference_window_m"),
        }[self.kind]
        missing = [name.removesuffix("_m") for name in needed if getattr(self, name) is None]
        if missing:
            raise ValueError(f"{self.kind} needs {' and '.join(missing)}")
        return self


class ClassRule(Section):
    """One class word; its limit is inclusive, the last class has none."""

    word: Word = Field(description="The document's word")
    up_to_delta_c: Difference | None = Field(default=None, alias="up_to", description="Largest differential")
    up_to_frac: Share | None = Field(default=None, description="Largest share (share_below_reference)")


class ClassesRule(Section):
    """Class words from best to worst, and the rounding before a value is compared with a limit."""

    rounded_to_delta_c: Difference | None = Field(
        default=None, alias="rounded_to", description="Rounding of differentials"
    )
    rounded_to_frac: Share | None = Field(default=None, description="Rounding of shares")
    instrument_accuracy_delta_c: Difference = Field(
        alias="instrument_accuracy", description="A margin inside this is borderline"
    )
    words: tuple[ClassRule, ...] = Field(description="Classes, best first")

    @model_validator(mode="after")
    def _check(self) -> ClassesRule:
        limits = [word.up_to_frac if self.is_share else word.up_to_delta_c for word in self.words]
        if not 2 <= len(self.words) <= 5 or len({word.word for word in self.words}) < len(self.words):
            raise ValueError("2 .. 5 classes with different words are expected")
        if any(word.word == "insufficient" for word in self.words):
            raise ValueError('"insufficient" is kept for profiles without enough coverage')
        if limits[-1] is not None or any(limit is None for limit in limits[:-1]):
            raise ValueError("each class but the last needs its limit, the last has none")
        if any(low >= high for low, high in pairwise(limits[:-1])):  # type: ignore[operator]
            raise ValueError("limits must rise from the best class to the worst")
        if (self.rounded_to_frac is None) == (self.rounded_to_delta_c is None):
            raise ValueError("one of rounded_to and rounded_to_frac is expected")
        return self

    @property
    def is_share(self) -> bool:
        """The limits are shares, not temperature differences."""
        return self.rounded_to_frac is not None


class StopRule(Section):
    """When the paver counts as standing, and the mat around it that leaves the statistic, along travel."""

    below_mps: Speed = Field(alias="below", description="Standing below this speed")
    longer_than_s: Duration = Field(alias="longer_than", description="Shortest stop")
    reference: Literal["spot_line", "screed"] = Field(
        description="Line that behind and ahead are measured from"
    )
    behind_m: Length = Field(alias="behind", description="Mat left out behind that line")
    ahead_m: Length = Field(alias="ahead", description="Mat left out ahead of that line")


class EdgeTrimRule(Section):
    """Width left out along each kind of mat edge."""

    free_m: Length = Field(alias="free", description="Along a free edge")
    cold_joint_m: Length = Field(alias="cold_joint", description="Along a cold joint")
    hot_joint_m: Length = Field(alias="hot_joint", description="Along a hot joint")
    kerb_m: Length = Field(alias="kerb", description="Along a kerb")


class WindowRule(Section):
    """Temperatures kept in the statistic, and the oldest look that still counts as laydown temperature."""

    lowest_c: Temperature = Field(alias="lowest", description="Colder readings are left out")
    highest_c: Temperature = Field(alias="highest", description="Hotter readings are left out")
    look_age_s: Duration = Field(alias="look_age", description="Oldest look taken as laydown temperature")

    @model_validator(mode="after")
    def _check(self) -> WindowRule:
        if not self.lowest_c < self.highest_c:
            raise ValueError("lowest must be below highest")
        return self


class ZoneRule(Section):
    """Cold zones: deficit against the local mat, or against the laydown target; independent of the class."""

    reference: Literal["local", "laydown_target"] = Field(
        default="local", description="What a cell is compared with: the mat around it, or the lot's target"
    )
    drop_delta_c: Difference = Field(alias="drop", description="Deficit that starts a zone")
    release_delta_c: Difference = Field(alias="release", description="Deficit down to which it grows")
    window_m: Size = Field(alias="window", description="Length along station of the running reference")
    cell_m: Size = Field(alias="cell", description="Cell of zones, in the mat frame")
    minimum_area_m2: Area = Field(alias="minimum_area", description="Smallest zone")
    minimum_lines: LineCount = Field(description="Fewest scan lines it is seen in")

    @model_validator(mode="after")
    def _check(self) -> ZoneRule:
        if not 0 < self.release_delta_c <= self.drop_delta_c:
            raise ValueError("release must be above 0 and not larger than drop")
        return self


class SpeedRule(Section):
    """Edges of the speed bands, named by their numbers, lower edge included."""

    bands_mps: tuple[Speed, ...] = Field(alias="bands", description="Edges, rising")

    @model_validator(mode="after")
    def _check(self) -> SpeedRule:
        if not self.bands_mps or sorted(set(self.bands_mps)) != list(self.bands_mps):
            raise ValueError("edges must rise, and there must be one at least")
        return self


class PayRule(Section):
    """A pay table of the user's own contract, by profile; none is shipped."""

    currency: Line = Field(description="Currency of the amounts")
    amounts: tuple[float, ...] = Field(description="For one profile of each class, best class first")
    insufficient: float = Field(description="For one profile with too little measured to be classed")


Standing = Literal[
    "confirmed in a fetched text",
    "second-hand",
    "from memory, to be checked",
    "from memory and unsure, to be checked",
    "common practice, no source",
    "derived",
]


class SourceNote(Section):
    """Where a number comes from and how sure that is."""

    source: Line = Field(description="Document, clause, or reason")
    standing: Standing = Field(description="How sure the number is")


class RuleProfile(Section):
    """One document's way of judging, as data; each number has a source and a standing."""

    id: Name = Field(description="Name of the rule profile")
    title: Line = Field(description="Title in plain words")
    citation: Note = Field(description="Documents behind it, and which of them were read")
    note: Note | None = Field(default=None, description="What a reader should know")
    profile: ProfileRule
    statistic: StatisticRule
    classes: ClassesRule
    stop: StopRule
    edge_trim: EdgeTrimRule
    window: WindowRule
    zone: ZoneRule
    speed: SpeedRule
    pay: PayRule | None = Field(default=None, description="The user's own pay table; none is shipped")
    sources: dict[str, SourceNote] = Field(
        description='By "section.key"; class limits by "classes.WORD.up_to"'
    )

    @model_validator(mode="after")
    def _check(self) -> RuleProfile:
        if self.classes.is_share != (self.statistic.kind == "share_below_reference"):
            raise ValueError(
                "shares are classed by up_to_frac and rounded_to_frac, differences by up_to and rounded_to"
            )
        if self.pay is not None and len(self.pay.amounts) != len(self.classes.words):
            raise ValueError(
                f"[pay] amounts has {len(self.pay.amounts)} values, one for each of {len(self.classes.words)} classes "
                "is expected"
            )
        return self


def stated_values(rules: dict[str, Any]) -> dict[str, tuple[tuple[str | int, ...], bool]]:
    """List what a rule file states in its sections, as source keys.

    Parameters
    ----------
    rules : dict
        The rule file as read.

    Returns
    -------
    dict
        Source key (`stop.ahead`, `classes.severe.up_to`) to its path in the file and whether the value is
        a number (with or without unit) rather than a word.
    """
    stated: dict[str, tuple[tuple[str | int, ...], bool]] = {}
    for section, keys in rules.items():
        if section == "sources" or not isinstance(keys, dict):
            continue
        for key, value in keys.items():
            if section == "classes" and key == "words":
                stated.update(_class_limits(value))
                continue
            values = value if isinstance(value, tuple | list) else (value,)
            stated[f"{section}.{key}"] = ((section, key), any(_is_number(item) for item in values))
    return stated


def _class_limits(words: Any) -> dict[str, tuple[tuple[str | int, ...], bool]]:
    entries = enumerate(words if isinstance(words, tuple | list) else ())
    return {
        f"classes.{entry.get('word')}.{key}": (("classes", "words", index, key), True)
        for index, entry in entries
        if isinstance(entry, dict)
        for key in entry
        if key != "word"
    }


def _is_number(value: Any) -> bool:
    is_text_number = isinstance(value, str) and re.match(r" *[+-]?\.?[0-9]", value) is not None
    return is_text_number or (isinstance(value, int | float) and not isinstance(value, bool))


def unsourced(rules: dict[str, Any]) -> list[tuple[tuple[str | int, ...], str]]:
    """Find numbers of a rule file without a source, and sources that name nothing in it.

    Returns
    -------
    list of (path in the file, sentence)
    """
    stated, sources = stated_values(rules), rules.get("sources", {})
    sources = sources if isinstance(sources, dict) else {}
    problems: list[tuple[tuple[str | int, ...], str]] = [
        (path, f'the number has no source: add "{key}" with source and standing to [sources]')
        for key, (path, is_number) in stated.items()
        if is_number and key not in sources
    ]
    for key in sources:
        if key not in stated:
            near = difflib.get_close_matches(key, stated, 1)
            hint = f'; did you mean "{near[0]}"?' if near else ""
            problems.append((("sources", key), f"names no value of this file{hint}"))
    return problems


# ------------------------------------------------------------------------------------------ log formats


SIDE_FILES = ("diary", "weather", "control", "tickets")  # written by people: read strictly, row by row
LOG_COLUMNS = {  # our names, by kind of log; `date` joins a time of day kept in a column of its own
    "scan": ("time_utc", "date", "wheel_m", "wheel_count"),
    "wheel": ("time_utc", "date", "wheel_m", "wheel_count"),
    "fixes": (
        "time_utc", "date", "lon_deg", "lat_deg", "height_m", "quality", "sigma_m", "sigma_north_m",
        "sigma_east_m", "heading_deg",
    ),
    "diary": ("from_utc", "to_utc", "from_station", "to_station", "kind", "text"),
    "weather": ("time_utc", "date", "air_c", "wind_mps", "sky"),
    "control": (
        "point_id", "easting_m", "northing_m", "lon_deg", "lat_deg", "time_utc", "date", "temp_c", "text",
    ),
    "tickets": ("time_utc", "date", "mass_t", "ticket_id"),
}  # fmt: skip


class LogFormat(Section):
    """How a logger's file maps to the project's columns; data only, no code.

    `columns` maps our names (`time_utc`, `wheel_m`, `wheel_count`, `lon_deg`, ...) to the file's; `spots`
    is the pattern of the spot columns with `{n}` for the number.
    """

    id: Name = Field(description="Name of the format")
    kind: Literal["scan", "fixes", "wheel", "diary", "weather", "control", "tickets"] = Field(
        description="Which log it is"
    )
    container: Literal["csv", "parquet", "nmea"] = Field(description="Kind of file")
    title: Line = Field(description="Title in plain words")
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = Field(
        default=",", description="Between fields"
    )
    decimal: Literal[".", ","] = Field(default=".", description="Decimal mark")
    encoding: Literal["utf-8", "utf-16", "latin-1"] = Field(default="utf-8", description="Text encoding")
    time_scale: Literal["utc", "gps", "local"] = Field(default="utc", description="Scale of the log's times")
    time_zone: Zone | None = Field(default=None, description="Zone of local times")
    time_format: Line = Field(
        default="iso8601", description="How times are written: iso8601, or a strptime pattern"
    )
    columns: dict[str, Line] = Field(default={}, description="Our name of a column = the file's")
    spots: Line | None = Field(default=None, description="Pattern of the spot columns, {n} for the number")
    temperature_unit: Literal["degC", "degF", "K"] = Field(default="degC", description="Unit of temperatures")
    length_unit: Literal["m", "ft", "ftUS", "mm"] = Field(
        default="m", description="Unit of wheel, heights and coordinates"
    )
    speed_unit: Literal["m/s", "km/h", "mph", "kn"] = Field(default="m/s", description="Unit of the wind")
    mass_unit: Literal["t", "ton", "kg", "lb"] = Field(
        default="t", description="Unit of masses; t = 1000 kg, ton = 2000 lb"
    )
    missing: tuple[Annotated[str, Field(max_length=40)], ...] = Field(
        default=(), description="Texts that mean no reading"
    )
    missing_above_c: Temperature | None = Field(
        default=None, alias="missing_above", description="Readings above this mean no reading"
    )
    counter_bits: Literal[16, 24, 32] | None = Field(
        default=None, description="Width of a counter that wraps"
    )
    quality: dict[str, Literal["fixed", "float", "differential", "autonomous", "none"]] = Field(
        default={}, description="The file's quality values = our words"
    )
    checksums: Literal["required", "absent"] = Field(
        default="required", description="Whether sentences carry one"
    )
    header: bool = Field(
        default=True, description="First row names the columns; else columns are numbers, 1 = first"
    )
    comment: Annotated[str, Field(min_length=1, max_length=4)] | None = Field(
        default=None, description="Start of lines to leave out"
    )
    ignored: tuple[Line, ...] = Field(default=(), description='Columns to leave unread; "*" = all others')

    @model_validator(mode="after")
    def _check_columns(self) -> LogFormat:
        unknown = sorted(set(self.columns) - set(LOG_COLUMNS[self.kind]))
        if unknown:
            known = ", ".join(LOG_COLUMNS[self.kind])
            raise ValueError(f'columns has no "{unknown[0]}": a {self.kind} format knows {known}')
        named = [
            name
            for name in self.columns.values()
            if not self.header and not (name.isascii() and name.isdigit())
        ]
        if named:
            raise ValueError(f'without a header a column is a number, 1 = first, not "{named[0]}"')
        return self

    @model_validator(mode="after")
    def _check(self) -> LogFormat:
        if self.container == "nmea" and self.kind != "fixes":
            raise ValueError("nmea is a container of fixes only")
        needed = {"diary": "kind", "control": "point_id"}.get(self.kind, "time_utc")
        if self.container != "nmea" and needed not in self.columns:
            raise ValueError(f"columns must say which column is {needed}")
        if self.kind == "scan" and (self.spots is None or self.spots.count("{n}") != 1):
            raise ValueError('a scan format needs spots, a pattern with {n} once, like "t_{n}"')
        if (self.time_scale == "local") != (self.time_zone is not None):
            raise ValueError('time_zone goes with time_scale = "local", and only with it')
        if self.delimiter == self.decimal:
            raise ValueError("delimiter and decimal must differ")
        return self


# ---------------------------------------------------------------------------------------- all of one lot


class StationPlan(Section):
    """What stationing needs of a lot: direction, marks, limits, points of the paver ahead of C."""

    direction: Direction | None = None
    marks: tuple[MarkSection, ...] = ()
    limits: LimitsSection = LimitsSection()
    labels: StationLabels = StationLabels()
    screed_forward_m: float
    antenna_forward_m: float
    later: tuple[SetUp, ...] = ()  # set-ups after the first
    alignment_distance_m: float
    wheel_gnss_frac: float

    def forward_m(self, point: str, moment: datetime | None = None) -> float:
        """How far a point of the paver lies ahead of C at a moment (None = at the beginning)."""
        held = [item.rig for item in self.later if moment is not None and item.at <= moment]  # type: ignore[operator]
        ends = held[-1] if held else self
        return {"screed": ends.screed_forward_m, "antenna": ends.antenna_forward_m, "spot line": 0.0}[point]


class LotConfig(LotStatement):
    """Everything one lot states, loaded: paths absolute, formats and rules resolved, passes in time."""

    scanners: tuple[
        ScannerPart, ...
    ] = ()  # several; `scanner` then stands for all, `files.scan` is the first's
    rules: RuleProfile
    scan_format: LogFormat
    fixes_format: LogFormat
    wheel_format: LogFormat | None = None
    diary_format: LogFormat | None = None
    weather_format: LogFormat | None = None
    control_format: LogFormat | None = None
    tickets_format: LogFormat | None = None
    labels: StationLabels
    folder: Path
    source_text: str  # lot.toml as read, for the manifest

    @property
    def later(self) -> tuple[SetUp, ...]:
        """Set-ups after the first, in order of time; none without a [[change]]."""
        return set_ups(self.rig, self.scanner, self.changes)[1:]

    def within(self, first: datetime, last: datetime) -> LotConfig:
        """Return the same lot for a part of its logs: earlier changes are in force, later ones are not there."""
        ups = set_ups(self.rig, self.scanner, self.changes)
        held = [item for item in ups if item.at is None or item.at <= first]
        changes = tuple(item for item in self.changes if item.at is not None and first < item.at <= last)
        return self.model_copy(update={"rig": held[-1].rig, "scanner": held[-1].scanner, "changes": changes})

    @property
    def station_plan(self) -> StationPlan:
        """What the stationing stage takes, gathered from the sections."""
        return StationPlan(
            direction=self.stationing.direction,
            marks=self.marks,
            limits=self.lot.limits,
            labels=self.labels,
            screed_forward_m=self.rig.screed_forward_m,
            antenna_forward_m=self.rig.antenna_forward_m,
            later=self.later,
            alignment_distance_m=self.accept.alignment_distance_m,
            wheel_gnss_frac=self.accept.wheel_gnss_frac,
        )


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


def config_as_used(config: LotConfig) -> dict[str, Any]:
    """Return a configuration in SI as plain values, for a manifest: no absolute path, times in UTC.

    The text of lot.toml and its folder are left out; every other value in effect is there, in fixed order.
    """
    dumped = config.model_dump(exclude={"folder", "source_text", "labels"})
    return _as_plain(dumped | {"labels": asdict(config.labels)}, config.folder)


def _as_plain(value: Any, folder: Path) -> Any:
    """Turn tuples, paths and times into what JSON knows."""
    if isinstance(value, dict):
        return {
            "from" if key == "from_" else str(key): _as_plain(item, folder) for key, item in value.items()
        }
    if isinstance(value, tuple | list):
        return [_as_plain(item, folder) for item in value]
    if isinstance(value, Path):
        return value.relative_to(folder).as_posix()
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return value
