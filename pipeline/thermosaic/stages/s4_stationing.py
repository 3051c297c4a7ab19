"""Give every spot its station and offset, along an alignment or along the pass's own path from marks.

Stations of an alignment are its own map lengths; without one they are ground lengths of C's path. Not
done here: reading or smoothing an alignment, and station labels.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from ..delivery import tell
from ..errors import ConfigError, MismatchError
from ..kernels import polyline
from ..model import Alignment, Doubt, LotInputs, Pass, Stations, Swath, Trajectory

if TYPE_CHECKING:
    from ..config import ChangeSection, MarkSection, StationPlan

END_TOLERANCE_M = 0.5  # a road's line often ends at the joint where paving ends
MARK_TOLERANCE_M = 0.3  # a foot: what a mark sprayed on the shoulder is good for (common practice, no source)
SAME_PLACE_M = 10.0  # marks closer than this are one mark noted twice
BREAK_M = 20.0  # a longer step between lines starts a new search along the alignment
PATH_STEP_M = 2.0  # thinning of a path that other passes are stationed by
FAR_M = 1e5


@dataclass(frozen=True, slots=True)
class _Sighting:
    """A mark brought to the path: where along C's path its station lies."""

    name: str
    pass_code: int
    distance_m: float  # path distance of the marked place
    station_m: float


def station_lot(swath: Swath, trajectory: Trajectory, inputs: LotInputs, plan: StationPlan) -> Stations:
    """Station all spots of a lot.

    Parameters
    ----------
    swath : Swath
        Scan lines on the ground; `distance_m` is C's path distance.
    trajectory : Trajectory
        For marks noted by time.
    inputs : LotInputs
        Passes, and the alignment if there is one.
    plan : StationPlan
        Direction, marks, limits, points of the paver.

    Returns
    -------
    Stations
        Without an alignment the zero of `frame_m` is the pass's first line and marks move `zero_m` alone;
        two marks or more in a pass also stretch `frame_m` between them. `line_frame_m` goes on through
        lines without a position, interpolated over distance.

    Raises
    ------
    ConfigError
        A mark, a direction or a pass is missing or names nothing.
    MismatchError
        Marks, directions, path and alignment contradict each other.
    """
    sightings = tuple(
        _sight(
            f"[[mark]] {number} ({plan.labels.text(mark.station_m)})",
            mark,
            swath,
            trajectory,
            inputs.passes,
            plan,
        )
        for number, mark in enumerate(plan.marks, 1)
    )
    if inputs.alignment is None:
        return _by_own_path(swath, inputs.passes, sightings, plan)
    return _by_alignment(swath, inputs, trajectory.point_scale, sightings, plan)


# ------------------------------------------------------------------------------------------------ marks


def _sight(
    name: str,
    mark: MarkSection,
    swath: Swath,
    trajectory: Trajectory,
    passes: tuple[Pass, ...],
    plan: StationPlan,
) -> _Sighting:
    """Find where along C's path the station of a mark lies: ahead of its point by the stated distance."""
    wanted = None if mark.pass_id is None else _code_of(mark.pass_id, passes, name)
    if isinstance(mark.at, datetime):
        code, distance_m = _at_time(mark.at, trajectory, name)
        moment = mark.at
    else:
        row = _at_line(mark.at, wanted, swath, name)
        code, distance_m = int(swath.pass_code[row]), float(swath.distance_m[row])
        moment = datetime.fromtimestamp(int(swath.seen_utc[row].astype(np.int64)) * 1e-9, UTC)
    if code < 0 or (wanted is not None and code != wanted):
        where = "no pass" if code < 0 else f"pass {passes[code].id}"
        raise ConfigError(
            f"{name}: at = {mark.at} lies in {where}: give a line or time of the pass it was noted in"
        )
    if not np.isfinite(distance_m):
        raise ConfigError(f"{name}: the paver's path is unknown at {mark.at}: give another line or time")
    forward = plan.forward_m(mark.point, moment)
    return _Sighting(name, code, distance_m + forward + mark.ahead_m, mark.station_m)


