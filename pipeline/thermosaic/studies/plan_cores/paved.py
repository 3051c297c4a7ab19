"""The mat of each pass as a line of knots in the order of paving, and the sublots it is cut into."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from ...published import Published, Readings
from .rule import PlanRule

KNOT_M = 1.0
SMALLEST = 1e-6  # share of a sublot below which a part is none
OWN_FROM = 0.5  # what remains is a sublot of its own from this share of one on (common practice, no source)


@dataclass(frozen=True, eq=False, slots=True)
class PavedLine:
    """One pass from its first to its last line: knots about each metre, in the order of paving."""

    pass_id: str
    sign: int  # 1 paved upstation, -1 downstation
    station_m: np.ndarray  # (knot), rising upstation, else falling
    edges_m: np.ndarray  # (knot, 2) offset of the left and the right edge, looking upstation
    left_m: np.ndarray  # (knot, 2) easting, northing of the left edge
    right_m: np.ndarray  # (knot, 2)
    paved: np.ndarray  # bool (knot - 1): mat was laid up to the next knot
    edge_kinds: tuple[str, str]  # left, right, looking upstation
    point_scale: float

    @property
    def ground_m(self) -> np.ndarray:
        """Ground length of paved mat along its middle, up to each knot, (knot)."""
        middle = (self.left_m + self.right_m) / 2
        steps = np.hypot(*np.diff(middle, axis=0).T) / self.point_scale
        return np.r_[0.0, np.cumsum(steps * self.paved)]

    @property
    def area_m2(self) -> np.ndarray:
        """Ground area of paved mat up to each knot, (knot)."""
        width = np.diff(self.edges_m, axis=1)[:, 0]
        return np.r_[0.0, np.cumsum(np.diff(self.ground_m) * (width[:-1] + width[1:]) / 2)]

    def at(self, station_m: float, values: np.ndarray) -> np.ndarray:
        """Values of the knots between them, at a station; (knot) or (knot, n)."""
        along = self.sign * self.station_m
        columns = np.atleast_2d(values.T)
        return np.array([np.interp(self.sign * station_m, along, column) for column in columns])

    def outline(self, from_m: float, to_m: float) -> shapely.Polygon:
        """Outline of the mat between two stations."""
        low, high = sorted((self.sign * from_m, self.sign * to_m))
        along = self.sign * self.station_m
        within = (along > low) & (along < high)
        sides = [
            np.vstack([self.at(self.sign * low, side), side[within], self.at(self.sign * high, side)])
            for side in (self.left_m, self.right_m)
        ]
        return shapely.Polygon(np.vstack([sides[0], sides[1][::-1]]))


@dataclass(frozen=True, eq=False, slots=True)
class Part:
    """What of a sublot lies in one pass: stations where it begins and ends in paving."""

    line: PavedLine
    begin_m: float
    end_m: float

    @property
    def length_m(self) -> float:
        return abs(self.end_m - self.begin_m)


@dataclass(frozen=True, eq=False, slots=True)
class Sublot:
    """One sublot: its parts in order of paving, and its share of the lot's length or mass."""

    number: int
    parts: tuple[Part, ...]
    share_frac: float

    @property
    def length_m(self) -> float:
        """Length by stations, over its parts."""
        return sum(part.length_m for part in self.parts)

    def at(self, along_m: float) -> tuple[Part, float]:
        """Part and station at a distance from where the sublot begins, counted in the direction of paving."""
        left = along_m
        for part in self.parts[:-1]:
            if left < part.length_m:
                break
            left -= part.length_m
        else:
            part = self.parts[-1]
        return part, part.begin_m + part.line.sign * left


def paved_lines(published: Published, passes: dict[str, Readings]) -> list[PavedLine]:
    """Lines of all passes, in order of time."""
    lots = published.frames["lot"]
    order = [pass_id for pass_id in lots["pass_id"].dropna() if pass_id in passes]
    lines = [_line(published, passes[pass_id]) for pass_id in order]
    return [line for line in lines if line is not None]


