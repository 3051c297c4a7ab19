"""How one document judges a lot, as data: a section for each thing that it rules."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal

from pydantic import Field, model_validator

from ..values import (
    Area,
    Difference,
    Duration,
    HighPercentile,
    Length,
    Line,
    LineCount,
    LowPercentile,
    Name,
    Note,
    Share,
    Size,
    Speed,
    Temperature,
    Word,
)
from .section import Section
from .sources import SourceNote


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
