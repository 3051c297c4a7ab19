"""compare.html: what was found, the two lots drawn one above the other, and both tables; one file, no scripts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from ..pages import template
from ..sheets.lift_sheet import LEGEND_IN, ROW_IN, LiftSheet, draw_lifts
from ..sheets.look import drawing, svg_text
from ..sheets.measures import NOTHING, Measures, duration
from ..sheets.strips import WIDTH_IN

if TYPE_CHECKING:
    from .pair import Pair

PAGE = "compare.html"
TEMPLATE = "compare.html.jinja"


def page_text(pairs: list[Pair], told: list[list[str]], to: Measures, cautions: tuple[str, ...]) -> str:
    """Write the page; `told` are the sentences of each pair in the reader's units."""
    parts = [
        {
            "title": f"{pair.numbers['lot_id']} and {pair.numbers['other_lot_id']}",
            "lot": pair.numbers["lot_id"],
            "other": pair.numbers["other_lot_id"],
            "told": sentences[:-1],
            "operation": sentences[-1],
            "sheets": [Markup(_drawn(sheet)) for sheet in pair.drawn],
            "met": [_met(row, to) for _, row in pair.frames["coincidences"].iterrows()],
            "profiles": [_profiles(row, to) for _, row in pair.frames["profile_pairs"].iterrows()],
        }
        for pair, sentences in zip(pairs, told, strict=True)
    ]
    return template(TEMPLATE).render(parts=parts, cautions=cautions, length=to.unit("length").name,
                              delta=to.unit("delta").name, area=to.unit("area").name)  # fmt: skip


def _drawn(sheet: LiftSheet) -> str:
    rows = sheet.rows()
    with drawing(WIDTH_IN, LEGEND_IN + ROW_IN * len(rows)) as figure:
        draw_lifts(figure, sheet, rows)
        return svg_text(figure)


def _met(row: pd.Series, to: Measures) -> dict[str, Any]:
    zone = row["kind"] == "zone"
    own, others = ("deficit_max_delta_c", "delta") if zone else ("duration_s", "")

    def written(value: float) -> str:
        return to.bare(value, others) if zone else duration(value)

    return {
        "what": f"{row['kind']} {row['number']} over {row['other_number']}",
        "where": f"{to.station(row['station_from_m'])} to {to.station(row['station_to_m'])}",
        "offset": f"{to.bare(row['offset_from_m'], 'length')} to {to.bare(row['offset_to_m'], 'length')}",
        "overlap": to.bare(row["overlap_m2"], "area"),
        "share": f"{100 * row['overlap_frac']:.1f} %",
        "apart": to.bare(row["distance_m"], "length"),
        "own": written(row[own]),
        "others": written(row[f"other_{own}"]),
    }


def _profiles(row: pd.Series, to: Measures) -> dict[str, str]:
    return {
        "where": f"{to.station(row['station_from_m'])} to {to.station(row['station_to_m'])}",
        "one": _class(row, "", to),
        "other": _class(row, "other_", to),
        "share": f"{100 * row['common_frac']:.0f} %",
    }


def _class(row: pd.Series, prefix: str, to: Measures) -> str:
    delta = row[f"{prefix}differential_delta_c"]
    number = to.bare(delta, "delta") if np.isfinite(delta) else NOTHING
    near = ", borderline" if row[f"{prefix}borderline"] is True or row[f"{prefix}borderline"] == 1 else ""
    return f"{row[f'{prefix}profile_id']}: {row[f'{prefix}profile_class']}, {number}{near}"
