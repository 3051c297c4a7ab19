"""Compare two lots on the mat that both cover, and say what of it chance would give.

Chance is judged by shifting one lot along station, round and round: cold places keep their sizes, offsets and
spacing (loads repeat), and lose only what ties them to the other lot. Nothing here says why.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import shapely

from . import coincidences, deficits
from .coincidences import Pairs, Places
from .deficits import Field
from .lifts import Chance, Lift, Line, against

LAYER_OF = {"zone": ("zones", "zone_id"), "stop": ("stops", "stop_id")}
NEAREST_SHIFT_M = 5.0  # a nearer shift still sees the same places
SHORTEST_M = 30.0  # of common mat, for a statement about chance
MOST_SHIFTS, SHIFT_M = 999, 0.3048  # shifts, and metres between two where there are fewer
LEAST_FRAC = 0.05  # profiles that share less of either are not side by side


@dataclass(frozen=True, eq=False)
class Comparison:
    """What two lots have in common; `one` is the upper of two lifts. Frames as `tables.COMPARED`, SI.

    Geometries are metres of the map; labels of stations are added by who delivers.
    """

    one: Lift
    other: Lift
    along: tuple[Along, ...]  # one for each line with mat in common
    mat: shapely.Geometry
    frames: dict[str, pd.DataFrame] = field(repr=False)
    chance: dict[str, Chance]  # zones_on, overlap_frac, stops_on, correlation

    @property
    def numbers(self) -> pd.Series:
        """The row of the layer `common_mat`."""
        return self.frames["common_mat"].iloc[0]


def compare_lifts(
    one: Lift,
    other: Lift,
    lines: tuple[Line, ...],
    cell_m: float,
    frame_sigma_m: float = 0.0,
    point_scale: float = 1.0,
) -> Comparison:
    """Compare two lots along the lines of the first lot named.

    Parameters
    ----------
    one, other : Lift
        On one map; places of `one` are counted over places of `other`.
    lines : tuple of Line
        Passes of one of the two; the other is seen along them.
    cell_m : float
        Cell over which readings are averaged before deficits are held against each other.
    frame_sigma_m : float
        Sigma of the coordinate operation between the two maps, 0 for one map.
    point_scale : float
        Map length over ground length.

    Raises
    ------
    ValueError
        No cell holds readings of both.
    """
    fields = [deficits.field_of(line, one.readings, other.readings, cell_m) for line in lines]
    fields = [item for item in fields if item.both.any()]
    if not fields:
        raise ValueError("no cell of the mat holds readings of both")
    found = _places_along(one, other, fields, frame_sigma_m)
    parts = shift_parts([item.stretch_m for item in fields])
    r, r_shifted = deficits.correlations(fields, parts)
    chance = {"correlation": against(r, r_shifted)} | _chance(found, parts)
    mat = shapely.union_all([_outline(item) for item in fields])
    frames = {
        "common_mat": _mat_row(one, other, fields, found, chance, mat, cell_m, frame_sigma_m, point_scale),
        "profile_pairs": _in_order([_pairs_along(one, other, along) for along in fields]),
        "places": _in_order([item.places(kind) for item in found for kind in LAYER_OF]),
        "coincidences": _in_order([item.met(kind) for item in found for kind in LAYER_OF]),
    }
    frames["common_mat"]["effective_count"] = deficits.effective_count(r_shifted)
    return Comparison(one, other, tuple(found), mat, frames, chance)


def shift_parts(stretches_m: list[tuple[float, float]]) -> np.ndarray:
    """Shifts as parts of each stretch, at most MOST_SHIFTS, none nearer than NEAREST_SHIFT_M; none on short mat.

    >>> len(shift_parts([(0.0, 20.0)])), shift_parts([(0.0, 40.0)]).round(3)[:2].tolist()
    (0, [0.13, 0.137])
    """
    lengths = np.array([high - low for low, high in stretches_m])
    longest = float(lengths.max())
    if longest < SHORTEST_M:
        return np.empty(0)
    number = int(min(MOST_SHIFTS + 1, longest / SHIFT_M))
    parts = np.arange(1, number) / number
    return parts[np.minimum(parts, 1 - parts) * longest >= NEAREST_SHIFT_M]


class Along:
    """Places of both lots along one line, and which coincide."""

    def __init__(
        self,
        one: Lift,
        other: Lift,
        along: Field,
        held: dict[str, tuple[Places, ...]],
        frame_sigma_m: float,
    ) -> None:
        self.lifts, self.field, self.frame_sigma_m = (one, other), along, frame_sigma_m
        self.held = held
        self.pairs: dict[str, Pairs] = {
            kind: coincidences.pairs(*both, frame_sigma_m) for kind, both in self.held.items()
        }

    def at_shift(self, part: float) -> tuple[float, float, float]:
        """Zones that coincide, their covered area, stops that coincide, with the other lot shifted."""
        low, high = self.field.stretch_m
        moved = {
            kind: coincidences.shifted(other, part * (high - low), (low, high))
            for kind, (_, other) in self.held.items()
        }
        found = {
            kind: coincidences.pairs(one, moved[kind], self.frame_sigma_m)
            for kind, (one, _) in self.held.items()
        }
        covered = coincidences.covered_m2(self.held["zone"][0], moved["zone"], found["zone"])
        return found["zone"].count(), covered, found["stop"].count()

    def now(self) -> tuple[float, float, float]:
        """The same without a shift."""
        covered = coincidences.covered_m2(*self.held["zone"], self.pairs["zone"])
        return self.pairs["zone"].count(), covered, self.pairs["stop"].count()

    def zone_m2(self) -> float:
        return float(shapely.area(self.held["zone"][0].shape).sum())

    def drawn(self, kind: str, which: int) -> tuple[tuple[int, shapely.Geometry], ...]:
        """Number and polygon of (station, offset) of one lot's places."""
        layer, number = LAYER_OF[kind]
        held = self.held[kind][which]
        numbers = getattr(self.lifts[which], layer)[number].to_numpy()[held.row]
        return tuple((int(n), shape) for n, shape in zip(numbers, held.shape, strict=True))

    def profiles(self, which: int) -> pd.DataFrame:
        """Profiles of one lot by station of this line."""
        frame = self.lifts[which].profiles
        straight = self.field.line.straighten(np.asarray(frame.geometry, object))
        bounds = _bounds(straight)
        ends = {"station_from_m": bounds[:, 0], "station_to_m": bounds[:, 2]}
        names = ["profile_id", "class_rank", "differential_delta_c"]
        return pd.DataFrame(frame[names]).assign(**ends).dropna(subset=["station_from_m"])

    def places(self, kind: str) -> pd.DataFrame:
        """Rows of the layer `places`: both lots' places with the nearest of the other."""
        return pd.concat([self._places_of(kind, which) for which in (0, 1)], ignore_index=True)

    def _places_of(self, kind: str, which: int) -> pd.DataFrame:
        layer, number = LAYER_OF[kind]
        mine, theirs = self.held[kind][which], self.held[kind][1 - which]
        best, apart = coincidences.nearest(mine, theirs)
        rows = getattr(self.lifts[which], layer).iloc[mine.row]
        others = getattr(self.lifts[1 - which], layer)[number].to_numpy()[theirs.row]
        met = (self.pairs[kind].one, self.pairs[kind].other)[which]
        bounds = _bounds(mine.shape)
        return pd.DataFrame({
            "lot_id": self.lifts[which].lot_id, "other_lot_id": self.lifts[1 - which].lot_id, "kind": kind,
            "number": rows[number].to_numpy(), "pass_id": self.field.line.pass_id,
            "station_from_m": bounds[:, 0], "station_to_m": bounds[:, 2],
            "nearest_number": pd.array([others[i] if i >= 0 else None for i in best], dtype="Int32"),
            "nearest_m": apart, "coincides": np.isin(np.arange(len(rows)), met),
            "position_sigma_m": mine.sigma_m, "geometry": rows.geometry.to_numpy(),
        })  # fmt: skip

    def met(self, kind: str) -> pd.DataFrame:
        """Rows of the layer `coincidences`."""
        layer, number = LAYER_OF[kind]
        pairs, (mine, theirs) = self.pairs[kind], self.held[kind]
        one, other = (
            getattr(lift, layer).iloc[held.row[at]]
            for lift, held, at in zip(self.lifts, (mine, theirs), (pairs.one, pairs.other), strict=True)
        )
        shapes = mine.shape[pairs.one], theirs.shape[pairs.other]
        share, other_share = (pairs.overlap_m2 / np.maximum(shapely.area(item), 1e-9) for item in shapes)
        here = _grown_overlap(*shapes, pairs.reach_m)
        bounds = _bounds(here)
        own_m2 = one["area_m2"].to_numpy(float) if kind == "zone" else shapely.area(shapes[0])
        return pd.DataFrame({
            "lot_id": self.lifts[0].lot_id, "other_lot_id": self.lifts[1].lot_id, "kind": kind,
            "number": one[number].to_numpy(), "other_number": other[number].to_numpy(),
            "pass_id": self.field.line.pass_id, "station_from_m": bounds[:, 0], "station_to_m": bounds[:, 2],
            "offset_from_m": bounds[:, 1], "offset_to_m": bounds[:, 3], "overlap_m2": share * own_m2,
            "overlap_frac": share, "other_overlap_frac": other_share, "distance_m": pairs.distance_m,
            "reach_m": pairs.reach_m, **_told(one, other, kind), "geometry": _on_ground(self.field.line, here),
        })  # fmt: skip


