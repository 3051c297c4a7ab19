"""Where antenna, screed, spots and mat edges sit, from C, the point of the mat straight below the scanner."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any

from pydantic import BeforeValidator, Discriminator, Field, Tag, model_validator

from ..values import (
    Across,
    Along,
    Angle,
    ClockOffset,
    CountLength,
    CrossSlope,
    Height,
    LotPath,
    LotPaths,
    Name,
    ScanAngle,
    Size,
    StatedOffset,
    shown,
)
from .section import Section


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

        from ..kernels.scan_geometry import spots_by_angle

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


class RigFile(Section):
    """A rig on its own, to copy into lots: the two tables as they stand in lot.toml."""

    rig: RigSection
    scanner: ScannerSection
