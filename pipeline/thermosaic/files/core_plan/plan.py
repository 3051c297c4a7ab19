"""What a core plan publishes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd


@dataclass(frozen=True, eq=False, slots=True)
class CorePlan:
    """What is published: frames SI, geometry in metres; notes and cautions as sentences."""

    frames: dict[str, pd.DataFrame]  # by the names of tables.PLANNED, and random_numbers
    notes: tuple[str, ...]
    place_notes: tuple[str, ...]
    cautions: tuple[str, ...]
    sources: tuple[dict[str, Any], ...]  # files read beside the result
    stated: dict[str, Any]  # what the user stated
