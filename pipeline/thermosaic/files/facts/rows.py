"""Rows of lot_info: key, value as text in the delivery's unit, unit, meaning."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ...datum import map_foot_m
from ...delivery import deliver, delivered_name
from ...tables import UNIT_OF_SUFFIX, suffix

if TYPE_CHECKING:
    from pydantic import BaseModel

    from ...model import LotRecord

Row = tuple[str, str, str, str]  # key, value, unit, meaning


def as_text(value: Any, digits: int = 10) -> str:
    """Write a value plainly: nothing for None and NaN."""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        return f"{value:.{digits}g}" if np.isfinite(value) else ""
    if isinstance(value, list | tuple):
        return ", ".join(as_text(item, digits) for item in value)
    return "" if value is None else str(value)


def fact(record: LotRecord, key: str, value: Any, meaning: str, digits: int = 5) -> Row:
    """Make one row, numbers in the delivery's unit by the suffix of `key`, files by their place in the lot folder.

    A cell keeps all its digits: a grid is recomputed from it, over thousands of feet.
    """
    digits = 12 if key.endswith("cell_m") else digits
    if isinstance(value, list | tuple):
        value = [_delivered(record, item, key) for item in value]
    else:
        value = _delivered(record, value, key)
    name = delivered_name(key, record.config.delivery.units)
    return name, as_text(value, digits), UNIT_OF_SUFFIX.get(suffix(name), ""), meaning


def _delivered(record: LotRecord, value: Any, key: str) -> Any:
    if isinstance(value, Path):
        return value.relative_to(record.config.folder).as_posix()
    is_number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
    if not is_number or not suffix(key):
        return value
    return deliver(float(value), key, record.config.delivery.units, map_foot_m(record.swath.crs))


def section_rows(record: LotRecord, prefix: str, section: BaseModel, skip: tuple[str, ...] = ()) -> list[Row]:
    """One row for each stated value of a configuration section."""
    return [
        fact(record, f"{prefix}.{name}", getattr(section, name), field.description or name)
        for name, field in type(section).model_fields.items()
        if name not in skip and getattr(section, name) not in (None, ())
    ]
