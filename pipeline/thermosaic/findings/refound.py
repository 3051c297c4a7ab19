"""The field of cold zones of one pass again, from the readings as published: the same cells, the same reference."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from ..config import ZoneRule
from .readings import PassReadings, row_cells
from .zones import ColdField, cold_field


@dataclass(frozen=True, eq=False, slots=True)
class FieldAgain:
    """The field of a pass, and where each of its published readings stands in the field's block."""

    field: ColdField
    line: np.ndarray  # int (reading)
    spot: np.ndarray  # int (reading)

    @property
    def reference_c(self) -> np.ndarray:
        """Reference of each reading: that of its own cell; NaN where there is no mat."""
        block = self.field.readings
        column = block.cells.code.reshape(block.row.shape)[self.line, self.spot] % len(self.field.reference_c)
        return self.field.reference_c[column]

    @property
    def clean(self) -> np.ndarray:
        """bool (reading): a first look at mat by a working spot, before any temperature cut."""
        return self.field.clean[self.line, self.spot]


def field_again(
    spots: pd.DataFrame, travel: str, zero_m: float, rules: dict[str, Any], target_c: float | None
) -> FieldAgain:
    """Make the field of a pass from its published readings.

    Parameters
    ----------
    spots : pandas.DataFrame
        Rows of one pass: line, spot, station_m, offset_m, temp_c, dropped_reason, look_age_s.
    travel : str
        upstation or downstation.
    zero_m : float
        Station of the zero of the pass's mat frame.
    rules : dict
        The rule as the configuration in use states it.
    target_c : float or None
        The lot's laydown target.

    Returns
    -------
    FieldAgain
        The field as the run found it, and each row's place in it.
    """
    lines, line = np.unique(spots["line"].to_numpy(), return_inverse=True)
    columns, spot = _across(spots, travel)
    shape = (len(lines), len(columns))
    reason = spots["dropped_reason"].astype(object).fillna("").to_numpy()

    def block(values: np.ndarray, empty: Any) -> np.ndarray:
        filled = np.full(shape, empty, values.dtype)
        filled[line, spot] = values
        return filled

    row = block(np.ones(len(spots), bool), False)
    frame_m = block(spots["station_m"].to_numpy(float) - zero_m, np.nan)
    offset_m = block(spots["offset_m"].to_numpy(np.float32), np.nan)
    temp_c = block(spots["temp_c"].to_numpy(np.float32), np.nan)
    usable = block(~np.isin(reason, ("no_reading", "bad_spot", "second_look")), False)
    first_look = block(reason != "second_look", False).any(axis=1)
    rule = ZoneRule.model_construct(**rules["zone"])
    everything = (slice(None), slice(None))
    index = row_cells(frame_m, offset_m, row, rule.cell_m)
    readings = PassReadings(
        mat=None, line=np.arange(shape[0]), spot=np.arange(shape[1]), place=everything, row=row,
        usable=usable & np.isfinite(temp_c), temp_c=temp_c, frame_m=frame_m, offset_m=offset_m, cells=index,
    )  # type: ignore[arg-type]  # fmt: skip
    age = block(spots["look_age_s"].to_numpy(float), np.nan)
    with np.errstate(invalid="ignore"):
        aged = (age > rules["window"]["look_age_s"]).any(axis=1)
    travelled = np.abs(np.nanmedian(frame_m, axis=1) - np.nanmedian(frame_m[0]))
    layout = SimpleNamespace(pitch_m=_pitches(offset_m), on_mat=np.ones(shape[1], bool))
    swath = SimpleNamespace(
        first_look=first_look, distance_m=np.maximum.accumulate(travelled), layouts=(layout,)
    )
    return FieldAgain(cold_field(readings, swath, rule, aged, target_c), line, spot)  # type: ignore[arg-type]


def _across(spots: pd.DataFrame, travel: str) -> tuple[np.ndarray, np.ndarray]:
    """Spot numbers from left to right in travel, and the place of each reading among them."""
    numbers, spot = np.unique(spots["spot"].to_numpy(), return_inverse=True)
    offset_m = np.bincount(spot, spots["offset_m"].to_numpy(float)) / np.bincount(spot)
    order = np.argsort(offset_m if travel == "upstation" else -offset_m)
    return numbers[order], np.argsort(order)[spot]


def _pitches(offset_m: np.ndarray) -> np.ndarray:
    """Ends of each spot's pitch (spot, 2): half way to its neighbours."""
    middle = np.nanmedian(offset_m, axis=0)
    step = np.abs(np.gradient(middle)) if len(middle) > 1 else np.ones(1)
    return np.column_stack((middle - step / 2, middle + step / 2))