def _code_of(pass_id: str, passes: tuple[Pass, ...], name: str) -> int:
    ids = [item.id for item in passes]
    if pass_id not in ids:
        raise ConfigError(f'{name}: pass "{pass_id}" is not stated; passes are {", ".join(ids)}')
    return ids.index(pass_id)


def _at_line(at: str | int, wanted: int | None, swath: Swath, name: str) -> int:
    """Index of a scan line given by number, or of the first line of the pass or lot."""
    if isinstance(at, int):
        row = int(np.searchsorted(swath.line, at))
        if row == len(swath.line) or swath.line[row] != at:
            near = swath.line[max(row - 1, 0) : row + 1]
            raise ConfigError(
                f"{name}: scan line {at} is not among the usable lines; the nearest are "
                f"{' and '.join(str(item) for item in near)}"
            )
    else:
        rows = np.flatnonzero(swath.pass_code >= 0 if wanted is None else swath.pass_code == wanted)
        if not len(rows):
            raise ConfigError(f"{name}: its pass has no scan line")
        row = int(rows[0])
    return row


def _at_time(at: datetime, trajectory: Trajectory, name: str) -> tuple[int, float]:
    """Pass and path distance at a time."""
    time_utc, moment = trajectory.time_utc, _utc(at)
    if not time_utc[0] <= moment <= time_utc[-1]:
        raise ConfigError(f"{name}: {at.isoformat()} is outside the logs, {time_utc[0]}Z to {time_utc[-1]}Z")
    row = int(np.searchsorted(time_utc, moment, side="right")) - 1
    seconds = (time_utc - time_utc[0]) / np.timedelta64(1, "s")
    distance_m = np.interp((moment - time_utc[0]) / np.timedelta64(1, "s"), seconds, trajectory.distance_m)
    return int(trajectory.pass_code[row]), float(distance_m)


def _utc(time: datetime) -> np.datetime64:
    return np.datetime64(time.astimezone(UTC).replace(tzinfo=None), "ns")


# ---------------------------------------------------------------------------------------------- changes


def time_changes(
    changes: tuple[ChangeSection, ...], passes: tuple[Pass, ...], swath: Swath, stations: Stations
) -> tuple[ChangeSection, ...]:
    """Give every change stated by station the time at which the scan line first came there.

    Raises
    ------
    ConfigError
        No pass, or more than one, comes to the station.
    """
    found = []
    for number, change in enumerate(changes, 1):
        if change.at is None:
            moment = _time_at_station(f"[[change]] {number}", change, passes, swath, stations)
            change = change.model_copy(update={"at": moment})
        found.append(change)
    return tuple(found)


def _time_at_station(
    name: str, change: ChangeSection, passes: tuple[Pass, ...], swath: Swath, stations: Stations
) -> datetime:
    """Time of the first line at or past a station in its pass."""
    codes = range(len(passes)) if change.pass_id is None else [_code_of(change.pass_id, passes, name)]
    reached = {}
    for code in codes:
        sign = 1 if stations.upstation[code] else -1
        rows = np.flatnonzero((swath.pass_code == code) & np.isfinite(stations.line_frame_m))
        ahead = sign * (stations.zero_m[code] + stations.line_frame_m[rows] - change.at_station_m)
        if len(rows) and ahead[0] < 0 <= ahead.max():
            reached[code] = rows[np.argmax(ahead >= 0)]
    if len(reached) != 1:
        which = ", ".join(passes[code].id for code in reached)
        what = f"passes {which} come there: add pass" if reached else "no pass comes there from outside it"
        raise ConfigError(
            f"{name}: at_station = {change.at_station_m:.2f} m: {what}; or state its time with at"
        )
    nanoseconds = int(swath.seen_utc[next(iter(reached.values()))].astype(np.int64))
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=nanoseconds // 1000)


