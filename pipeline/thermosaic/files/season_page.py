"""season.html: the season in numbers, what was refused, and each lot with its classes as a bar; one file, no scripts.

Links lead to the lots' own pages beside it. Classes differ by hatching first and by shade second, as on the sheets.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
from markupsafe import Markup

from .facts import CAUTIONS
from .pages import check_page as check
from .pages import template
from .season_table import REFUSED, SeasonTable
from .sheets.look import class_face
from .sheets.measures import NOTHING, Measures, duration, number

NAME = "season.html"
TEMPLATE = "season.html.jinja"
BAR_PX, BAR_HIGH_PX = 200, 14


def write_page(folder: Path, season: SeasonTable) -> None:
    """Write season.html."""
    (folder / NAME).write_text(page_text(season), encoding="utf-8")


def check_page(folder: Path, season: SeasonTable) -> list[str]:
    """Read season.html back; return what is wrong. Only the lots' own pages may be referred to."""
    return check(folder / NAME, tuple(season.frame["report"].dropna()))


def page_text(season: SeasonTable) -> str:
    """Write the page."""
    to = Measures(season.reader.units, season.reader.foot_m, sigma_m=0.05)
    frame = season.frame.astype(object)
    rows = frame.where(frame.notna(), None).to_dict("records")
    done = [(row, words) for row, words in zip(rows, season.words, strict=True) if words]
    longest = max([row["profile_count"] for row, _ in done], default=0)
    return template(TEMPLATE).render(
        total=_total([item for item in done if not item[0]["superseded_by"]], to),
        refused=[row for row in rows if row["state"] == REFUSED],
        lots=[_lot(row, words, longest, to) for row, words in done],
        legend=_legend([words for _, words in done]),
        patterns=Markup(PATTERNS),
        heads={kind: to.unit(kind).name for kind in ("distance", "sigma", "speed")},
        superseded=sum(bool(row["superseded_by"]) for row, _ in done),
        cautions=CAUTIONS,
    )


def _total(done: list[tuple[dict[str, Any], tuple[str, ...]]], to: Measures) -> dict[str, str]:
    """The season in numbers: lots that others supersede are not counted again."""
    frame = pd.DataFrame([row for row, _ in done])
    if frame.empty:
        return {}
    days = sorted(frame["paved_on"])
    counts = [
        f"{sum(row[f'class_{words.index(word)}_count'] for row, words in done if word in words)} {word}"
        for word in dict.fromkeys(word for _, words in done for word in words)
    ]
    stopped = duration(float(frame["stopped_s"].sum()))
    return {
        "Lots": f"{len(frame)}, paved {days[0]}" + (f" to {days[-1]}" if days[-1] != days[0] else ""),
        "Paved": f"{to.text(frame['paved_m'].sum(), 'distance')}, "
        f"{to.text(frame['unmeasured_m'].sum(), 'distance')} of it not measured",
        "Profiles": f"{', '.join(counts)}, {frame['insufficient_count'].sum()} insufficient",
        "Cold zones": f"{frame['zone_count'].sum()}, {to.text(frame['zone_area_m2'].sum(), 'area')}",
        "Stops": f"{frame['stop_count'].sum()}, {stopped} in all",
        "Readings kept": f"{frame['reading_kept_count'].sum():,} of "
        f"{frame['reading_kept_count'].sum() + frame['reading_dropped_count'].sum():,}",
    }