def _told(one: pd.DataFrame, other: pd.DataFrame, kind: str) -> dict[str, np.ndarray]:
    """What both say of themselves: deficits of zones, durations of stops."""
    told = {}
    for name, of in (("deficit_max_delta_c", "zone"), ("duration_s", "stop")):
        for prefix, frame in (("", one), ("other_", other)):
            told[prefix + name] = frame[name].to_numpy(float) if of == kind else np.full(len(frame), np.nan)
    return told


def _places_along(one: Lift, other: Lift, fields: list[Field], frame_sigma_m: float) -> list[Along]:
    """Give each place to the line on whose mat most of it lies: lanes touch, and none is counted twice."""
    held: list[dict[str, list[Places]]] = [{kind: [] for kind in LAYER_OF} for _ in fields]
    for kind, (name, _) in LAYER_OF.items():
        for lift in (one, other):
            layer = getattr(lift, name)
            sigma_m = lift.sigmas_m(layer)
            straight = [item.line.straighten(np.asarray(layer.geometry, dtype=object)) for item in fields]
            on_mat = np.array(
                [_on_mat_m2(shapes, item) for shapes, item in zip(straight, fields, strict=True)]
            )
            best = np.where(on_mat.max(axis=0) > 0, on_mat.argmax(axis=0), -1)
            for i, shapes in enumerate(straight):
                row = np.flatnonzero(best == i)
                held[i][kind].append(Places(row, shapes[row], sigma_m[row]))
    return [
        Along(one, other, item, {kind: tuple(both) for kind, both in of.items()}, frame_sigma_m)
        for item, of in zip(fields, held, strict=True)
    ]


