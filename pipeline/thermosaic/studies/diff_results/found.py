"""Zones, stops, speed segments and gaps of two results: matched by place or by time; and the lot's totals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from ...delivery import Reader, in_units, tell, together
from ...tables import LOT, suffix
from .nouns import Part, Side, counted, same

Pairs = list[tuple[int, int]]  # rows of the old and the new layer; -1 = none
NAMED = {"cold zones": ("zone_id", "cold_zones"), "stops": ("stop_id", "stops"),
         "speed segments": ("segment_id", "speed_segments"), "gaps": (None, "gaps")}  # fmt: skip
TOLD = {  # what is said of a feature that is in both: column and how it is written
    "cold zones": {"area_m2": ".2f", "deficit_max_delta_c": ".1f", "pattern": "", "in_scope": ""},
    "stops": {"duration_s": ".1f", "reason": ""},
    "speed segments": {"speed_mean_mps": ".2f", "length_m": ".2f"},
    "gaps": {"length_m": ".2f"},
}
MERGED = {"gone": "is part of", "added": "was part of"}


@dataclass(frozen=True, eq=False, slots=True)
class Shapes:
    """Geometries of the cold zones of both, on the old one's map, the new ones where the old readings lay."""

    old: np.ndarray
    new: np.ndarray


def brought_back(shapes: np.ndarray, pass_id: np.ndarray, lines: pd.DataFrame) -> np.ndarray:
    """Move shapes back by the shift of the readings around each, so that the same mat lies over the same mat."""
    moved = np.array(shapes, dtype=object)
    for name in pd.unique(pass_id):
        own = lines[lines["pass_id"] == str(name)]
        at = np.flatnonzero(pass_id == name)
        at = at[[shape is not None and not shape.is_empty for shape in moved[at]]]
        if own.empty or not len(at):
            continue
        middle = shapely.get_coordinates(shapely.centroid(moved[at]))
        near = cKDTree(own[["easting_m", "northing_m"]].to_numpy()).query(middle)[1]
        shift = own[["east_m", "north_m"]].to_numpy()[near]
        for row, by in zip(at, shift, strict=True):
            moved[row] = shapely.transform(moved[row], lambda places, by=by: places - by)
    return moved


def zones_part(old: Side, new: Side, shapes: Shapes | None) -> Part:
    """Cold zones by the area that they share; without a common map only counted."""
    if shapes is None:
        before, after = (len(side.frames["cold_zones"]) for side in (old, new))
        said = f"{before} before, {after} now, not matched: the maps cannot be brought together"
        return Part("cold zones", before != after, (said,), {"old": before, "new": after})
    shared = _shared_m2(shapes)
    return _layer_part("cold zones", old, new, *_greedy(shared))


def by_time_part(name: str, old: Side, new: Side) -> Part:
    """Stops, segments or gaps by the time on the scan's own clock that they share."""
    return _layer_part(name, old, new, *_greedy(_shared_s(name, old, new)))


def _shared_m2(shapes: Shapes) -> np.ndarray:
    """Area of each old shape that lies over each new one, map metres squared."""
    shared = np.zeros((len(shapes.old), len(shapes.new)))
    known = [
        np.array([item is not None and not item.is_empty for item in side], bool)
        for side in (shapes.old, shapes.new)
    ]
    if known[0].any() and known[1].any():
        rows = [np.flatnonzero(item) for item in known]
        i, j = shapely.STRtree(shapes.new[rows[1]]).query(shapes.old[rows[0]], predicate="intersects")
        i, j = rows[0][i], rows[1][j]
        shared[i, j] = shapely.area(shapely.intersection(shapes.old[i], shapes.new[j]))
    return shared


def _shared_s(name: str, old: Side, new: Side) -> np.ndarray:
    """Seconds that each old feature shares with each new one, by the clock of the scan."""
    ends = []
    for side in (old, new):
        frame = side.frames[NAMED[name][1]]
        times = [pd.DatetimeIndex(frame[f"{end}_utc"]).tz_convert(None) for end in ("start", "end")]
        since = [(time - pd.Timestamp("2000-01-01")).total_seconds().to_numpy() for time in times]
        ends.append([seconds + side.clock_s for seconds in since])
    (start, end), (begin, stop) = ends
    shared = np.minimum(end[:, None], stop[None]) - np.maximum(start[:, None], begin[None])
    if name == "gaps":
        kinds = [side.frames["gaps"]["kind"].to_numpy(object) for side in (old, new)]
        shared = np.where(kinds[0][:, None] == kinds[1][None], shared, 0.0)
    return np.nan_to_num(np.maximum(shared, 0.0))


def _greedy(shared: np.ndarray) -> tuple[Pairs, np.ndarray]:
    """Match what shares most first, each once; what is left is alone. Returned beside what they share."""
    pairs: Pairs = []
    left = shared.copy()
    while left.size and left.max() > 0:
        i, j = np.unravel_index(np.argmax(left), left.shape)
        pairs.append((int(i), int(j)))
        left[i, :], left[:, j] = 0.0, 0.0
    taken = [{pair[which] for pair in pairs} for which in (0, 1)]
    pairs += [(i, -1) for i in range(shared.shape[0]) if i not in taken[0]]
    pairs += [(-1, j) for j in range(shared.shape[1]) if j not in taken[1]]
    return sorted(pairs, key=lambda pair: (pair[1] < 0, pair[1], pair[0])), shared


