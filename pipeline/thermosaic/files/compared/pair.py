"""What was found between two results, as it is published and drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from ...datum import Operation
from ..sheets.lift_sheet import LiftSheet
from ..sheets.lot_sheet import LotSheet


@dataclass(frozen=True, eq=False, slots=True)
class Pair:
    """What was found between the first result and another; SI, geometries in metres of the first one's map."""

    sheets: tuple[LotSheet, LotSheet]  # the first result named, the other
    frames: dict[str, pd.DataFrame]  # by `tables.COMPARED`, without labels
    mat: shapely.Geometry
    difference_at: Callable[
        [np.ndarray, np.ndarray], np.ndarray
    ]  # deficit of the upper less that of the lower
    drawn: tuple[LiftSheet, ...]
    operation: Operation | None
    frame_sigma_m: float

    @property
    def numbers(self) -> pd.Series:
        """The row of the layer `common_mat`."""
        return self.frames["common_mat"].iloc[0]

    @property
    def raster(self) -> str:
        return f"difference_{self.numbers['lot_id']}_{self.numbers['other_lot_id']}.tif"
