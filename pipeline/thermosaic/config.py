"""What a lot, a rule profile and a log format state: mappings in, frozen sections out; pure.

Every quantity comes as a string with its unit and becomes SI here, so a key without a suffix in TOML
(`antenna_forward = "78 in ahead"`) is an attribute with one (`antenna_forward_m`). No file is opened
here and no default stands in for anything that a site must measure.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, model_validator

from .units import StationLabels, parse_quantity

Share = Annotated[float, Field(ge=0, le=1)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]


class Section(BaseModel):
    """A part of a configuration: unknown keys are errors, nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, populate_by_name=True, allow_inf_nan=False)


def _quantity(kind: str, low: float, high: float, *words: str) -> Any:
    """Make the annotated type of a quantity in SI within [low, high]."""

    def parse(value: Any) -> float:
        if not isinstance(value, str):
            raise ValueError(f"a {kind} needs its unit: write it as text, like {_EXAMPLES[kind]}")
        number = parse_quantity(value, kind, words)
        if not low <= number <= high:
            raise ValueError(f'"{value}" is outside the allowed range {low:g} .. {high:g} {_SI[kind]}')
        return number

    return Annotated[float, BeforeValidator(parse)]


_EXAMPLES = {
    "length": '"2.5 m"', "time": '"0.4 s"', "angle": '"3 deg"', "speed": '"0.5 m/min"', "area": '"4 ft2"',
    "area_mass": '"220 lb/yd2"', "temperature": '"265 degF"', "temperature difference": '"25 degF"',
}  # fmt: skip
_SI = {
    "length": "m", "time": "s", "angle": "deg", "speed": "m/s", "area": "m2", "area_mass": "kg/m2",
    "temperature": "degC", "temperature difference": "degC of difference",
}  # fmt: skip

Length = _quantity("length", 0, 1e5)
Along = _quantity("length", -30, 30, "ahead", "behind")
Across = _quantity("length", -30, 30, "right", "left")
Height = _quantity("length", 0, 20)
Size = _quantity("length", 0.001, 1000)
MarkDistance = _quantity("length", -1e4, 1e4, "past", "before")
Duration = _quantity("time", 0, 86400)
Angle = _quantity("angle", -360, 360)
Speed = _quantity("speed", 0, 10)
Area = _quantity("area", 0, 1e6)
AreaMass = _quantity("area_mass", 1, 2000)
Temperature = _quantity("temperature", -50, 400)
Difference = _quantity("temperature difference", 0, 300)


def _parse_time(value: Any) -> datetime:
    if not isinstance(value, str):
        raise ValueError("write a time as text in ISO 8601 with its zone, like \"2026-05-14T13:20:00-06:00\"")
    try:
        time = datetime.fromisoformat(value)
    except ValueError:
        raise ValueError(f'"{value}" is not a time: write ISO 8601 with a zone, like "2026-05-14T13:20:00-06:00"') from None
    if time.tzinfo is None:
        raise ValueError(f'"{value}" has no zone: add Z or an offset like -06:00')
    return time


def _parse_station(value: Any, info: ValidationInfo) -> float:
    """Read a label into metres with the lot's labels, given as validation context."""
    labels: StationLabels = (info.context or {}).get("labels") or StationLabels()
    if not isinstance(value, str):
        raise ValueError(f'write a station as text, like "{labels.text(labels.parse_example())}"')
    return labels.parse(value)


Time = Annotated[datetime, BeforeValidator(_parse_time)]
StationM = Annotated[float, BeforeValidator(_parse_station)]
Direction = Literal["upstation", "downstation"]
Edge = Literal["free", "cold joint", "hot joint", "kerb"]


# ---------------------------------------------------------------------------------------------- the lot


class LimitsSection(Section):
    """The part of the logs that belongs to the lot, half open [from, to): two times or two stations."""

    from_: Time | StationM | None = Field(default=None, alias="from")
    to: Time | StationM | None = None


