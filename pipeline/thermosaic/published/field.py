"""The field of zones of one pass, made anew from the readings that were published."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..findings.refound import field_again
from ..findings.zones import ColdField
from .nouns import Published


@dataclass(frozen=True, eq=False, slots=True)
class Field:
    """The field of a pass, and where each of its published readings stands in the field's block."""

    field: ColdField
    line: np.ndarray  # int (reading)
    spot: np.ndarray  # int (reading)

    @property
    def reference_c(self) -> np.ndarray:
        """Reference of each reading: that of its line's column of cells; NaN where there is no mat."""
        column = self.field.readings.column_of_line()
        at_line = np.where(column >= 0, np.r_[self.field.reference_c, np.nan][column], np.nan)
        return at_line[self.line]

    @property
    def clean(self) -> np.ndarray:
        """bool (reading): a first look at mat by a working spot, before any temperature cut."""
        return self.field.clean[self.line, self.spot]


def field_of(published: Published, pass_id: str, spots: pd.DataFrame) -> Field:
    """Make the field of a pass anew from its published readings, `spots`."""
    travel = published.quality["mat_frames"][pass_id]["travel"]
    target_c = published.config["lot"]["laydown_target_c"]
    return Field(*field_again(spots, travel, published.zero_m(pass_id), published.rules, target_c))
