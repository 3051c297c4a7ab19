"""One piece of the path: its fixes gathered, its knots laid, its motion solved."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..kernels import lever_arm, motion, odometry, sightings
from .logs import ANTENNA, Cut, Logs, Noise
from .plane import Plane
from .rigs import Rigs

SPAN_M, SPAN_S = 1.0, 12.0  # largest group of fixes
KNOT_STEP_M = 1.5  # widest step between knots
BY_WHEEL_M = 3.0  # a longer stretch without fixes is placed by wheel
COARSE = 5.0  # times the drift of the finest groups: these see no detail of the path
FINEST = 10.0  # percentile
NEAR_S, NEAR_SPAN_S = 8.0, 2.0  # around a start or stop, groups are shorter
SHORTEST_M = 2.0  # a shorter piece has no course
FEWEST = 4  # groups of fixes
NEW_GROUND_M = 0.02  # a fix this far behind the furthest one still counts: a counter trembles
HEIGHT_NOISE = 1.5  # vertical noise over horizontal (common practice, no source)


@dataclass(frozen=True, eq=False)
class Spots:
    """Groups of fixes of one piece, on new ground only; ground metres on the plane, UTC seconds."""

    wheel_m: np.ndarray
    wheel_sigma_m: np.ndarray
    time_s: np.ndarray
    lasting_s: np.ndarray
    quality: np.ndarray
    east_m: np.ndarray
    north_m: np.ndarray
    height_m: np.ndarray
    white_m: np.ndarray  # of the group's mean, one axis
    drift_m: np.ndarray  # as stated; the path's `Line` has what its fit bears out
    heading_rad: np.ndarray  # body on the grid, NaN = none
    heading_sigma_rad: np.ndarray
    antenna_m: np.ndarray  # (group, 3) forward, right, up from C
    cross_slope: np.ndarray  # (group) falling to the right of travel, NaN = not stated
    back_m: float  # C behind the non-slip point
    seen_m: tuple[float, float]  # wheel distance of the first and last fix
    ends_m: tuple[float, float]  # wheel distance of the piece's rows
    ends_s: tuple[float, float]  # and their times, UTC


@dataclass(frozen=True, eq=False)
class Piece:
    """A solved piece."""

    spots: Spots
    line: motion.Line
    seen: motion.Sightings
    arms: motion.Arms
    grade_sigma: np.ndarray  # (group)
    solved: motion.Motion


def gather(logs: Logs, offset_s: float, cut: Cut, plane: Plane, noise: Noise, rigs: Rigs) -> Spots | None:
    """Gather the fixes of one piece; None where it has no course, too few fixes, or no pass."""
    row_s, wheel = logs.row_s[cut.rows], logs.wheel_m[cut.rows]
    if cut.pass_code < 0 or len(row_s) < 2 or np.ptp(wheel) < SHORTEST_M:
        return None
    picked, place, spread = _on_new_ground(logs, offset_s, row_s, wheel)
    if len(place) < FEWEST or place[-1] - place[0] < SHORTEST_M:
        return None
    time, quality = logs.fix_s[picked], logs.fixes.quality[picked]
    span = _span(row_s, wheel, time + offset_s)
    kind = quality.astype(np.int32)
    for turn in np.searchsorted(time, rigs.turns_s(*ANTENNA, "heading_offset_deg")):
        kind[turn:] += 16
    first = sightings.gather(place, time, kind, SPAN_M, span)
    if len(first) < FEWEST:
        return None
    last = np.append(first[1:], len(place)) - 1
    lon, lat, height, white, drift, mean_place, mean_spread, mean_time = sightings.means(
        first, _unwrapped(logs.fixes.lon_deg[picked]), logs.fixes.lat_deg[picked],
        logs.fixes.height_m[picked], noise.white_m[picked], noise.drift_m[picked], place, spread, time,
    )  # fmt: skip
    east, north = plane.from_degrees((lon + 180.0) % 360.0 - 180.0, lat)
    body_deg = logs.fixes.heading_deg[picked] - rigs.value("heading_offset_deg", time)
    heading, heading_sigma = _sensor(body_deg, first, plane)
    return Spots(
        wheel_m=mean_place,
        wheel_sigma_m=mean_spread * np.sqrt(_groups_at_one_place(mean_place)),
        time_s=mean_time,
        lasting_s=time[last] - time[first],
        quality=quality[first],
        east_m=east,
        north_m=north,
        height_m=height,
        white_m=white / np.sqrt(last - first + 1.0),
        drift_m=drift,
        heading_rad=heading,
        heading_sigma_rad=heading_sigma,
        antenna_m=np.column_stack([rigs.value(name, time[first]) for name in ANTENNA]),
        cross_slope=rigs.value("cross_slope_frac", time[first]),
        back_m=float(rigs.value("non_slip_forward_m", time[first[:1]])[0]),
        seen_m=(float(place[0]), float(place[-1])),
        ends_m=(float(wheel.min()), float(wheel.max())),
        ends_s=(float(row_s[0]) - offset_s, float(row_s[-1]) - offset_s),
    )


def solve_roughly(spots: Spots, noise: Noise) -> Piece:
    """Solve to a few centimetres with usual habits on level ground, from a smooth curve through the fixes."""
    level = replace(spots, height_m=np.full(len(spots.height_m), np.nan))
    line, seen, arms, grade_sigma = _set_up(level, noise)
    start = np.zeros((motion.STATES, len(line.wheel_m)))
    start[:3] = _first_guess(line, spots)
    solved = motion.solve_motion(line, seen, arms, motion.Habits(), start, close_m=0.02)
    return Piece(spots, line, seen, arms, grade_sigma, solved)


def solve_well(spots: Spots, noise: Noise, rough: Piece) -> Piece:
    """Solve with the habits of highest likelihood, from a rough solution."""
    line, seen, arms, grade_sigma = _set_up(spots, noise)
    start = rough.solved.state
    habits = motion.choose_habits(line, seen, arms, motion.Habits(), start)
    solved = motion.solve_motion(line, seen, arms, habits, start)
    return Piece(spots, line, seen, arms, grade_sigma, solved)


def _first_guess(line: motion.Line, spots: Spots) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Smooth curve through the fixes; those of an antenna that was moved are first brought to where it was."""
    east, north = spots.east_m, spots.north_m
    forward, right = (spots.antenna_m[:, :2] - spots.antenna_m[0, :2]).T
    guess = sightings.first_guess(line.wheel_m, spots.wheel_m, east, north)
    if not (forward.any() or right.any()):
        return guess
    course = np.interp(spots.wheel_m, line.wheel_m, guess[2])
    east, north = lever_arm.offset_point(east, north, course, -forward, -right)
    return sightings.first_guess(line.wheel_m, spots.wheel_m, east, north)