class LotSection(Section):
    """Who, where and what was laid."""

    id: Name
    revision: Annotated[int, Field(ge=1, le=999)] = 1
    supersedes: str | None = None
    reason: str | None = None
    route: str
    lane: str
    lift: Annotated[int, Field(ge=1, le=20)]
    thickness_m: _quantity("length", 0.005, 1) = Field(alias="thickness")  # type: ignore[valid-type]
    time_zone: str
    course: str | None = None
    mix: str | None = None
    warm_mix: bool = False
    laydown_target_c: Temperature | None = Field(default=None, alias="laydown_target")
    spread_rate_kg_m2: AreaMass | None = Field(default=None, alias="spread_rate")
    paved_width_m: Length | None = Field(default=None, alias="paved_width")
    shift: str | None = None
    note: str | None = None
    limits: LimitsSection = LimitsSection()
    agency: dict[str, str | int | float | bool] = {}


class FilesSection(Section):
    """The logs, as absolute paths after loading; each a list read in order as one log."""

    scan: tuple[Path, ...]
    fixes: tuple[Path, ...]
    wheel: tuple[Path, ...] = ()
    alignment: Path | None = None
    exclusions: Path | None = None


class FormatsSection(Section):
    """Names of shipped formats, or paths to the user's own."""

    scan: str
    fixes: str
    wheel: str | None = None


class CrsSection(Section):
    """Frames: of the fixes (must be stated), of the products, of the alignment's numbers."""

    fixes: str
    epoch: Annotated[float, Field(ge=1980, le=2100)] | None = None
    map: str
    alignment: str | None = None
    accuracy_m: _quantity("length", 0.001, 50) = Field(default=0.1, alias="accuracy")  # type: ignore[valid-type]
    accept_ensemble: bool = False


class FixSigma(Section):
    """One-axis standard deviation by fix quality, used where the log has none of its own (common practice, no source)."""

    fixed_m: Size = Field(default=0.02, alias="fixed")
    float_m: Size = Field(default=0.3, alias="float")
    differential_m: Size = Field(default=1.0, alias="differential")
    autonomous_m: Size = Field(default=3.0, alias="autonomous")


class RigSection(Section):
    """Where things sit on the paver, from C, the point of the mat straight below the scanner."""

    antenna_forward_m: Along = Field(alias="antenna_forward")
    antenna_right_m: Across = Field(alias="antenna_right")
    antenna_up_m: Height = Field(alias="antenna_up")
    screed_forward_m: Along = Field(alias="screed_forward")
    non_slip_forward_m: Along = Field(alias="non_slip_forward")
    heading_offset_deg: Angle = Field(default=0.0, alias="heading_offset")
    fix_sigma: FixSigma = FixSigma()
    max_sigma_m: Size = Field(default=1.0, alias="max_sigma")
    wheel_per_count_m: _quantity("length", 1e-7, 10) | None = Field(default=None, alias="wheel_per_count")  # type: ignore[valid-type]
    clock_offset_s: Literal["auto"] | _quantity("time", -86400, 86400) = Field(alias="clock_offset")  # type: ignore[valid-type]
    evidence: tuple[str, ...] = ()


class SpotsEven(Section):
    """Spot centres evenly spaced from the first column's to the last column's."""

    first_m: Across = Field(alias="first")
    last_m: Across = Field(alias="last")


class SpotsByAngle(Section):
    """Spots of a scanner at a height above the mat, at equal steps of angle (right +): right = height tan(angle)."""

    height_m: Height = Field(alias="height")
    angle_first_deg: _quantity("angle", -80, 80) = Field(alias="angle_first")  # type: ignore[valid-type]
    angle_last_deg: _quantity("angle", -80, 80) = Field(alias="angle_last")  # type: ignore[valid-type]


class ScannerSection(Section):
    """The line of spots and the edges of the paved mat, from C, right positive."""

    spots_right: SpotsEven | SpotsByAngle | tuple[Across, ...]
    mat_left_m: Across = Field(alias="mat_left")
    mat_right_m: Across = Field(alias="mat_right")

    @model_validator(mode="after")
    def _check(self) -> ScannerSection:
        if not self.mat_left_m < self.mat_right_m:
            raise ValueError("mat_left must lie left of mat_right (right of C is positive)")
        return self