# --------------------------------------------------------------------------------------------- own path


def _by_own_path(
    swath: Swath, passes: tuple[Pass, ...], sightings: tuple[_Sighting, ...], plan: StationPlan
) -> Stations:
    """Station each pass along C's own path; marks give the zero."""
    if not sightings:
        raise ConfigError(
            "stations need an alignment in [files], or one [[mark]]: state the station of a place"
        )
    signs = np.array([_stated_sign(item, plan) for item in passes])
    line_frame = np.full(len(swath.line), np.nan)
    zero, closings = np.full(len(passes), np.nan), [np.nan]
    for code in range(len(passes)):
        rows = np.flatnonzero(swath.pass_code == code)
        if not len(rows):
            continue
        first_m = float(swath.distance_m[rows[0]])
        line_frame[rows] = signs[code] * (swath.distance_m[rows] - first_m)
        places, shifts = _merged([item for item in sightings if item.pass_code == code], first_m, signs[code])
        if len(places):
            closings.append(_closing(places, shifts, passes[code].id, plan))
            zero[code] = np.interp(0.0, places, shifts)
            line_frame[rows] += np.interp(line_frame[rows], places, shifts) - zero[code]
    doubts = _closing_doubts(closings) + _first_line_doubts(swath, plan)
    doubts += _station_unmarked(zero, line_frame, swath, passes, plan)
    return _own_path_stations(swath, signs, line_frame, zero, _worst(closings), tuple(doubts), plan)


def _stated_sign(stated: Pass, plan: StationPlan) -> int:
    """+1 upstation, -1 downstation, as stated."""
    direction = stated.direction or plan.direction
    if direction is None:
        raise ConfigError(
            f'pass {stated.id}: without an alignment state direction = "upstation" or "downstation" in '
            "[stationing], or in every [[pass]]"
        )
    return 1 if direction == "upstation" else -1


def _merged(own: list[_Sighting], first_m: float, sign: int) -> tuple[np.ndarray, np.ndarray]:
    """Frame coordinates of a pass's marks, rising, and station minus frame there; near ones become one."""
    groups: list[list[tuple[float, float]]] = []
    for frame, station in sorted((sign * (item.distance_m - first_m), item.station_m) for item in own):
        if groups and frame - groups[-1][0][0] < SAME_PLACE_M:
            groups[-1].append((frame, station - frame))
        else:
            groups.append([(frame, station - frame)])
    means = np.array([np.mean(group, axis=0) for group in groups]).reshape(-1, 2)
    return means[:, 0], means[:, 1]


def _closing(places: np.ndarray, shifts: np.ndarray, pass_id: str, plan: StationPlan) -> float:
    """Stations between a pass's outermost marks minus its path there; NaN with one mark."""
    lengths, steps = np.diff(places), np.diff(shifts)
    wrong = np.flatnonzero(np.abs(steps) > np.maximum(1.0, plan.wheel_gnss_frac * lengths))
    if len(wrong):
        length, step = lengths[wrong[0]], steps[wrong[0]]
        raise MismatchError(
            f"[[mark]] of pass {pass_id}: between two marks the stations rise by {length + step:.2f} m where "
            f"{length:.2f} m of path were laid; within {100 * plan.wheel_gnss_frac:g} % is expected: check "
            "the labels, the direction and where the marks were noted"
        )
    return float(shifts[-1] - shifts[0]) if len(places) > 1 else np.nan


def _worst(closings: list[float]) -> float:
    return max(closings, key=lambda item: -1.0 if np.isnan(item) else abs(item))


def _closing_doubts(closings: list[float]) -> list[Doubt]:
    worst = _worst(closings)
    if np.isnan(worst):
        return []
    text = tell(
        "the stations between marks differ from the path by {worst_m:+.2f}; the difference is spread along the "
        "path: check the marks if that is more than they are good for",
        worst_m=worst,
    )
    return [Doubt("s4", "marks_misclosure", text, worst, "m")]


