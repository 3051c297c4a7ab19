"""Zones, stops, segments, gaps, loads and notes of two results, matched by place, time or name; the lot's totals."""

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


@dataclass(frozen=True, slots=True)
class Named:
    """A layer as it is compared: name of one feature, layer, column of its number, and what is said of it."""

    single: str
    layer: str
    key: str | None  # None: features are counted in the order of the layer
    told: dict[str, str]  # column -> how it is written; the first says how large a feature is

    @property
    def many(self) -> str:
        return self.single.removesuffix("y") + ("ies" if self.single.endswith("y") else "s")

    def number(self, frame: pd.DataFrame, at: int) -> Any:
        """Number or name of a feature."""
        return at + 1 if self.key is None else frame[self.key].iloc[at]


NAMED = {
    "cold zones": Named(
        "cold zone", "cold_zones", "zone_id",
        {"area_m2": ".2f", "deficit_max_delta_c": ".1f", "pattern": "", "in_scope": ""},
    ),
    "stops": Named("stop", "stops", "stop_id", {"duration_s": ".1f", "reason": ""}),
    "speed segments": Named(
        "speed segment", "speed_segments", "segment_id", {"speed_mean_mps": ".2f", "length_m": ".2f"}
    ),
    "gaps": Named("gap", "gaps", None, {"length_m": ".2f"}),
    "loads": Named("load", "profiles_by_load", "load_id", {"differential_delta_c": ".1f", "mean_c": ".1f"}),
    "diary": Named("diary entry", "diary", "entry_id", {"kind": "", "entry_text": "", "stop_id": ""}),
    "control points": Named(
        "control point", "control", "point_id", {"miss_m": ".3f", "seen_less_hand_delta_c": ".1f"}
    ),
}  # fmt: skip
BY_TIME, BY_NUMBER = ("stops", "speed segments", "gaps"), ("loads", "diary", "control points")
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


def by_number_part(name: str, old: Side, new: Side) -> Part:
    """Loads, entries of the diary or control points by their number or name."""
    keys = [side.frames[NAMED[name].layer][NAMED[name].key].to_numpy(object) for side in (old, new)]
    return _layer_part(name, old, new, *_greedy((keys[0][:, None] == keys[1][None]).astype(float)))


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
        frame = side.frames[NAMED[name].layer]
        times = [pd.DatetimeIndex(frame[f"{end}_utc"]).tz_convert(None) for end in ("start", "end")]
        since = [(time - pd.Timestamp("2000-01-01")).total_seconds().to_numpy() for time in times]
        ends.append([seconds + side.clock_s for seconds in since])
    (start, end), (begin, stop) = ends
    shared = np.minimum(end[:, None], stop[None]) - np.maximum(start[:, None], begin[None])
    shared = np.nan_to_num(np.maximum(shared, 0.0))
    return _of_one_kind(shared, old.frames["gaps"], new.frames["gaps"]) if name == "gaps" else shared


def _of_one_kind(shared: np.ndarray, old: pd.DataFrame, new: pd.DataFrame) -> np.ndarray:
    """Keep what gaps of one kind share; at a log's end, where a time is not known, they match by their length."""
    alike = old["kind"].to_numpy(object)[:, None] == new["kind"].to_numpy(object)[None]
    timeless = [frame[["start_utc", "end_utc"]].isna().any(axis=1).to_numpy() for frame in (old, new)]
    as_long = np.isclose(old["length_m"].to_numpy(float)[:, None], new["length_m"].to_numpy(float)[None])
    by_length = timeless[0][:, None] & timeless[1][None] & as_long
    return np.where(alike, np.where(by_length, 1.0, shared), 0.0)


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
    meant = NAMED[name]
    frames = (old.frames[meant.layer], new.frames[meant.layer])
    rows = [_feature(meant, frames, pair, shared, new.reader) for pair in pairs]
    changed = [row for row in rows if row["became"] != "same"]
    counts = {
        word: sum(row["became"] == word for row in rows) for word in ("same", "changed", "gone", "added")
    }
    words = {"same": "same", "changed": "changed", "gone": "vanished", "added": "appeared"}
    first = ", ".join(f"{count} {words[word]}" for word, count in counts.items() if count) if changed else (
        f"the same {counted(len(rows), meant.single, meant.many)}" if rows else "none in either")  # fmt: skip
    lines = [_feature_line(meant, row, old, new) for row in changed]
    numbers = {"old": len(frames[0]), "new": len(frames[1]), **counts}
    return Part(name, bool(changed), (first, *lines), numbers, tuple(rows))


def _feature(
    meant: Named,
    frames: tuple[pd.DataFrame, pd.DataFrame],
    pair: tuple[int, int],
    shared: np.ndarray,
    reader: Reader,
) -> dict[str, Any]:
    """One feature with what is said of it in both."""
    row: dict[str, Any] = {}
    for end, frame, at in zip(("old", "new"), frames, pair, strict=True):
        item = {} if at < 0 else frame.iloc[at]
        row[f"number_{end}"] = None if at < 0 else meant.number(frame, at)
        row[f"station_m_{end}"] = item.get("station_from_m", item.get("station_m"))
        row |= {f"{column}_{end}": item.get(column) for column in meant.told}
    if -1 in pair:
        became, other = ("gone", shared[pair[0]]) if pair[1] < 0 else ("added", shared[:, pair[1]])
        lies_in = other.size and other.max() > 0
        part_of = meant.number(frames[became == "gone"], int(np.argmax(other))) if lies_in else None
        return row | {"became": became, "part_of": part_of}
    alike = all(_alike(column, row, form, reader) for column, form in meant.told.items())
    return row | {"became": "same" if alike else "changed", "part_of": None}


def _alike(column: str, row: dict[str, Any], form: str, reader: Reader) -> bool:
    """Whether both values of a column are the same as they are written for the reader."""
    old, new = row[f"{column}_old"], row[f"{column}_new"]
    if same(old, new) or not form:
        return same(old, new)
    return in_units(_written(column, old, form), *reader) == in_units(_written(column, new, form), *reader)


def _feature_line(meant: Named, row: dict[str, Any], old: Side, new: Side) -> str:
    """Say what became of one feature."""
    single, columns = meant.single, meant.told
    end, side = ("old", old) if row["became"] == "gone" else ("new", new)
    where = side.labels.text(row[f"station_m_{end}"]) or "no station"
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