class PassSection(Section):
    """One traverse of one lane by one paver; `from`, `to` half open."""

    id: Name | None = None
    lane: str | None = None
    from_: Time | None = Field(default=None, alias="from")
    to: Time | None = None
    direction: Direction | None = None
    left_edge: Edge = "free"
    right_edge: Edge = "free"


class ExcludeSection(Section):
    """A stretch that the rule leaves out, between two stations, half open."""

    from_m: StationM = Field(alias="from")
    to_m: StationM = Field(alias="to")
    side: Literal["left", "right", "full"] = "full"
    reason: str


class MarkSection(Section):
    """A station read on the ground: `distance` before (not yet reached by) or past `point`, at a line or time."""

    station_m: StationM = Field(alias="station")
    at: Literal["first line"] | Annotated[int, Field(ge=1)] | Time
    pass_id: str | None = Field(default=None, alias="pass")
    point: Literal["screed", "antenna", "spot line"]
    distance_m: MarkDistance = Field(alias="distance")


class StationingSection(Section):
    """How stations run; marks, passes' directions and limits ride along so that one section serves the stage."""

    direction: Direction | None = None
    alignment: str | None = None
    start_m: StationM | None = Field(default=None, alias="start")
    labels: Literal["100 ft", "100 m", "1000 m"] | None = None


class GridSection(Section):
    map_cell_m: _quantity("length", 0.01, 5) = Field(default=0.1, alias="map_cell")  # type: ignore[valid-type]
    mat_cell_m: _quantity("length", 0.02, 5) = Field(default=0.3048, alias="mat_cell")  # type: ignore[valid-type]


class AcceptSection(Section):
    """When to stop rather than go on."""

    rejected_frac: Share = 0.2
    autonomous_frac: Share = 0.1
    wheel_gnss_frac: Share = 0.03
    alignment_distance_m: Length = Field(default=30.0, alias="alignment_distance")


class DeliverySection(Section):
    units: Literal["us", "si"] = "si"


# -------------------------------------------------------------------------------------------- the rules


class ProfileRule(Section):
    """How a pass is cut into profiles."""

    length_m: Size = Field(alias="length")
    anchor: Literal["pass_start", "whole_station"]
    remainder_from_m: Length = Field(alias="remainder_from")  # a shorter last piece joins the profile before it
    across_exclusion: Literal["continue", "restart"]
    minimum_coverage_frac: Share
    start_up_m: Length = Field(alias="start_up")


class StatisticRule(Section):
    """The number that classes a profile, and the sample it is taken from."""

    kind: Literal["percentile_pair", "max_minus_min", "below_target", "share_below_reference"]
    sample: Literal["cell_mean", "reading"]
    cell_m: Size = Field(alias="cell")
    high_percentile: Annotated[float, Field(ge=50, le=100)] = 98.5
    low_percentile: Annotated[float, Field(ge=0, le=50)] = 1.0
    percentile_method: Literal["R-6", "R-7"] = "R-7"
    reference_frac: Share = 0.9  # share_below_reference: share of the mat colder than this part of the running mean


class ClassRule(Section):
    """One class word; `up_to` is inclusive, the last class has none."""

    word: str
    up_to_delta_c: Difference | None = Field(default=None, alias="up_to")


class ClassesRule(Section):
    rounded_to_delta_c: Difference = Field(alias="rounded_to")
    instrument_accuracy_delta_c: Difference = Field(alias="instrument_accuracy")
    words: tuple[ClassRule, ...]


class StopRule(Section):
    """When the paver counts as standing, and which mat around the stop leaves the statistic (along travel)."""

    below_mps: Speed = Field(alias="below")
    longer_than_s: Duration = Field(alias="longer_than")
    reference: Literal["spot_line", "screed"]
    behind_m: Length = Field(alias="behind")
    ahead_m: Length = Field(alias="ahead")