def _first_line_doubts(swath: Swath, plan: StationPlan) -> list[Doubt]:
    """A mark at the first line of a log whose first lines the limits leave out is easily misread."""
    start = plan.limits.from_
    at_first = any(mark.at == "first line" for mark in plan.marks)
    if not (at_first and isinstance(start, datetime) and _utc(start) > swath.seen_utc[0]):
        return []
    text = (
        'a mark stands at the "first line" of the log, which the limits leave out: if it was meant for the '
        "first line inside the limits, give that line's number or time"
    )
    return [Doubt("s4", "mark_outside_limits", text)]


def _station_unmarked(
    zero: np.ndarray, line_frame: np.ndarray, swath: Swath, passes: tuple[Pass, ...], plan: StationPlan
) -> list[Doubt]:
    """Fill in the zero of passes without a mark, from where they begin beside a stationed pass.

    The nearest pair goes first, so that a chain of restarts is followed. A first line beyond the end of the
    known path is placed on the end's direction.
    """
    centre_m = _centre_m(swath)
    starts = {code: row for code in range(len(passes)) if (row := _first_placed(swath, code)) is not None}
    waiting = {code for code in starts if np.isnan(zero[code])}
    lost = set(np.unique(swath.pass_code[swath.pass_code >= 0]).tolist()) - set(starts)
    doubts = [_lost_doubt(passes[code]) for code in sorted(lost) if np.isnan(zero[code])]
    while waiting:
        known = {
            code: _path(code, zero, line_frame, swath, centre_m) for code in starts if code not in waiting
        }
        pairs = [
            (polyline.distance_to(_one(centre_m, starts[code]), path[0])[0], code, other)
            for code in sorted(waiting)
            for other, path in known.items()
            if path is not None
        ]
        if not pairs:
            raise ConfigError(_no_neighbour(waiting, passes))
        _, code, other = min(pairs)
        point = tuple(item[:, None] for item in _one(centre_m, starts[code]))
        along, aside = polyline.locate(point, *known[other], np.array([True]), FAR_M)
        if not abs(aside[0, 0]) <= plan.alignment_distance_m:
            raise ConfigError(_no_neighbour({code}, passes))
        zero[code] = along[0, 0] - line_frame[starts[code]]
        doubts.append(_beside_doubt(along[0, 0], known[other][1], passes[code], passes[other], plan))
        waiting.remove(code)
    return doubts


def _no_neighbour(codes: set[int], passes: tuple[Pass, ...]) -> str:
    names = ", ".join(passes[code].id for code in sorted(codes))
    return f"pass {names} has no [[mark]] and does not begin beside a pass that has one: state a mark for it"


def _lost_doubt(own: Pass) -> Doubt:
    text = f"pass {own.id} has neither a mark nor a position: it has no stations; state a mark for it"
    return Doubt("s4", "pass_without_station", text)


def _beside_doubt(along_m: float, station_m: np.ndarray, own: Pass, other: Pass, plan: StationPlan) -> Doubt:
    beyond = max(station_m[0] - along_m, along_m - station_m[-1], 0.0)
    text = (
        f"pass {own.id} has no mark: its first line was stationed at {plan.labels.text(along_m)} from "
        f"where it lies beside pass {other.id}"
    )
    text = tell(text + ", {beyond_m:.1f} beyond that pass's end", beyond_m=beyond) if beyond > 0 else text
    return Doubt("s4", "pass_without_mark", text + "; a mark of its own would be safer", float(beyond), "m")


def _first_placed(swath: Swath, code: int) -> int | None:
    rows = np.flatnonzero((swath.pass_code == code) & (swath.placed > 0))
    return int(rows[0]) if len(rows) else None