def _line(published: Published, readings: Readings) -> PavedLine | None:
    """Line of a pass; None where no two of its lines have spots at two places across."""
    sign = 1 if readings.travel == "upstation" else -1
    first, last = readings.start, np.append(readings.start[1:], len(readings.line_m)) - 1
    line_m = np.stack(
        (readings.line_m[first], readings.line_m[last]), axis=1
    )  # (line, end, station and offset)
    map_m = np.stack((readings.map_m[first], readings.map_m[last]), axis=1)
    turned = line_m[:, 0, 1] > line_m[:, 1, 1]
    line_m[turned], map_m[turned] = line_m[turned][:, ::-1], map_m[turned][:, ::-1]
    width = line_m[:, 1, 1] - line_m[:, 0, 1]
    knots = _knots(sign * line_m[:, :, 0].mean(axis=1), width > readings.pitch_m / 2)
    if len(knots) < 2:
        return None
    line_m, map_m = line_m[knots], map_m[knots]
    outward = (map_m[:, 1] - map_m[:, 0]) / width[knots, None] * readings.pitch_m / 2
    station = line_m[:, :, 0].mean(axis=1)
    return PavedLine(
        pass_id=readings.pass_id,
        sign=sign,
        station_m=station,
        edges_m=line_m[:, :, 1] + np.array([-0.5, 0.5]) * readings.pitch_m,
        left_m=map_m[:, 0] - outward,
        right_m=map_m[:, 1] + outward,
        paved=_paved(published, readings.pass_id, station),
        edge_kinds=edge_kinds(published, readings),
        point_scale=float(published.quality["grid"]["point_scale"]),
    )


def _knots(along_m: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """Lines that reach farther than any before, the first of each metre and the last."""
    ahead = along_m > np.maximum.accumulate(np.r_[-np.inf, along_m[:-1]])
    kept = np.flatnonzero(ahead & whole)
    if len(kept) == 0:
        return kept
    _, firsts = np.unique(np.floor((along_m[kept] - along_m[kept[0]]) / KNOT_M), return_index=True)
    return kept[np.unique(np.r_[firsts, len(kept) - 1])]


def _paved(published: Published, pass_id: str, station_m: np.ndarray) -> np.ndarray:
    """bool (knot - 1): no stretch between the knots was left unpaved."""
    gaps = published.frames["gaps"]
    gaps = gaps[(gaps["pass_id"] == pass_id) & (gaps["kind"] == "not_paving")]
    middle = (station_m[:-1] + station_m[1:]) / 2
    found = np.ones(len(middle), bool)
    for low, high in zip(gaps["station_from_m"], gaps["station_to_m"], strict=True):
        found &= (middle < low) | (middle > high)
    return found


def edge_kinds(published: Published, readings: Readings) -> tuple[str, str]:
    """Kinds of the left and the right edge of a pass, looking upstation, as the lot states them."""
    stated = published.config["passes"]
    own = [item for i, item in enumerate(stated, 1) if (item["id"] or str(i)) == readings.pass_id]
    kinds = (own[0]["left_edge"], own[0]["right_edge"]) if own else ("free", "free")
    return kinds if readings.travel == "upstation" else kinds[::-1]


def cut_sublots(
    lines: list[PavedLine], rule: PlanRule, rate_kg_m2: float, unit_m: float
) -> tuple[tuple[Sublot, ...], float]:
    """Cut the mat of all passes into sublots of equal ground length or mass.

    Parameters
    ----------
    rate_kg_m2 : float
        Mass by area, for sublots by mass.
    unit_m : float
        Stations are rounded to it, so that what is printed is what is used.

    Returns
    -------
    sublots, and how many whole ones the lot would be. What remains after these is a sublot of its own from
    `OWN_FROM` of one on, else it belongs to the last.
    """
    if rule.sublot_kg is None:
        amounts, size = [line.ground_m for line in lines], rule.sublot_m
    else:
        amounts, size = [line.area_m2 * rate_kg_m2 for line in lines], rule.sublot_kg
    ends = np.cumsum([amount[-1] for amount in amounts])
    whole, rest = divmod(ends[-1] / size + SMALLEST, 1.0)
    count = max(int(whole) + (rest >= OWN_FROM), 1)
    bounds = np.r_[np.arange(count) * size, ends[-1]]
    sublots = tuple(
        Sublot(
            number=i + 1,
            parts=_parts(lines, amounts, (bounds[i], bounds[i + 1]), SMALLEST * size, unit_m),
            share_frac=float((bounds[i + 1] - bounds[i]) / ends[-1]),
        )
        for i in range(count)
    )
    return sublots, float(ends[-1] / size)


def _parts(
    lines: list[PavedLine],
    amounts: list[np.ndarray],
    between: tuple[float, float],
    least: float,
    unit_m: float,
) -> tuple[Part, ...]:
    """What of each pass lies between two amounts, counted over all passes."""
    found, start = [], 0.0
    for line, amount in zip(lines, amounts, strict=True):
        low, high = max(between[0] - start, 0.0), min(between[1] - start, amount[-1])
        start += amount[-1]
        if high - low > least:
            begin, end = np.interp((low, high), amount, line.station_m)
            found.append(Part(line, rounded(begin, unit_m), rounded(end, unit_m)))
    return tuple(found)


def rounded(length_m: float, unit_m: float) -> float:
    """Round a length to whole units.

    >>> round(rounded(10.07, 0.03048), 5)
    10.0584
    """
    return float(np.round(length_m / unit_m) * unit_m)