def lean_of(spots: Spots) -> np.ndarray:
    """How far a cross slope that nobody stated may put the antenna aside, one sigma, (group) metres."""
    return np.where(np.isnan(spots.cross_slope), lever_arm.CROSS_SLOPE * spots.antenna_m[:, 2], 0.0)


def solve_near(spots: Spots, noise: Noise, before: Piece) -> Piece:
    """Solve with the habits of a solution at a slightly other clock offset, from that solution."""
    line, seen, arms, grade_sigma = _set_up(spots, noise)
    start = np.stack([np.interp(line.wheel_m, before.line.wheel_m, row) for row in before.solved.state])
    solved = motion.solve_motion(line, seen, arms, before.solved.habits, start)
    return Piece(spots, line, seen, arms, grade_sigma, solved)


def drift_of(piece: Piece) -> np.ndarray:
    """Fix less path, drift not taken off, (group, 2) along and across the body, metres."""
    state = piece.solved.state[:, piece.seen.knot]
    heading = state[motion.COURSE] + state[motion.CRAB]
    sine, cosine = np.sin(heading), np.cos(heading)
    drift_m = piece.line.drift_m[piece.seen.knot]
    east, north = drift_m * state[motion.DRIFT_E], drift_m * state[motion.DRIFT_N]
    drift = np.column_stack([east * sine + north * cosine, east * cosine - north * sine])
    return piece.solved.residual_m + drift


