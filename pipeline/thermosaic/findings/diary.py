"""The diary on the mat: where its entries lie, which stop each explains, and what it says against the readings.

An entry by time covers the mat that was laid under the line from then to then; one by station the mat between its
stations in every pass that has them, or in the pass of its time where it states both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np

from ..delivery import together
from ..model import DiaryEntry, Doubt, Swath
from .frames import layer
from .mat import PassMat
from .stops import HALF_LENGTH_M, Stop

EXPLAIN_STOPS = ("truck", "stop", "breakdown")
HANDWORK = "The diary notes handwork here."


@dataclass(frozen=True, eq=False, slots=True)
class Noted:
    """One entry in one pass: the stretch of C's path that it speaks of, and the stops it explains."""

    entry: DiaryEntry
    mat: PassMat
    from_m: float
    to_m: float
    stops: tuple[Stop, ...]


def place_entries(
    diary: tuple[DiaryEntry, ...], mats: tuple[PassMat, ...], stops: tuple[Stop, ...], swath: Swath
) -> tuple[Noted, ...]:
    """Find each entry's stretch in each pass it speaks of, in the order of the diary."""
    found = []
    for entry in diary:
        for mat in mats:
            stretch = _stretch(entry, mat, swath)
            if stretch is not None:
                mine = tuple(stop for stop in stops if stop.mat is mat and _explains(entry, stretch, stop))
                found.append(Noted(entry, mat, *stretch, mine))
    return tuple(found)


def _stretch(entry: DiaryEntry, mat: PassMat, swath: Swath) -> tuple[float, float] | None:
    """Distances along the pass that an entry speaks of; a place becomes a strip as wide as that of a stop."""
    lines = np.flatnonzero(swath.pass_code == mat.code)
    if entry.from_utc is not None:
        during = lines[(swath.seen_utc[lines] >= entry.from_utc) & (swath.seen_utc[lines] < entry.to_utc)]
        if len(during) == 0:
            return None
        ends = swath.distance_m[during].min(), swath.distance_m[during].max()
    if entry.from_m is not None:
        ends = tuple(np.sort(mat.distance_at(np.array([entry.from_m, entry.to_m]) - mat.zero_m)))
    ends = (float(ends[0]), float(ends[1]))
    if ends[1] - ends[0] < 2 * HALF_LENGTH_M:
        middle = sum(ends) / 2
        ends = middle - HALF_LENGTH_M, middle + HALF_LENGTH_M
    clipped = max(ends[0], mat.span_m[0]), min(ends[1], mat.span_m[1])
    return clipped if clipped[0] < clipped[1] else None


def _explains(entry: DiaryEntry, stretch: tuple[float, float], stop: Stop) -> bool:
    """An entry of a stop speaks of the paver's stop that it overlaps in time, or in place where it has no time."""
    if entry.kind not in EXPLAIN_STOPS:
        return False
    if entry.from_utc is not None:
        return bool(entry.from_utc < stop.end_utc and stop.start_utc < entry.to_utc)
    return stretch[0] <= stop.distance_m <= stretch[1]


def stop_reasons(noted: tuple[Noted, ...]) -> dict[int, str]:
    """Reason of each stop that the diary explains, in its words: stop id to text."""
    reasons: dict[int, list[str]] = {}
    for item in noted:
        for stop in item.stops:
            reasons.setdefault(stop.id, []).append(_words(item.entry))
    return {stop: "; ".join(words) for stop, words in reasons.items()}


def _words(entry: DiaryEntry) -> str:
    return f"{entry.kind}: {entry.text}" if entry.text else entry.kind


def with_handwork(zones: gpd.GeoDataFrame, noted: tuple[Noted, ...]) -> gpd.GeoDataFrame:
    """Add to the evidence of each zone that lies in a stretch of handwork that the diary notes it there."""
    for item in (item for item in noted if item.entry.kind == "handwork"):
        low, high = np.sort(item.mat.zero_m + item.mat.frame_at(np.array([item.from_m, item.to_m])))
        there = (
            (zones["pass_id"] == item.mat.id)
            & (zones["station_from_m"] < high)
            & (zones["station_to_m"] > low)
        )
        said = [together([words, HANDWORK]) for words in zones.loc[there, "evidence"]]
        zones.loc[there, "evidence"] = np.array(said, object)
    return zones


def diary_layer(noted: tuple[Noted, ...]) -> gpd.GeoDataFrame:
    """Make the layer of the diary: a row an entry and pass."""
    rows: list[dict[str, Any]] = []
    for number, item in enumerate(noted, 1):
        entry, mat = item.entry, item.mat
        rows.append({
            **mat.identity(),
            **mat.stations(*mat.frame_at(np.array([item.from_m, item.to_m]))),
            "entry_id": number,
            "kind": entry.kind,
            "start_utc": entry.from_utc, "end_utc": entry.to_utc,
            "entry_text": entry.text or None,
            "stop_id": item.stops[0].id if item.stops else None,
            "geometry": mat.strip(item.from_m, item.to_m),
        })  # fmt: skip
    return layer("diary", rows)


def diary_counts(diary: tuple[DiaryEntry, ...], noted: tuple[Noted, ...]) -> dict[str, int]:
    """Balance of the diary: entries = on_mat + elsewhere."""
    on_mat = len({id(item.entry) for item in noted})
    return {"entries": len(diary), "on_mat": on_mat, "elsewhere": len(diary) - on_mat}


def diary_doubts(diary: tuple[DiaryEntry, ...], noted: tuple[Noted, ...], swath: Swath) -> tuple[Doubt, ...]:
    """Say where the diary speaks of another place, and where it speaks against the readings."""
    doubts = []
    if diary and not noted:
        text = f"none of {len(diary)} diary entries lies on this lot's mat: check its date, time zone and stations"
        doubts.append(Doubt("s6", "diary_elsewhere", text, float(len(diary))))
    for item in noted:
        if item.entry.kind != "rain":
            continue
        line = item.mat.line[(item.mat.distance_m >= item.from_m) & (item.mat.distance_m <= item.to_m)]
        text = (
            f"rain is noted while {len(line)} scan lines were taken (pass {item.mat.id}): water on the mat and on the "
            "scanner's window lowers readings; judge cold mat there with care"
        )
        ends = (swath.seen_utc[line[0]], swath.seen_utc[line[-1]]) if len(line) else (None, None)
        doubts.append(Doubt("s6", "rain_while_scanning", text, float(len(line)), "lines", *ends))
    return tuple(doubts)
