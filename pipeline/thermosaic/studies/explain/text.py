"""An explanation as text for people, numbers in the delivery's units."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from ...tables import suffix
from .steps import Explanation, Fact, Step

Shown = Callable[[Any, str], tuple[str, str]]  # value and its key -> number as text, unit
WIDEST = 64


def told(explanation: Explanation, shown: Shown) -> str:
    """Write all steps, numbered, one fact a line; a table where values stand beside each other."""
    lines = [f"{explanation.subject} of lot {explanation.lot_id}, revision {explanation.revision}"]
    for number, step in enumerate(explanation.steps, 1):
        lines += ["", f"{number}. {step.name.capitalize()}. {step.sentence}"]
        width = min(max((len(fact.meaning) for fact in step.facts), default=0), WIDEST)
        lines += [_fact_line(fact, shown, width) for fact in step.facts]
        lines += _table(step, shown)
    if any(fact.is_taken for step in explanation.steps for fact in step.facts):
        lines += ["", "Marked (<): taken from the product as it stands, not computed anew."]
    verdict = "Every checked number equals the product's (=)."
    differing = [f"DIFFERS: {text}" for text in explanation.differences]
    return "\n".join([*lines, "", *(differing or [verdict])])


def _fact_line(fact: Fact, shown: Shown, width: int) -> str:
    mark = "<" if fact.is_taken else " " if not fact.is_checked else "#" if fact.differs else "="
    return f"   {mark} {fact.meaning:<{width}}  {_text(fact.value, fact.key, shown)}"


def _text(value: Any, key: str, shown: Shown) -> str:
    number, unit = shown(value, key)
    return f"{number} {unit}".rstrip()


def _table(step: Step, shown: Shown) -> list[str]:
    """Write rows as columns under their names with units."""
    if not step.rows:
        return []
    keys = list(step.rows[0])
    heads = [_head(key, shown) for key in keys]
    texts = [[shown(row.get(key), key)[0] for key in keys] for row in step.rows]
    widths = [max(len(cell) for cell in column) for column in zip(heads, *texts, strict=True)]
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