def _set_up(spots: Spots, noise: Noise) -> tuple[motion.Line, motion.Sightings, motion.Arms, np.ndarray]:
    """Knots, sightings and arms of a piece; the sigma of its grade."""
    line, knot = _lay_knots(spots, noise)
    seen = motion.Sightings(
        knot=knot,
        east_m=spots.east_m,
        north_m=spots.north_m,
        white_m=np.maximum(spots.white_m, 1e-3),
        along_m=spots.wheel_sigma_m,
        speed_mps=np.gradient(spots.wheel_m, spots.time_s),
        heading_rad=spots.heading_rad,
        heading_sigma_rad=spots.heading_sigma_rad,
    )
    return line, seen, *_arms(spots, noise)


def _unwrapped(lon_deg: np.ndarray) -> np.ndarray:
    """Longitudes without the step at the antimeridian."""
    if np.ptp(lon_deg) < 180.0:
        return lon_deg
    return lon_deg[0] + (lon_deg - lon_deg[0] + 180.0) % 360.0 - 180.0


def _on_new_ground(
    logs: Logs, offset_s: float, row_s: np.ndarray, wheel: np.ndarray
) -> tuple[np.ndarray | slice, np.ndarray, np.ndarray]:
    """Fixes taken while the paver advanced or stood at its furthest; wheel distance and its sigma."""
    begin = np.searchsorted(logs.fix_s, row_s[0] - offset_s)
    end = np.searchsorted(logs.fix_s, row_s[-1] - offset_s, side="right")
    if end - begin < FEWEST:
        return slice(0, 0), np.zeros(0), np.zeros(0)
    scan_s = np.clip(logs.fix_s[begin:end] + offset_s, row_s[0], row_s[-1])
    place, spread = odometry.distance_at(row_s, wheel, scan_s)
    furthest = np.maximum.accumulate(place)
    new = (place >= furthest - NEW_GROUND_M) & ~logs.away[begin:end]
    if new.all():
        return slice(begin, end), furthest, spread
    return np.flatnonzero(new) + begin, furthest[new], spread[new]


def _groups_at_one_place(place: np.ndarray) -> np.ndarray:
    """How many groups share each group's place: within a pause their wheel error is one and the same."""
    fresh = np.concatenate([[True], np.diff(place) > 0])
    return np.bincount(np.cumsum(fresh) - 1)[np.cumsum(fresh) - 1]


def _span(row_s: np.ndarray, wheel: np.ndarray, scan_s: np.ndarray) -> np.ndarray:
    """Longest time of a group: short where the paver starts or stops, for that is what tells the clocks."""
    edges = np.sort(np.concatenate([row_s[part] for part in odometry.runs_between_pauses(row_s, wheel)]))
    span = np.full(len(scan_s), SPAN_S)
    for begin, end in np.searchsorted(scan_s, np.column_stack([edges - NEAR_S, edges + NEAR_S])):
        span[begin:end] = NEAR_SPAN_S
    return span