def _one(point_m: tuple[np.ndarray, np.ndarray], row: int) -> tuple[np.ndarray, np.ndarray]:
    return point_m[0][row : row + 1], point_m[1][row : row + 1]


def _path(
    code: int, zero: np.ndarray, line_frame: np.ndarray, swath: Swath, centre_m: tuple[np.ndarray, np.ndarray]
) -> tuple[tuple[np.ndarray, np.ndarray], np.ndarray] | None:
    """C's path of a stationed pass as a polyline, stations rising; None where it is too short to be one."""
    rows = np.flatnonzero((swath.pass_code == code) & (swath.placed > 0) & swath.first_look)
    if not len(rows):
        return None
    _, keep = np.unique(np.floor(line_frame[rows] / PATH_STEP_M), return_index=True)
    rows = rows[keep]
    station_m = zero[code] + line_frame[rows]
    return ((centre_m[0][rows], centre_m[1][rows]), station_m) if len(rows) > 1 else None


def _own_path_stations(
    swath: Swath,
    signs: np.ndarray,
    line_frame: np.ndarray,
    zero: np.ndarray,
    misclosure_m: float,
    doubts: tuple[Doubt, ...],
    plan: StationPlan,
) -> Stations:
    shape = swath.temp_c.shape
    in_pass = swath.pass_code >= 0
    seen = np.where(in_pass & (swath.placed > 0), line_frame, np.nan)
    sign = np.where(in_pass, signs[swath.pass_code], np.nan).astype(np.float32)
    frame = np.broadcast_to(seen[:, None], shape)
    return Stations(
        alignment=None,
        frame_m=frame,
        offset_m=sign[:, None] * swath.spot_right_m.astype(np.float32, copy=False),
        line_frame_m=line_frame,
        line_offset_m=np.where(in_pass, 0.0, np.nan),
        inside=_inside(frame, line_frame, zero, swath, plan),
        zero_m=zero,
        upstation=signs > 0,
        edges_offset_m=_edges(sign[:, None] * swath.edges_m, swath, len(signs)),
        misclosure_m=misclosure_m,
        doubts=doubts,
    )


# -------------------------------------------------------------------------------------------- alignment


def _by_alignment(
    swath: Swath, inputs: LotInputs, point_scale: float, sightings: tuple[_Sighting, ...], plan: StationPlan
) -> Stations:
    """Station all spots on the alignment; marks are checks."""
    road = inputs.alignment
    assert road is not None
    vertex_m = road.easting_m, road.northing_m
    _require_near(swath, vertex_m, road.name, plan)
    points = tuple(
        np.concatenate((centre[:, None], edge, spot), axis=1)
        for centre, edge, spot in zip(
            _centre_m(swath),
            (swath.edge_easting_m, swath.edge_northing_m),
            (swath.easting_m, swath.northing_m),
            strict=True,
        )
    )
    along, offset = polyline.locate(points, vertex_m, road.station_m, _restarts(swath), END_TOLERANCE_M)
    used = (swath.placed > 0) & (swath.pass_code >= 0)
    along[~used] = offset[~used] = np.nan
    _require_on_it(along[used, 0], road, plan)
    upstation = np.array(
        [_travel(code, along[:, 0], swath, inputs.passes, plan) for code in range(len(inputs.passes))]
    )
    line_frame = _through_gaps(along[:, 0], upstation, swath, point_scale, road)
    zero = np.zeros(len(inputs.passes))
    worst, doubts = _check_marks(sightings, line_frame, swath, point_scale, upstation, plan)
    return Stations(
        alignment=road.name,
        frame_m=along[:, 3:],
        offset_m=offset[:, 3:].astype(np.float32),
        line_frame_m=line_frame,
        line_offset_m=offset[:, 0],
        inside=_inside(along[:, 3:], line_frame, zero, swath, plan),
        zero_m=zero,
        upstation=upstation,
        edges_offset_m=_edges(offset[:, 1:3], swath, len(inputs.passes)),
        misclosure_m=worst,
        doubts=(*doubts, *_off_doubts(along[used, 0], road)),
    )


