"""What was found between two lots, in plain sentences, each number beside what chance gives."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from ...delivery import Sentence, tell, together
from .pair import Pair


def statements(pair: Pair) -> list[Sentence]:
    """What was found between two lots, in plain sentences, each number beside what chance gives."""
    row, to = pair.numbers, pair.sheets[0].measures
    over = "over" if row["lift"] != row["other_lift"] else "at"
    said = [
        tell(
            "{lot} (lift {lift}) and {other} (lift {other_lift}) have {area_m2:,.1f} of mat in common, station {low} "
            "to {high}; one place on both is known to {sigma_m:.3f} (one sigma)",
            lot=row["lot_id"], lift=row["lift"], other=row["other_lot_id"], other_lift=row["other_lift"],
            area_m2=row["area_m2"], low=to.station(row["station_from_m"]), high=to.station(row["station_to_m"]),
            sigma_m=row["sigma_m"],
        ),
        _counted(row, "zones_on", f"{{count:.0f}} of {{all}} cold zones of {{lot}} {over} one of the {{others}} of "
                 "{other}", ("zone_count", "other_zone_count")),
    ]  # fmt: skip
    if row["zone_count"] and row["other_zone_count"]:
        said.append(
            f"{100 * row['overlap_frac']:.1f} % of the area of its cold zones {over} one of the other"
            + _held(row, "overlap", "_frac", lambda share: f"{100 * share:.1f} %")
        )
    said.append(_counted(row, "stops_on", "{count:.0f} of {all} stops of {lot} at one of the {others} of {other}",
                         ("stop_count", "other_stop_count")))  # fmt: skip
    if np.isfinite(row["correlation"]):
        said.append(_correlated(row))
    return [text if isinstance(text, Sentence) else together([text]) for text in said]


def _correlated(row: pd.Series) -> Sentence:
    alone = f"; {row['cell_count']:,} cells scatter like {row['effective_count']:,.0f} independent ones"
    return tell(
        "deficits of both below their own mats correlate by {r:+.2f} over cells of {cell_m:.3f}{held}{alone}",
        cell_m=row["cell_m"], r=row["correlation"], held=_held(row, "correlation", "", "{:+.2f}".format),
        alone=alone if np.isfinite(row["effective_count"]) else "",
    )  # fmt: skip


def _counted(row: pd.Series, name: str, template: str, counts: tuple[str, str]) -> str:
    text = template.format(
        count=row[name],
        all=row[counts[0]],
        others=row[counts[1]],
        lot=row["lot_id"],
        other=row["other_lot_id"],
    )
    return text + (_held(row, name, "", _plain) if row[counts[0]] and row[counts[1]] else "")


def _plain(count: float) -> str:
    """Write a count, or a mean of counts, with two figures.

    >>> _plain(0.0199), _plain(3.0), _plain(121.6)
    ('0.02', '3', '122')
    """
    return f"{count:.2g}" if count < 10 else f"{count:,.0f}"


def _held(row: pd.Series, name: str, end: str, written: Callable[[float], str]) -> str:
    """What chance gives, and whether the number observed lies outside it."""
    low, high, expected = (row[f"{name}_{what}{end}"] for what in ("low", "high", "expected"))
    if not np.isfinite(expected):
        return "; too little mat in common to say what chance gives"
    observed = row[name + end]
    word = "more than chance gives" if observed > high else "less than chance gives" if observed < low else (
        "no more than chance gives")  # fmt: skip
    ends = " to ".join(written(value) for value in (low, high))
    return f": {word} ({written(expected)}, {ends} in 95 % of {row['shift_count']} shifts along station)"