def _sensor(heading_deg: np.ndarray, first: np.ndarray, plane: Plane) -> tuple[np.ndarray, np.ndarray]:
    """Body headings on the grid from true ones of a two-antenna sensor, NaN where none, and their sigma, radians.

    White noise is measured between neighbours; a third of it is taken to stay in a mean of many.
    """
    has = np.isfinite(heading_deg)
    if not has.any():
        return np.full(len(first), np.nan), np.ones(len(first))
    grid = np.radians(heading_deg - plane.convergence_deg)
    count = np.add.reduceat(has.astype(float), first)
    east, north = (np.add.reduceat(np.where(has, part, 0.0), first) for part in (np.sin(grid), np.cos(grid)))
    heading = np.where(count > 0, np.arctan2(east, north), np.nan)
    step = np.diff(np.unwrap(grid[has]))
    white = sightings.spread(step) / np.sqrt(2.0) if len(step) else np.radians(0.5)
    white = max(white, float(np.radians(0.02)))
    return heading, white * np.sqrt(1.0 / np.maximum(count, 1.0) + 1.0 / 9.0)


def _lay_knots(spots: Spots, noise: Noise) -> tuple[motion.Line, np.ndarray]:
    """Knots at every group, at both ends of the rows and between groups far apart; the groups' own knots."""
    place, time = spots.wheel_m, spots.time_s
    base = np.concatenate([[min(spots.ends_m[0], place[0])], place, [max(spots.ends_m[1], place[-1])]])
    base_s = np.concatenate([[min(spots.ends_s[0], time[0])], time, [max(spots.ends_s[1], time[-1])]])
    steps = np.maximum(np.ceil(np.diff(base) / KNOT_STEP_M).astype(np.int64), 1)
    at = np.concatenate([[0], np.cumsum(steps)])
    every = np.arange(at[-1] + 1)
    wheel, knot_s = np.interp(every, at, base), np.interp(every, at, base_s)
    group = np.clip(np.searchsorted(at, every, side="right") - 2, 0, len(place) - 1)
    quality = spots.quality[group]
    same = quality[1:] == quality[:-1]
    memory = np.exp(-np.diff(knot_s) / noise.memory_s[quality[1:]]) * same
    apart = np.repeat(_apart(base, spots), steps)
    unseen = np.where(apart > longest_seen_m(place), np.diff(wheel), 0.0)
    drift_m = noise.borne_out[quality] * spots.drift_m[group]
    return motion.Line(wheel, drift_m, memory, unseen), at[1:-1]


def _apart(base: np.ndarray, spots: Spots) -> np.ndarray:
    """Way between the fine groups on either side of each step between groups and ends of rows, metres.

    Among fixed fixes float ones say nothing of what a wheel or a driver does within a few metres.
    """
    fine = spots.drift_m <= COARSE * np.percentile(spots.drift_m, FINEST)
    fine = np.concatenate([[True], fine, [True]])
    return np.diff(base[fine])[np.cumsum(fine)[:-1] - 1]


def longest_seen_m(places_m: np.ndarray) -> float:
    """Longest way between neighbouring fixes that counts as seen, metres; `places_m` (group) not falling."""
    moved = np.diff(places_m)
    moved = moved[moved > 0]
    return max(BY_WHEEL_M, 5.0 * float(np.median(moved))) if len(moved) else BY_WHEEL_M


def _arms(spots: Spots, noise: Noise) -> tuple[motion.Arms, np.ndarray]:
    """Horizontal arms of the antenna on the grade its heights show, and that grade's sigma."""
    same = np.diff(spots.quality) == 0
    memory = np.exp(-np.diff(spots.time_s) / noise.memory_s[spots.quality[1:]]) * same
    white = np.maximum(HEIGHT_NOISE * spots.white_m, 2e-3)
    raised_m = spots.antenna_m[:, 2] - spots.antenna_m[0, 2]
    drift = HEIGHT_NOISE * noise.borne_out[spots.quality] * spots.drift_m
    grade, sigma = lever_arm.smooth_grade(spots.wheel_m, spots.height_m - raised_m, white, drift, memory)
    forward, right = lever_arm.tilted_arm(*spots.antenna_m.T, grade, np.nan_to_num(spots.cross_slope))
    return motion.Arms(forward - spots.back_m, right, spots.back_m), sigma
