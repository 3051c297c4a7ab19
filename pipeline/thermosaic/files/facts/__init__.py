"""Rows of lot_info: what a reader needs to judge the numbers, with units, sources, limits and cautions.

Values are text in the delivery's units; nothing is computed here beyond a change of unit, and the mass that a
stated spread rate puts on the area.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from ...datum import map_foot_m
from ...delivery import in_units
from .found import pay_rows, position_rows, ticket_rows, weather_rows, yield_rows
from .lot import about_rows, delivery_rows, exclusion_rows, gap_rows, lot_rows
from .rule import rule_rows
from .set_up import frame_rows, pass_rows, setup_rows

if TYPE_CHECKING:
    from ...model import LotRecord

CAUTIONS = (
    "Fresh mix can exceed 300 degF (150 degC), warm mix less, and burns; stay clear of pavers, rollers and "
    "live traffic; mount, measure and calibrate only with the paver parked, engine off, brake set, outside "
    "traffic; never walk on the mat to confirm a zone.",
    "Surface temperature at laydown is not density; a cold zone is a place to look, not proof of a defect; a "
    "good class is not proof of density.",
    "For quality control; acceptance, pay and method are the agency's and its contract documents'; a "
    "licensed engineer decides.",
    "Positions carry the printed uncertainty and are not for setting out or machine control. A phone is good "
    "to 10 to 15 ft only.",
)


def lot_info(record: LotRecord) -> pd.DataFrame:
    """Return key, value, unit, meaning of lot, rule, frames, set-up, limits, gaps, doubts and cautions."""
    rows = [
        *about_rows(record),
        *lot_rows(record),
        *delivery_rows(record),
        *frame_rows(record),
        *setup_rows(record),
        *pass_rows(record),
        *position_rows(record),
        *yield_rows(record),
        *ticket_rows(record),
        *pay_rows(record),
        *weather_rows(record),
        *rule_rows(record),
        *exclusion_rows(record),
        *gap_rows(record),
    ]
    units, foot_m = record.config.delivery.units, map_foot_m(record.swath.crs)
    rows += [
        (f"doubt.{i}", in_units(d.text, units, foot_m), "", f"Doubt of stage {d.stage}: {d.kind}")
        for i, d in enumerate(record.doubts, 1)
    ]
    rows += [(f"caution.{i}", text, "", "Caution") for i, text in enumerate(CAUTIONS, 1)]
    return pd.DataFrame(rows, columns=["key", "value", "unit", "meaning"])
