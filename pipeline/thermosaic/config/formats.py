"""How a logger's file maps to the project's columns; data only, no code."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from ..values import Line, Name, Temperature, Zone
from .section import Section

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
    "cores": (
        "core_id", "station", "offset_m", "easting_m", "northing_m", "lon_deg", "lat_deg", "sigma_m", "density", "unit",
        "kind", "gmm",
    ),
}  # fmt: skip


class LogFormat(Section):
    """How a logger's file maps to the project's columns; data only, no code.

    `columns` maps our names (`time_utc`, `wheel_m`, `wheel_count`, `lon_deg`, ...) to the file's; `spots`
    is the pattern of the spot columns with `{n}` for the number.
    """

    id: Name = Field(description="Name of the format")
    kind: Literal["scan", "fixes", "wheel", "diary", "weather", "control", "tickets", "cores"] = Field(
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
        needed = {"diary": "kind", "control": "point_id", "cores": "core_id"}.get(self.kind, "time_utc")
        if self.container != "nmea" and needed not in self.columns:
            raise ValueError(f"columns must say which column is {needed}")
        if self.kind == "scan" and (self.spots is None or self.spots.count("{n}") != 1):
            raise ValueError('a scan format needs spots, a pattern with {n} once, like "t_{n}"')
        if (self.time_scale == "local") != (self.time_zone is not None):
            raise ValueError('time_zone goes with time_scale = "local", and only with it')
        if self.delimiter == self.decimal:
            raise ValueError("delimiter and decimal must differ")
        return self