def _lot(row: dict[str, Any], words: tuple[str, ...], longest: int, to: Measures) -> dict[str, Any]:
    """What the page says of one lot."""
    zones, stops = row["zone_count"], row["stop_count"]
    return {
        "day": row["paved_on"],
        "id": row["lot_id"],
        "report": row["report"],
        "route": row["route"],
        "lane": row["lane"],
        "lift": row["lift"],
        "revision": row["revision"],
        "superseded_by": row["superseded_by"],
        "rule": row["rule_id"],
        "bar": _bar(row, words, longest),
        "classes": _classes(row),
        "zones": f"{zones}, {to.bare(row['zone_area_m2'], 'area')} {to.unit('area').name}" if zones else "0",
        "stops": f"{stops}, {duration(row['stopped_s'])}" if stops else "0",
        "paved": to.bare(row["paved_m"], "distance"),
        "unmeasured": to.bare(row["unmeasured_m"], "distance"),
        "speed": to.bare(row["speed_mean_mps"], "speed"),
        "sigma": NOTHING if row["sigma_p95_m"] is None else to.bare(row["sigma_p95_m"], "sigma"),
        "doubts": number(row["doubt_count"], 0),
    }


def _classes(row: dict[str, Any]) -> str:
    more = f", {row['insufficient_count']} insufficient" if row["insufficient_count"] else ""
    return f"{row['classes']}{more}"


# ------------------------------------------------------------------------------------- classes as a bar

PATTERNS = "".join(
    f'<pattern id="h{rank}" width="{step}" height="{step}" patternUnits="userSpaceOnUse">'
    f'<path d="{path}" stroke="#252525" stroke-width="0.7" fill="none"/></pattern>'
    for rank, step, path in (
        (1, 6, "M-1 7L7 -1M-1 1L1 -1M5 7L7 5"),
        (2, 3, "M-1 4L4 -1M-1 1L1 -1M2 4L4 2"),
        (3, 5, "M-1 6L6 -1M-1 1L1 -1M4 6L6 4M-1 -1L6 6"),
        (4, 3, "M-1 4L4 -1M-1 -1L4 4"),
    )
) + (
    '<pattern id="hn" width="4" height="4" patternUnits="userSpaceOnUse">'
    '<circle cx="2" cy="2" r="0.7" fill="#252525"/></pattern>'
)


def _face(rank: int | None, words: int) -> tuple[str, str]:
    """Colour, and the pattern over it, of a class rank; None = insufficient."""
    colour, _ = class_face(rank, words)
    return colour, "hn" if rank is None else f"h{rank}" if rank else ""


def _bar(row: dict[str, Any], words: tuple[str, ...], longest: int) -> Markup:
    """Draw the profiles of a lot by class, best first; all lots by one scale."""
    scale = BAR_PX / max(longest, 1)
    counts = [(rank, row[f"class_{rank}_count"]) for rank in range(len(words))]
    parts, left = [], 0.0
    for rank, count in [*counts, (None, row["insufficient_count"])]:
        parts.append(_box(left, count * scale, _face(rank, len(words))))
        left += count * scale
    return Markup(
        '<svg width="{w}" height="{h}" viewBox="0 0 {w} {h}" role="img" aria-label="{text}">{parts}</svg>'
    ).format(w=BAR_PX + 1, h=BAR_HIGH_PX, text=_classes(row), parts=Markup("".join(parts)))


def _box(left: float, width: float, face: tuple[str, str]) -> str:
    if width <= 0:
        return ""
    place = f'x="{left + 0.5:.1f}" y="0.5" width="{width:.1f}" height="{BAR_HIGH_PX - 1}"'
    plain = f'<rect {place} fill="{face[0]}" stroke="#252525" stroke-width="0.8"/>'
    return plain + (f'<rect {place} fill="url(#{face[1]})"/>' if face[1] else "")


def _legend(held: list[tuple[str, ...]]) -> list[dict[str, Any]]:
    """Each class word of each rule in use with its face, and insufficient."""
    entries = [(word, _face(rank, len(words))) for words in held for rank, word in enumerate(words)]
    entries.append(("insufficient", _face(None, 1)))
    box = Markup('<svg width="25" height="{}">{}</svg>')
    return [
        {"word": word, "box": box.format(BAR_HIGH_PX, Markup(_box(0, 24, face)))}
        for word, face in dict.fromkeys(entries)
    ]
