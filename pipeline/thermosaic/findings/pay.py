"""What a pay table that the user entered gives for the profiles; none is shipped, and nothing is judged by it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from ..config import RuleProfile
from .classes import INSUFFICIENT


def pay(profiles: pd.DataFrame, rules: RuleProfile) -> dict[str, Any]:
    """Give count, amount for one and sum by class word, and the total; empty without a table.

    Parameters
    ----------
    profiles : frame with profile_class
    """
    if rules.pay is None:
        return {}
    words = [entry.word for entry in rules.classes.words]
    amounts = dict(zip([*words, INSUFFICIENT], [*rules.pay.amounts, rules.pay.insufficient], strict=True))
    counts = {word: int((profiles["profile_class"] == word).sum()) for word in amounts}
    rows = {
        word: {"count": counts[word], "each": each, "sum": counts[word] * each}
        for word, each in amounts.items()
    }
    return {
        "currency": rules.pay.currency,
        "by_class": rows,
        "total": sum(row["sum"] for row in rows.values()),
    }