def _centre_m(swath: Swath) -> tuple[np.ndarray, np.ndarray]:
    """Easting and northing of C at each line, between the two ends of the mat."""
    left, right = swath.edges_m.T
    part = -left / (right - left)
    ends = swath.edge_easting_m, swath.edge_northing_m
    easting, northing = (end[:, 0] + part * (end[:, 1] - end[:, 0]) for end in ends)
    return easting, northing


def _restarts(swath: Swath) -> np.ndarray:
    """Lines that do not follow on the line before: another pass, or a long step."""
    changed = np.diff(swath.pass_code) != 0
    far = ~(np.abs(np.diff(swath.distance_m)) <= BREAK_M)
    return np.concatenate(([True], changed | far))


def _require_near(
    swath: Swath, vertex_m: tuple[np.ndarray, np.ndarray], name: str, plan: StationPlan
) -> None:
    """Raise MismatchError where the lot lies far from the alignment."""
    rows = np.flatnonzero((swath.placed > 0) & (swath.pass_code >= 0))
    if not len(rows):
        return
    sample = rows[np.linspace(0, len(rows) - 1, min(len(rows), 101)).astype(int)]
    centre = _centre_m(swath)
    distance_m = polyline.distance_to((centre[0][sample], centre[1][sample]), vertex_m)
    middle = float(np.median(distance_m))
    if not middle <= plan.alignment_distance_m:
        raise MismatchError(
            f'the mat lies {middle:.0f} m from alignment "{name}" (median); within '
            f"{plan.alignment_distance_m:g} m is expected: check that it is the right line, [crs] "
            "alignment, the order of its coordinates and their unit"
        )


def _require_on_it(along_m: np.ndarray, road: Alignment, plan: StationPlan) -> None:
    if len(along_m) and np.isnan(along_m).all():
        raise MismatchError(
            f'the whole lot lies beyond the ends of alignment "{road.name}", '
            f"{plan.labels.text(road.station_m[0])} to {plan.labels.text(road.station_m[-1])}: "
            "give a longer line"
        )


def _off_doubts(along_m: np.ndarray, road: Alignment) -> list[Doubt]:
    count = int(np.isnan(along_m).sum())
    if not count:
        return []
    text = (
        f'{count} of {len(along_m)} lines lie beyond the ends of alignment "{road.name}" and have no station'
    )
    return [Doubt("s4", "off_alignment", text + ": give a longer line to keep them", count, "")]


def _travel(
    code: int, along_m: np.ndarray, swath: Swath, passes: tuple[Pass, ...], plan: StationPlan
) -> bool:
    """Whether a pass runs upstation, as it travelled; the stated direction must agree."""
    known = along_m[(swath.pass_code == code) & swath.first_look & np.isfinite(along_m)]
    stated = passes[code].direction or plan.direction
    gained = float(known[-1] - known[0]) if len(known) > 1 else 0.0
    if abs(gained) < 1.0:
        return stated != "downstation"
    travelled = "upstation" if gained > 0 else "downstation"
    if stated not in (None, travelled):
        raise MismatchError(
            f"pass {passes[code].id} is stated {stated} but travelled {travelled}, from "
            f"{plan.labels.text(known[0])} to {plan.labels.text(known[-1])}: correct the direction, or turn "
            "the alignment (vertices run upstation)"
        )
    return gained > 0


