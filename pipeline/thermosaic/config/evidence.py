"""What a check of the rig found, as a file that lots name."""

from __future__ import annotations

import re
from typing import Literal

from pydantic import Field, model_validator

from ..values import FreeKeys, IsoDate, Line
from .section import Section


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