def _on_mat_m2(straight: np.ndarray, along: Field) -> np.ndarray:
    """Area of each polygon of (station, offset) on the common stretch of a line's mat; 0 without a polygon."""
    line, (low, high) = along.line, along.stretch_m
    held = (line.station_m >= low) & (line.station_m <= high)
    station = np.r_[low, line.station_m[held], high]
    middle, half = (np.interp(station, line.station_m, item) for item in (line.middle_m, line.half_m))
    left, right = (np.column_stack([station, middle + side * half]) for side in (-1, 1))
    mat = shapely.Polygon(np.concatenate([left, right[::-1]]))
    return np.nan_to_num(shapely.area(shapely.intersection(straight, mat)))


def _grown_overlap(one: np.ndarray, other: np.ndarray, reach_m: np.ndarray) -> np.ndarray:
    """The part of each place that lies over the other one, grown by the reach."""
    return shapely.intersection(one, shapely.buffer(other, reach_m + 1e-6, quad_segs=4))


def _bounds(shapes: np.ndarray) -> np.ndarray:
    return shapely.bounds(shapes).reshape(-1, 4)


def _on_ground(line: Line, straight: np.ndarray) -> np.ndarray:
    """Polygons of (station, offset) back on the map."""
    return shapely.transform(straight, lambda at: np.column_stack(line.place(at[:, 0], at[:, 1])))


def _chance(found: list[Along], parts: np.ndarray) -> dict[str, Chance]:
    """Coinciding zones, their covered share, coinciding stops, against the shifts."""
    now = np.sum([item.now() for item in found], axis=0)
    moved = np.array([np.sum([item.at_shift(part) for item in found], axis=0) for part in parts]).reshape(
        -1, 3
    )
    area = sum(item.zone_m2() for item in found)
    scale = np.array([1.0, 1.0 / area if area > 0 else np.nan, 1.0])
    names = ("zones_on", "overlap_frac", "stops_on")
    return {name: against(now[i] * scale[i], moved[:, i] * scale[i]) for i, name in enumerate(names)}


