"""What every part of a configuration obeys: unknown keys are errors, nothing changes after loading."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


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
        defer_build=True,  # a schema costs more than its class: only those that a command reads are built
    )