def _through_gaps(
    along_m: np.ndarray, upstation: np.ndarray, swath: Swath, point_scale: float, road: Alignment
) -> np.ndarray:
    """Stations of C at all lines: those without a position follow from path distance within their pass."""
    frame = along_m.copy()
    for code in range(len(upstation)):
        rows = swath.pass_code == code
        known, missing = rows & np.isfinite(along_m), np.flatnonzero(rows & (swath.placed == 0))
        if known.any() and len(missing):
            rate = point_scale if upstation[code] else -point_scale
            frame[missing] = _over_distance(
                swath.distance_m[missing], swath.distance_m[known], along_m[known], rate
            )
    beyond = (frame < road.station_m[0] - END_TOLERANCE_M) | (frame > road.station_m[-1] + END_TOLERANCE_M)
    return np.where(beyond, np.nan, frame)


def _over_distance(
    wanted_m: np.ndarray, distance_m: np.ndarray, along_m: np.ndarray, rate: float
) -> np.ndarray:
    """Stations at path distances, between known ones or beyond them at `rate` metres a metre."""
    distance_m, first = np.unique(distance_m, return_index=True)
    along_m = along_m[first]
    beyond = wanted_m - np.clip(wanted_m, distance_m[0], distance_m[-1])
    return np.interp(wanted_m, distance_m, along_m) + rate * beyond


def _check_marks(
    sightings: tuple[_Sighting, ...],
    line_frame: np.ndarray,
    swath: Swath,
    point_scale: float,
    upstation: np.ndarray,
    plan: StationPlan,
) -> tuple[float, list[Doubt]]:
    """Worst difference of a mark from the alignment's station of its place, and doubts where too far."""
    worst, doubts = np.nan, []
    for item in sightings:
        known = (swath.pass_code == item.pass_code) & np.isfinite(line_frame) & np.isfinite(swath.distance_m)
        if not known.any():
            continue
        rate = point_scale if upstation[item.pass_code] else -point_scale
        place = np.array([item.distance_m])
        found = float(_over_distance(place, swath.distance_m[known], line_frame[known], rate)[0])
        off = item.station_m - found
        worst = off if np.isnan(worst) or abs(off) > abs(worst) else worst
        if abs(off) > MARK_TOLERANCE_M:
            text = tell(
                "{mark} lies at {label} of the alignment, {off_m:.2f} away: check the mark, the alignment's start "
                "and its frame",
                mark=item.name, label=plan.labels.text(found), off_m=abs(off),
            )  # fmt: skip
            doubts.append(Doubt("s4", "mark_off_alignment", text, off, "m"))
    return worst, doubts


def _edges(offset_m: np.ndarray, swath: Swath, count: int) -> np.ndarray:
    """Smallest and largest offset of the mat's ends, median over each pass; NaN where unknown."""
    edges = np.full((count, 2), np.nan)
    low, high = offset_m.min(axis=1), offset_m.max(axis=1)
    for code in range(count):
        rows = (swath.pass_code == code) & np.isfinite(low + high)
        if rows.any():
            edges[code] = np.median(low[rows]), np.median(high[rows])
    return edges


# ------------------------------------------------------------------------------------------------ limits


def _inside(
    frame_m: np.ndarray, line_frame_m: np.ndarray, zero_m: np.ndarray, swath: Swath, plan: StationPlan
) -> np.ndarray:
    """Whether each spot lies inside the lot's limits, half open; without limits all do."""
    low, high = plan.limits.from_, plan.limits.to
    if low is None and high is None:
        return np.broadcast_to(np.True_, frame_m.shape)
    if isinstance(low if low is not None else high, datetime):
        return np.broadcast_to(
            _between(swath.seen_utc, low and _utc(low), high and _utc(high))[:, None], frame_m.shape
        )
    zero = np.where(swath.pass_code >= 0, zero_m[swath.pass_code], np.nan)
    station = zero[:, None] + np.where(np.isfinite(frame_m), frame_m, line_frame_m[:, None])
    return _between(station, low, high)


def _between(values: np.ndarray, low: object, high: object) -> np.ndarray:
    inside = np.ones(values.shape, bool)
    if low is not None:
        inside &= values >= low
    if high is not None:
        inside &= values < high
    return inside