def _layer_part(name: str, old: Side, new: Side, pairs: Pairs, shared: np.ndarray) -> Part:
    """Say what of a layer vanished, appeared and changed."""
    key, layer = NAMED[name]
    frames = [side.frames[layer] for side in (old, new)]
    rows = [_feature(name, key, frames, pair, shared, new.reader) for pair in pairs]
    changed = [row for row in rows if row["became"] != "same"]
    counts = {
        word: sum(row["became"] == word for row in rows) for word in ("same", "changed", "gone", "added")
    }
    words = {"same": "same", "changed": "changed", "gone": "vanished", "added": "appeared"}
    single = name.removesuffix("s")
    first = ", ".join(f"{count} {words[word]}" for word, count in counts.items() if count) if changed else (
        f"the same {counted(len(rows), single)}" if rows else "none in either")  # fmt: skip
    lines = [_feature_line(single, row, old, new) for row in changed]
    numbers = {"old": len(frames[0]), "new": len(frames[1]), **counts}
    return Part(name, bool(changed), (first, *lines), numbers, tuple(rows))


def _feature(
    name: str,
    key: str | None,
    frames: list[pd.DataFrame],
    pair: tuple[int, int],
    shared: np.ndarray,
    reader: Reader,
) -> dict[str, Any]:
    """One feature with what is said of it in both."""
    row: dict[str, Any] = {}
    for end, frame, at in zip(("old", "new"), frames, pair, strict=True):
        item = None if at < 0 else frame.iloc[at]
        number = None if item is None else int(item[key]) if key else at + 1
        row |= {
            f"number_{end}": number,
            f"station_from_m_{end}": None if item is None else item["station_from_m"],
        }
        row |= {f"{column}_{end}": None if item is None else item[column] for column in TOLD[name]}
    if -1 in pair:
        became, other = ("gone", shared[pair[0]]) if pair[1] < 0 else ("added", shared[:, pair[1]])
        into = int(np.argmax(other)) if other.size and other.max() > 0 else None
        frame = frames[1 if became == "gone" else 0]
        part_of = None if into is None else int(frame[key].iloc[into]) if key else into + 1
        return row | {"became": became, "part_of": part_of}
    alike = all(_alike(column, row, form, reader) for column, form in TOLD[name].items())
    return row | {"became": "same" if alike else "changed", "part_of": None}


def _alike(column: str, row: dict[str, Any], form: str, reader: Reader) -> bool:
    """Whether both values of a column are the same as they are written for the reader."""
    old, new = row[f"{column}_old"], row[f"{column}_new"]
    if same(old, new) or not form:
        return same(old, new)
    return in_units(_written(column, old, form), *reader) == in_units(_written(column, new, form), *reader)


def _feature_line(single: str, row: dict[str, Any], old: Side, new: Side) -> str:
    """Say what became of one feature."""
    end, side = ("old", old) if row["became"] == "gone" else ("new", new)
    where = side.labels.text(row[f"station_from_m_{end}"]) or "no station"
    columns = TOLD[{"gap": "gaps"}.get(single, single + "s")]
    if row["became"] in MERGED:
        what = "vanished" if end == "old" else "appeared"
        size = next(iter(columns))
        part = "" if row["part_of"] is None else f", it {MERGED[row['became']]} {single} {row['part_of']}"
        written = _written(size, row[f"{size}_{end}"], columns[size])
        return tell("{single} {number} at {where} {what}: {written}{part}", single=single, number=row[f"number_{end}"],
                    where=where, what=what, written=written, part=part)  # fmt: skip
    said = [
        tell("{word} was {was}, is {now}", word=_word(column), was=_written(column, row[f"{column}_old"], form),
             now=_written(column, row[f"{column}_new"], form))
        for column, form in columns.items() if not _alike(column, row, form, new.reader)
    ]  # fmt: skip
    number = f"{row['number_old']}" if row["number_old"] == row["number_new"] else (
        f"{row['number_old']}, now {row['number_new']},")  # fmt: skip
    return together([f"{single} {number} at {where}:", together(said, "; ")])


def _word(column: str) -> str:
    """Name of a column for people: without its unit.

    >>> _word("deficit_max_delta_c"), _word("pattern")
    ('deficit max', 'pattern')
    """
    ending = suffix(column)
    return (column.removesuffix(f"_{ending}") if ending else column).replace("_", " ")


def _written(column: str, value: Any, form: str) -> str:
    """Write a value of a column."""
    if value is None or pd.isna(value):
        return "not stated"
    if not form:
        return {True: "yes", False: "no"}.get(value, str(value))
    return tell("{value_" + suffix(column) + ":" + form + "}", **{f"value_{suffix(column)}": float(value)})


def totals_part(old: Side, new: Side) -> Part:
    """Numbers of the lot's own row that changed."""
    then, now = old.whole, new.whole
    columns = [
        column for column in LOT.columns if column.dtype not in ("text", "datetime") and not column.added
    ]
    rows = [
        {"column": column.name, "meaning": column.meaning, "old": then[column.name], "new": now[column.name]}
        for column in columns if not same(then[column.name], now[column.name])
    ]  # fmt: skip
    lines = []
    for row in rows:
        was, now_ = (_total(row["column"], row[end]) for end in ("old", "new"))
        if in_units(was, *new.reader) != in_units(now_, *new.reader):
            lines.append(tell("{what}: was {was}, is {now}", what=row["meaning"], was=was, now=now_))
    first = (
        f"{len(lines)} of the lot's numbers changed" if lines else "the lot's numbers are the same as written"
    )
    return Part("totals", bool(lines), (first, *lines), {}, tuple(rows))


def _total(column: str, value: Any) -> str:
    """Write a number of the lot's row with the digits that tell it from another."""
    if value is None or pd.isna(value):
        return "not known"
    ending = suffix(column)
    if ending == "frac":
        return f"{100 * float(value):.2f} %"
    if not ending:
        return f"{float(value):,.0f}"
    return tell("{value_" + ending + ":,.3f}", **{f"value_{ending}": float(value)})