def _outline(along: Field) -> shapely.Geometry:
    """The common mat of one line as stretches of cells, on the map."""
    both, line, cell = along.both, along.line, along.cell_m
    boxes = []
    for row, cols in enumerate(both):
        ends = np.flatnonzero(np.diff(np.r_[False, cols, False])).reshape(-1, 2)
        for first, end in ends:
            station = line.zero_m + np.linspace(first, end, max(2, int((end - first) * cell / 2) + 1)) * cell
            station += along.col0 * cell
            low, high = ((along.row0 + row + i) * cell for i in (0, 1))
            ring = np.concatenate([
                np.column_stack([station, np.full(len(station), low)]),
                np.column_stack([station[::-1], np.full(len(station), high)]),
            ])  # fmt: skip
            boxes.append(shapely.Polygon(ring))
    return _on_ground(line, np.array([shapely.union_all(boxes, grid_size=1e-4)]))[0]


def _mat_row(
    one: Lift, other: Lift, fields: list[Field], found: list[Along], chance: dict[str, Chance],
    mat: shapely.Geometry, cell_m: float, frame_sigma_m: float, point_scale: float,
) -> pd.DataFrame:  # fmt: skip
    """The row of the layer `common_mat`."""
    stretch = np.array([item.stretch_m for item in fields])
    counts = {
        f"{prefix}{kind}_count": sum(len(item.held[kind][which].row) for item in found)
        for kind in LAYER_OF
        for which, prefix in ((0, ""), (1, "other_"))
    }
    row = {
        "lot_id": one.lot_id, "other_lot_id": other.lot_id, "lift": one.lift, "other_lift": other.lift,
        "station_from_m": float(stretch.min()), "station_to_m": float(stretch.max()),
        "area_m2": mat.area / point_scale**2, "cell_m": cell_m,
        "cell_count": sum(int(item.both.sum()) for item in fields),
        "sigma_m": float(np.sqrt(one.sigma_m**2 + other.sigma_m**2 + frame_sigma_m**2)),
        "shift_count": chance["correlation"].shifts, **counts, "geometry": mat,
    }  # fmt: skip
    for stem, item in chance.items():
        name = stem.removesuffix("_frac")
        end = "_frac" if stem != name else ""
        row |= {
            stem: item.observed, f"{name}_expected{end}": item.expected, f"{name}_low{end}": item.low,
            f"{name}_high{end}": item.high, f"{name}_reached_frac": item.share,
        }  # fmt: skip
    return pd.DataFrame([row])


def _in_order(frames: list[pd.DataFrame]) -> pd.DataFrame:
    """Rows of all lines, upstation."""
    whole = pd.concat([frame for frame in frames if len(frame)] or frames[:1], ignore_index=True)
    return whole.sort_values(["pass_id", "station_from_m", "station_to_m"], kind="stable", ignore_index=True)


def _pairs_along(one: Lift, other: Lift, along: Field) -> pd.DataFrame:
    """Rows of the layer `profile_pairs`: every two profiles that share enough of either."""
    straight = [along.line.straighten(np.asarray(lift.profiles.geometry, object)) for lift in (one, other)]
    rows = [np.flatnonzero([shape is not None for shape in item]) for item in straight]
    mine, theirs = (item[row] for item, row in zip(straight, rows, strict=True))
    at, of = (
        item.ravel() for item in np.meshgrid(np.arange(len(mine)), np.arange(len(theirs)), indexing="ij")
    )
    common = shapely.intersection(mine[at], theirs[of])
    share, other_share = (shapely.area(common) / shapely.area(item) for item in (mine[at], theirs[of]))
    enough = np.maximum(share, other_share) >= LEAST_FRAC
    at, of, common = at[enough], of[enough], common[enough]
    bounds = _bounds(common)
    profile, beside = one.profiles.iloc[rows[0][at]], other.profiles.iloc[rows[1][of]]
    told = {}
    for name in ("profile_class", "differential_delta_c", "borderline"):
        told |= {name: profile[name].to_numpy(), f"other_{name}": beside[name].to_numpy()}
    return pd.DataFrame({
        "lot_id": one.lot_id, "other_lot_id": other.lot_id, "profile_id": profile["profile_id"].to_numpy(),
        "other_profile_id": beside["profile_id"].to_numpy(), "pass_id": along.line.pass_id,
        "station_from_m": bounds[:, 0], "station_to_m": bounds[:, 2], "common_frac": share[enough],
        "other_common_frac": other_share[enough], **told, "geometry": _on_ground(along.line, common),
    })  # fmt: skip