class EdgeTrimRule(Section):
    """Width left out along each kind of mat edge."""

    free_m: Length = Field(alias="free")
    cold_joint_m: Length = Field(alias="cold_joint")
    hot_joint_m: Length = Field(alias="hot_joint")
    kerb_m: Length = Field(alias="kerb")


class WindowRule(Section):
    """Temperatures kept in the statistic, and the oldest look that still counts as laydown temperature."""

    lowest_c: Temperature = Field(alias="lowest")
    highest_c: Temperature = Field(alias="highest")
    look_age_s: Duration = Field(alias="look_age")


class ZoneRule(Section):
    """Cold zones: deficit against the local mat; independent of the class."""

    drop_delta_c: Difference = Field(alias="drop")
    release_delta_c: Difference = Field(alias="release")  # hysteresis: grows to cells this much below
    window_m: Size = Field(alias="window")  # length along station of the running reference
    cell_m: Size = Field(alias="cell")
    minimum_area_m2: Area = Field(alias="minimum_area")
    minimum_lines: Annotated[int, Field(ge=1)]


class SpeedRule(Section):
    """Edges of the speed bands, named by their numbers, lower edge included."""

    bands_mps: tuple[Speed, ...] = Field(alias="bands")


class SourceNote(Section):
    """Where a number comes from and how sure that is (marks of the rule file's own legend)."""

    source: str
    standing: str


class RuleProfile(Section):
    """One agency document's way of judging, as data; each number has a source and a standing."""

    id: Name
    title: str
    citation: str
    note: str = ""
    profile: ProfileRule
    statistic: StatisticRule
    classes: ClassesRule
    stop: StopRule
    edge_trim: EdgeTrimRule
    window: WindowRule
    zone: ZoneRule
    speed: SpeedRule
    sources: dict[str, SourceNote]


# ------------------------------------------------------------------------------------------ log formats


class LogFormat(Section):
    """How a logger's file maps to the project's columns; data only, no code.

    `columns` maps our names (`time_utc`, `wheel_m`, `wheel_count`, `lon_deg`, ...) to the file's; `spots`
    is the pattern of the spot columns with `{n}` for the number.
    """

    id: Name
    kind: Literal["scan", "fixes", "wheel"]
    container: Literal["csv", "parquet", "nmea"]
    title: str
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    decimal: Literal[".", ","] = "."
    encoding: Literal["utf-8", "utf-16", "latin-1"] = "utf-8"
    time_scale: Literal["utc", "gps", "local"] = "utc"
    time_zone: str | None = None
    time_format: str = "iso8601"
    columns: dict[str, str] = {}
    spots: str | None = None
    temperature_unit: Literal["degC", "degF", "K"] = "degC"
    length_unit: Literal["m", "ft", "ftUS", "mm"] = "m"
    missing: tuple[str, ...] = ()
    missing_above_c: Temperature | None = Field(default=None, alias="missing_above")
    counter_bits: Literal[16, 24, 32] | None = None
    quality: dict[str, Literal["fixed", "float", "differential", "autonomous", "none"]] = {}
    checksums: Literal["required", "absent"] = "required"


class LotConfig(Section):
    """Everything one lot states, after loading: paths absolute, formats and rules resolved."""

    lot: LotSection
    files: FilesSection
    formats: FormatsSection
    crs: CrsSection
    rig: RigSection
    scanner: ScannerSection
    passes: tuple[PassSection, ...] = Field(default=(), alias="pass")
    exclude: tuple[ExcludeSection, ...] = ()
    marks: tuple[MarkSection, ...] = Field(default=(), alias="mark")
    stationing: StationingSection = StationingSection()
    rules: RuleProfile
    grid: GridSection = GridSection()
    accept: AcceptSection = AcceptSection()
    delivery: DeliverySection = DeliverySection()
    scan_format: LogFormat
    fixes_format: LogFormat
    wheel_format: LogFormat | None = None
    labels: StationLabels
    folder: Path
    source_text: str  # lot.toml as read, for the manifest
