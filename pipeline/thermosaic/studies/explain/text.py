"""An explanation as text for people, numbers in the delivery's units."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from ...tables import suffix
from .steps import Explanation, Fact, Step, has_local

Shown = Callable[[Any, str], tuple[str, str]]  # value and its key -> number as text, unit
WIDEST = 64


def told(explanation: Explanation, shown: Shown) -> str:
    """Write all steps, numbered, one fact a line; a table where values stand beside each other."""
    lines = [f"{explanation.subject} of lot {explanation.lot_id}, revision {explanation.revision}"]
    for number, step in enumerate(explanation.steps, 1):
        lines += ["", f"{number}. {step.name.capitalize()}. {step.sentence}"]
        width = min(max((len(fact.meaning) for fact in step.facts), default=0), WIDEST)
        lines += [_fact_line(explanation, fact, shown, width) for fact in step.facts]
        lines += _table(explanation, step, shown)
    if any(fact.is_taken for step in explanation.steps for fact in step.facts):
        lines += ["", "Marked (<): taken from the product as it stands, not computed anew."]
    verdict = "Every checked number equals the product's (=)."
    differing = [f"DIFFERS: {text}" for text in explanation.differences]
    return "\n".join([*lines, "", *(differing or [verdict])])


def _fact_line(explanation: Explanation, fact: Fact, shown: Shown, width: int) -> str:
    mark = "<" if fact.is_taken else " " if not fact.is_checked else "#" if fact.differs else "="
    local = f" = {_local_text(explanation, fact.value)} local" if has_local(fact.key) else ""
    return f"   {mark} {fact.meaning:<{width}}  {_text(fact.value, fact.key, shown)}{local}"


def _local_text(explanation: Explanation, time_utc: Any) -> str:
    """Write the local time of day with its offset from UTC."""
    if not isinstance(time_utc, pd.Timestamp) or pd.isna(time_utc):
        return plain_text(None)
    local = explanation.local(time_utc)
    return f"{local.strftime('%H:%M:%S.%f')[:-4]}{local.isoformat()[-6:]}"


def _text(value: Any, key: str, shown: Shown) -> str:
    number, unit = shown(value, key)
    return f"{number} {unit}".rstrip()


def _table(explanation: Explanation, step: Step, shown: Shown) -> list[str]:
    """Write rows as columns under their names with units; beside a time of UTC stands the local one."""
    if not step.rows:
        return []
    columns = []
    for key in step.rows[0]:
        columns.append([_head(key, shown), *(shown(row.get(key), key)[0] for row in step.rows)])
        if has_local(key):
            local = [_local_text(explanation, row.get(key)) for row in step.rows]
            columns.append([f"{key.removesuffix('_utc').replace('_', ' ')} local", *local])
    heads, *texts = zip(*columns, strict=True)
    widths = [max(len(cell) for cell in column) for column in columns]
    return [
        "     " + "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        for row in [heads, *texts]
    ]


def _head(key: str, shown: Shown) -> str:
    ending = suffix(key)
    name = key.removesuffix(f"_{ending}") if ending else key
    unit = shown(1.0, key)[1] if ending and ending != "utc" else ending.upper()
    return f"{name.replace('_', ' ')} {unit}".rstrip()


def plain_text(value: Any, decimals: int | None = None) -> str:
    """Write a value: nothing for an unknown one, times to the hundredth of a second, as many decimals as said."""
    if value is None or value is pd.NaT or (isinstance(value, float) and value != value):
        return "-"
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d %H:%M:%S.%f")[:-4]
    if isinstance(value, float):
        return f"{value:.8g}" if decimals is None else f"{value:.{decimals}f}"
    return str(value)
