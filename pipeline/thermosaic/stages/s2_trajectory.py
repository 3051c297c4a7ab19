"""Solve the paver's path: fixes and wheel in, places by distance with their sigmas out.

The path is solved in ground metres on a local plane, as a function of wheel distance, one piece at a
time; a piece is a stated pass, cut where the machine moved while the logger was off. Limits of the lot
play no part here, so logs cut into two lots share their path.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import datum
from ..errors import InputError, MismatchError
from ..kernels import clocks, lever_arm, motion, odometry, sightings
from ..model import QUALITIES, Doubt, Fixes, LotInputs, Trajectory

if TYPE_CHECKING:
    import pyproj

    from ..config import AcceptSection, CrsSection, RigSection

SPAN_M, SPAN_S = 1.0, 8.0  # largest sighting
MEMORY_S = 60.0  # of GNSS drift, until it is measured
BY_WHEEL_M = 3.0  # a longer stretch without fixes is placed by wheel
SHORTEST_PIECE_M = 2.0  # a shorter one has no course
CLOCK_TRUST = 0.1  # least contrast of the speeds' correlation
CLOCK_SIGMA_S = 0.3  # a clock offset known no better is not applied
EARTH_M = 6_371_000.0


@dataclass(frozen=True, eq=False)
class _Plane:
    """Ground metres on a local plane, and the way to the map."""

    crs: pyproj.CRS
    operation: datum.Operation
    easting_m: float
    northing_m: float
    grid_per_ground: float
    convergence_deg: float

    def from_degrees(self, lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        easting, northing = self.operation.forward(lon, lat)
        return (easting - self.easting_m) / self.grid_per_ground, (
            northing - self.northing_m
        ) / self.grid_per_ground

    def to_map(self, east: np.ndarray, north: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return self.easting_m + self.grid_per_ground * east, self.northing_m + self.grid_per_ground * north


@dataclass(frozen=True, eq=False)
class _Noise:
    """How noisy each fix is, one axis, and how long its drift lasts, by quality."""

    white_m: np.ndarray  # (fix)
    drift_m: np.ndarray  # (fix)
    memory_s: np.ndarray  # (quality)


@dataclass(frozen=True, eq=False)
class _Log:
    """The logs on one time axis: seconds after `origin`, wheel on the scan clock, fixes in UTC."""

    origin: np.datetime64
    row_s: np.ndarray
    wheel_m: np.ndarray  # turned round where the counter rose in a back-up
    fixes: Fixes
    fix_s: np.ndarray
    flat_m: np.ndarray  # (fix, 2) rough local metres: for comparing motion only


@dataclass(frozen=True)
class _Cut:
    """Rows that are solved together, and their pass (-1 = none, not solved)."""

    rows: slice
    pass_code: int


@dataclass(frozen=True, eq=False)
class _Piece:
    """One solved piece."""

    line: motion.Line
    seen: motion.Sightings
    arms: motion.Arms
    time_s: np.ndarray  # (sighting) UTC
    quality: np.ndarray  # (sighting)
    drift_m: np.ndarray  # (sighting)
    grade_sigma: np.ndarray  # (sighting)
    solved: motion.Motion


@dataclass(frozen=True)
class _Clock:
    """Scan clock less UTC."""

    offset_s: float
    sigma_s: float = float("nan")
    estimate_s: float = float("nan")
    estimate_sigma_s: float = float("nan")
    doubts: tuple[Doubt, ...] = field(default_factory=tuple)


def solve_trajectory(
    inputs: LotInputs, crs: CrsSection, rig: RigSection, accept: AcceptSection
) -> Trajectory:
    """Solve the path of C, the point of the mat below the scanner.

    Parameters
    ----------
    inputs : LotInputs
        Fixes, wheel and passes are used.
    crs : CrsSection
        Frames of the fixes and of the map.
    rig : RigSection
        Lever arms, clock offset, sigmas.
    accept : AcceptSection
        When to stop.

    Raises
    ------
    ConfigError
        No operation of known accuracy between the two frames.
    InputError
        Too many autonomous fixes, or none that place anything.
    MismatchError
        Fixes and wheel are of different times, or disagree on the distance.
    """
    plane = _plane(inputs.fixes, crs)
    sigma_m, doubts = _fix_sigma(inputs.fixes, rig)
    doubts += _quality_doubts(inputs.fixes, accept)
    log = _align(inputs)
    clock = _first_clock(log, rig)
    log = _turn_backups(log, clock.offset_s, sigma_m)
    _compare_distance(log, clock.offset_s, sigma_m, accept)
    noise = _first_noise(log, sigma_m)
    cuts = _cut_pieces(log, clock.offset_s, inputs, sigma_m)
    pieces, noise = _solve_pieces(log, clock.offset_s, cuts, plane, noise, rig)
    clock, pieces = _refine_clock(log, clock, cuts, plane, noise, rig, pieces)
    return _assemble(log, clock, pieces, cuts, plane, noise, inputs, rig, accept, doubts)


# ------------------------------------------------------------------------------------------ frames, noise


def _plane(fixes: Fixes, crs: CrsSection) -> _Plane:
    """Pin the operation at the middle of the fixes and measure the grid there."""
    if len(fixes.time_utc) == 0:
        raise InputError("the log holds no usable fix: nothing can be placed")
    middle = (float(np.median(fixes.lon_deg)), float(np.median(fixes.lat_deg)))
    operation = datum.pin_operation(
        crs.fixes, crs.map, crs.accuracy_m, crs.epoch, crs.accept_ensemble, where=middle
    )
    target = datum.map_crs(crs.map)
    easting, northing = (float(value) for value in operation.forward(*middle))
    lon, lat = datum.own_lon_lat(target, easting / operation.unit_m, northing / operation.unit_m)
    height = fixes.height_m[np.isfinite(fixes.height_m)]
    elevation = EARTH_M / (EARTH_M + float(np.median(height))) if len(height) else 1.0
    return _Plane(
        target,
        operation,
        round(easting),
        round(northing),
        datum.point_scale(target, lon, lat) * elevation,
        datum.convergence_deg(target, lon, lat),
    )


def _fix_sigma(fixes: Fixes, rig: RigSection) -> tuple[np.ndarray, tuple[Doubt, ...]]:
    """Sigma of each fix: as logged, else by quality, which is a doubt."""
    by_quality = np.array(
        [
            np.nan,
            rig.fix_sigma.autonomous_m,
            rig.fix_sigma.differential_m,
            rig.fix_sigma.fixed_m,
            rig.fix_sigma.float_m,
        ]
    )
    unstated = ~(fixes.sigma_m > 0)
    sigma = np.where(unstated, by_quality[fixes.quality], fixes.sigma_m)
    if not unstated.any():
        return np.maximum(sigma, 0.002), ()
    share = float(unstated.mean())
    text = (
        f"{100 * share:.0f} % of the fixes state no accuracy of their own: the sigmas of [rig] fix_sigma by fix "
        "quality stand in for them; log GST or a sigma column to do better"
    )
    return np.maximum(sigma, 0.002), (Doubt("s2", "sigma_by_quality", text, share, "share"),)


def _quality_doubts(fixes: Fixes, accept: AcceptSection) -> tuple[Doubt, ...]:
    """Stop on too many autonomous fixes; name fewer."""
    share = float((fixes.quality == QUALITIES.index("autonomous")).mean())
    if share > accept.autonomous_frac:
        raise InputError(
            f"fixes: {100 * share:.0f} % are autonomous (metres off), [accept] autonomous_frac allows "
            f"{100 * accept.autonomous_frac:.0f} %: check the correction link, or raise that limit knowingly"
        )
    if share == 0:
        return ()
    text = f"{100 * share:.1f} % of the fixes are autonomous: check the correction link at those times"
    return (Doubt("s2", "autonomous_fixes", text, share, "share"),)


def _align(inputs: LotInputs) -> _Log:
    """Bring both logs to seconds after one origin, and fixes to rough local metres."""
    fixes, wheel = inputs.fixes, inputs.wheel
    if len(wheel.time_utc) < 2:
        raise InputError("the wheel log holds fewer than two rows: nothing can be placed")
    origin = min(wheel.time_utc[0], fixes.time_utc[0])
    lat, lon = float(np.median(fixes.lat_deg)), float(np.median(fixes.lon_deg))
    turn = (fixes.lon_deg - lon + 180.0) % 360.0 - 180.0
    flat = np.column_stack(
        [np.radians(turn) * np.cos(np.radians(lat)) * 6_388_000.0, np.radians(fixes.lat_deg - lat) * EARTH_M]
    )
    return _Log(
        origin,
        _seconds(wheel.time_utc, origin),
        wheel.wheel_m.copy(),
        fixes,
        _seconds(fixes.time_utc, origin),
        flat,
    )


def _seconds(time_utc: np.ndarray, origin: np.datetime64) -> np.ndarray:
    return (time_utc - origin).astype(np.int64) * 1e-9


def _first_noise(log: _Log, sigma_m: np.ndarray) -> _Noise:
    """Split each fix's sigma into what changes from fix to fix, as measured, and the rest, which drifts."""
    white = np.zeros(len(sigma_m))
    for code in np.unique(log.fixes.quality):
        same = log.fixes.quality == code
        seen = sightings.white_sigma(log.flat_m[same, 0], log.flat_m[same, 1], log.fix_s[same])
        white[same] = seen if np.isfinite(seen) else 0.5 * float(np.median(sigma_m[same]))
    white = np.minimum(white, sigma_m)
    drift = np.sqrt(np.maximum(sigma_m**2 - white**2, (0.1 * sigma_m) ** 2))
    return _Noise(white, drift, np.full(len(QUALITIES), MEMORY_S))


# ------------------------------------------------------------------------------------------ clock, wheel


def _first_clock(log: _Log, rig: RigSection) -> _Clock:
    """Compare the clocks to a second; stop where stated ones share no time."""
    stated = 0.0 if rig.clock_offset_s == "auto" else float(rig.clock_offset_s)
    overlap = min(log.row_s[-1] - stated, log.fix_s[-1]) - max(log.row_s[0] - stated, log.fix_s[0])
    if overlap <= 0:
        apart = log.row_s[0] - stated - log.fix_s[0]
        raise MismatchError(
            f"scan and fixes share no time: the scan log begins {apart:+.0f} s from the first fix "
            f"({clocks.name_offset(apart, 1800) or 'not a whole number of hours'}); expected logs of one shift"
        )
    step = max(1, len(log.fix_s) // 200_000)
    found, trust = clocks.coarse_offset(
        log.row_s, log.wheel_m, log.fix_s[::step], log.flat_m[::step], around_s=stated
    )
    if trust < CLOCK_TRUST:
        return _Clock(stated)
    if rig.clock_offset_s == "auto":
        return _Clock(found, estimate_s=found, estimate_sigma_s=1.0)
    return _Clock(stated, estimate_s=found, estimate_sigma_s=1.0)


def _turn_backups(log: _Log, offset_s: float, sigma_m: np.ndarray) -> _Log:
    """Turn the counter round where it rose while the fixes went back."""
    sign = odometry.direction_of_runs(log.row_s, log.wheel_m, log.fix_s + offset_s, log.flat_m, sigma_m)
    if (sign > 0).all():
        return log
    wheel = log.wheel_m[0] + np.concatenate([[0.0], np.cumsum(np.diff(log.wheel_m) * sign)])
    return replace(log, wheel_m=wheel)


def _compare_distance(log: _Log, offset_s: float, sigma_m: np.ndarray, accept: AcceptSection) -> None:
    """Stop where wheel and fixes disagree grossly, naming what that usually means."""
    window = max(60.0, (log.fix_s[-1] - log.fix_s[0]) / 2000)
    edges = np.arange(log.fix_s[0], log.fix_s[-1], window)
    place = np.column_stack([np.interp(edges, log.fix_s, axis) for axis in log.flat_m.T])
    wheel = np.interp(edges + offset_s, log.row_s, log.wheel_m, left=np.nan, right=np.nan)
    inside = np.isfinite(wheel[1:]) & np.isfinite(wheel[:-1])
    chord = np.hypot(*np.diff(place, axis=0).T)[inside]
    turned = np.diff(wheel)[inside]
    sigma = float(np.median(sigma_m))
    gnss = float(chord[chord > 6 * sigma + 0.5].sum())
    counted = float(turned.sum())
    least = max(20.0, 40 * sigma)
    if max(gnss, abs(counted)) < least:
        return
    if counted < -0.5 * gnss:
        raise MismatchError(
            f"the wheel counts backwards ({counted:.0f} m) while the fixes go on ({gnss:.0f} m): "
            "the counter's sign or the wheel's mounting is reversed"
        )
    if counted < 0.05 * gnss:
        raise MismatchError(
            f"the wheel stands still ({counted:.1f} m) while the fixes move {gnss:.0f} m: check the wheel"
        )
    if gnss < 0.05 * counted:
        raise MismatchError(
            f"the fixes stand still ({gnss:.1f} m) while the wheel turns {counted:.0f} m: check the receiver"
        )
    if not 0.7 < gnss / counted < 1.4:
        raise MismatchError(_scale_message(gnss / counted, accept))


def _scale_message(ratio: float, accept: AcceptSection) -> str:
    """Name a scale between wheel and GNSS."""
    known = {
        10.0: "a factor of ten",
        0.1: "a factor of ten",
        0.3048: "feet read as metres",
        1 / 0.3048: "metres read as feet",
    }
    near = [words for value, words in known.items() if abs(ratio / value - 1) < 0.1]
    cause = f" ({near[0]})" if near else ""
    return (
        f"the fixes move {ratio:.4g} m for each metre of the wheel{cause}: [accept] wheel_gnss_frac allows "
        f"{accept.wheel_gnss_frac:g} off 1; check wheel_per_count, the tyre and the wheel's contact"
    )


def _pass_of_rows(log: _Log, offset_s: float, inputs: LotInputs) -> np.ndarray:
    """Code of the pass of each row, -1 = none."""
    utc_s = log.row_s - offset_s
    code = np.full(len(utc_s), -1, np.int16)
    for index, item in enumerate(inputs.passes):
        inside = np.ones(len(utc_s), bool)
        if item.from_utc is not None:
            inside &= utc_s >= float(_seconds(np.array([item.from_utc], "M8[ns]"), log.origin)[0])
        if item.to_utc is not None:
            inside &= utc_s < float(_seconds(np.array([item.to_utc], "M8[ns]"), log.origin)[0])
        code[inside & (code < 0)] = index
    return code


def _cut_pieces(log: _Log, offset_s: float, inputs: LotInputs, sigma_m: np.ndarray) -> tuple[_Cut, ...]:
    """Rows of each piece: a pass, cut where the fixes moved far more than the wheel over a pause of the log."""
    code = _pass_of_rows(log, offset_s, inputs)
    cut = np.diff(code) != 0
    for row in np.flatnonzero(np.diff(log.row_s) > 30.0):
        before = np.searchsorted(log.fix_s, log.row_s[row] - offset_s)
        after = np.searchsorted(log.fix_s, log.row_s[row + 1] - offset_s)
        if before < 1 or after >= len(log.fix_s):
            continue
        ends = [
            np.median(log.flat_m[max(before - 10, 0) : before], axis=0),
            np.median(log.flat_m[after : after + 10], axis=0),
        ]
        moved = float(np.hypot(*(ends[1] - ends[0])))
        sigma = float(max(sigma_m[before - 1], sigma_m[after]))
        cut[row] |= moved - abs(log.wheel_m[row + 1] - log.wheel_m[row]) > max(3.0, 6.0 * sigma)
    edges = np.concatenate([[0], np.flatnonzero(cut) + 1, [len(code)]])
    return tuple(
        _Cut(slice(int(a), int(b)), int(code[a])) for a, b in zip(edges[:-1], edges[1:], strict=True)
    )


# ------------------------------------------------------------------------------------------ the path


def _solve_pieces(
    log: _Log, offset_s: float, cuts: tuple[_Cut, ...], plane: _Plane, noise: _Noise, rig: RigSection
) -> tuple[tuple[_Piece | None, ...], _Noise]:
    """Solve once to measure the drift's memory, then with the steering the logs ask for."""
    rough = [_solve_piece(log, offset_s, cut, plane, noise, rig, rough=True) for cut in cuts]
    noise = _measure_noise([piece for piece in rough if piece is not None], noise)
    starts = [None if piece is None else piece.solved.state for piece in rough]
    pieces = tuple(
        _solve_piece(log, offset_s, cut, plane, noise, rig, start)
        for cut, start in zip(cuts, starts, strict=True)
    )
    return pieces, noise


def _solve_piece(
    log: _Log,
    offset_s: float,
    cut: _Cut,
    plane: _Plane,
    noise: _Noise,
    rig: RigSection,
    start: np.ndarray | None = None,
    rough: bool = False,
    habits: motion.Habits | None = None,
) -> _Piece | None:
    """Solve one piece, or give None where it has no course or no fixes."""
    row_s, wheel = log.row_s[cut.rows], log.wheel_m[cut.rows]
    if cut.pass_code < 0 or len(row_s) < 2 or wheel.max() - wheel.min() < SHORTEST_PIECE_M:
        return None
    picked, distance, along = _fixes_on_new_ground(log, offset_s, row_s, wheel)
    if len(picked) < 4 or distance[-1] - distance[0] < SHORTEST_PIECE_M:
        return None
    first = sightings.gather(distance, log.fix_s[picked], log.fixes.quality[picked], SPAN_M, SPAN_S)
    mean = lambda values: sightings.means(first, values)[0]  # noqa: E731
    time, place = mean(log.fix_s[picked]), mean(distance)
    count = np.diff(np.append(first, len(picked)))
    quality = log.fixes.quality[picked][first]
    east, north = plane.from_degrees(
        _mean_lon(log.fixes.lon_deg[picked], first), mean(log.fixes.lat_deg[picked])
    )
    white, drift = mean(noise.white_m[picked]) / np.sqrt(count), mean(noise.drift_m[picked])
    line, knot = _knots(wheel, row_s, offset_s, place, time, quality, drift, noise)
    heading, turn = _sensor(log.fixes.heading_deg[picked], first, plane, rig)
    seen = motion.Sightings(
        knot=knot,
        east_m=east,
        north_m=north,
        white_m=np.maximum(white, 1e-3),
        along_m=mean(along),
        speed_mps=_sighting_speed(log.fix_s[picked], distance, first),
        heading_rad=heading,
        heading_sigma_rad=turn,
    )
    memory = np.exp(-np.diff(time) / noise.memory_s[quality[1:]]) * (np.diff(quality) == 0)
    grade, grade_sigma = lever_arm.smooth_grade(
        place, mean(log.fixes.height_m[picked]), np.maximum(1.5 * white, 2e-3), 1.5 * drift, memory
    )
    forward, right = lever_arm.tilted_arm(rig.antenna_forward_m, rig.antenna_right_m, rig.antenna_up_m, grade)
    arms = motion.Arms(
        forward - rig.non_slip_forward_m, np.full(len(place), 1.0) * right, rig.non_slip_forward_m
    )
    if start is None:
        start = np.zeros((len(line.wheel_m), motion.STATES))
        start[:, :3] = np.column_stack(sightings.first_guess(line.wheel_m, place, east, north))
    solve = motion.solve_motion if rough or habits is not None else motion.choose_steering
    solved = solve(line, seen, arms, habits or motion.Habits(), start)
    return _Piece(line, seen, arms, time, quality, drift, grade_sigma, solved)


def _mean_lon(lon_deg: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Mean longitude of each sighting, across the antimeridian too."""
    base = lon_deg[0]
    turn = (lon_deg - base + 180.0) % 360.0 - 180.0
    return (base + sightings.means(first, turn)[0] + 180.0) % 360.0 - 180.0


def _fixes_on_new_ground(
    log: _Log, offset_s: float, row_s: np.ndarray, wheel: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fixes of a piece taken while it advanced or stood at its furthest, with their wheel distance."""
    scan_s = log.fix_s + offset_s
    begin, end = np.searchsorted(scan_s, row_s[0]), np.searchsorted(scan_s, row_s[-1], side="right")
    distance, sigma = odometry.distance_at(row_s, wheel, scan_s[begin:end])
    if len(distance) == 0:
        return np.zeros(0, np.int64), distance, sigma
    furthest = np.maximum.accumulate(distance)
    new = distance >= furthest - 0.02
    return np.flatnonzero(new) + begin, furthest[new], sigma[new]


def _sighting_speed(time_s: np.ndarray, distance: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Mean wheel speed over each sighting, to its next neighbour's first fix."""
    edge_t = np.append(time_s[first], time_s[-1])
    edge_d = np.append(distance[first], distance[-1])
    return np.diff(edge_d) / np.maximum(np.diff(edge_t), 1e-3)


def _sensor(
    heading_deg: np.ndarray, first: np.ndarray, plane: _Plane, rig: RigSection
) -> tuple[np.ndarray, np.ndarray]:
    """Body headings on the grid from a two-antenna sensor, radians, NaN where none, and their sigma."""
    has = np.isfinite(heading_deg)
    if not has.any():
        return np.full(len(first), np.nan), np.full(len(first), 1.0)
    grid = np.radians(heading_deg - rig.heading_offset_deg - plane.convergence_deg)
    count = np.add.reduceat(has.astype(float), first)
    total = [np.add.reduceat(np.where(has, part, 0.0), first) for part in (np.sin(grid), np.cos(grid))]
    heading = np.where(count > 0, np.arctan2(total[0], total[1]), np.nan)
    step = np.diff(np.unwrap(grid[has]))
    white = max(sightings.spread(step) / np.sqrt(2.0), np.radians(0.02)) if len(step) else np.radians(0.5)
    return heading, np.sqrt(white**2 / np.maximum(count, 1.0) + (white / 3.0) ** 2)


def _knots(
    wheel: np.ndarray,
    row_s: np.ndarray,
    offset_s: float,
    place: np.ndarray,
    time: np.ndarray,
    quality: np.ndarray,
    drift: np.ndarray,
    noise: _Noise,
) -> tuple[motion.Line, np.ndarray]:
    """Knots at every sighting, at both ends, and at least every metre between."""
    ends = np.array([wheel.min(), wheel.max()])
    base = np.concatenate([[min(ends[0], place[0])], place, [max(ends[1], place[-1])]])
    base_t = np.concatenate(
        [[min(row_s[0] - offset_s, time[0])], time, [max(row_s[-1] - offset_s, time[-1])]]
    )
    more = np.maximum(np.ceil(np.diff(base) / SPAN_M).astype(np.int64) - 1, 0)
    segment = np.repeat(np.arange(len(more)), more)
    share = (np.arange(len(segment)) - np.repeat(np.cumsum(more) - more, more) + 1.0) / (more[segment] + 1.0)
    extra = base[segment] + share * np.diff(base)[segment]
    extra_t = base_t[segment] + share * np.diff(base_t)[segment]
    source = np.concatenate(
        [[0], np.arange(len(place)), [len(place) - 1], np.clip(segment, 0, len(place) - 1)]
    )
    rank = np.concatenate([np.arange(len(base), dtype=float), segment + 0.5])
    order = np.argsort(rank, kind="stable")
    knot_m, knot_t, source = (
        np.concatenate([base, extra])[order],
        np.concatenate([base_t, extra_t])[order],
        source[order],
    )
    inverse = np.empty(len(order), np.int64)
    inverse[order] = np.arange(len(order))
    same = quality[source[1:]] == quality[source[:-1]]
    memory = np.exp(-np.abs(np.diff(knot_t)) / noise.memory_s[quality[source[1:]]]) * same
    return motion.Line(knot_m, drift[source], memory), inverse[1 : len(place) + 1]


def _measure_noise(pieces: list[_Piece], noise: _Noise) -> _Noise:
    """Measure how long the drift of each fix quality lasts."""
    memory = noise.memory_s.copy()
    for code in range(1, len(QUALITIES)):
        parts = []
        for piece in pieces:
            same = (piece.quality == code) & (piece.solved.weight > 0.3)
            if same.sum() >= 20:
                total = piece.solved.residual_m + _drift_along_across(piece)
                found = sightings.memory_s(
                    total[same], piece.time_s[same], piece.seen.white_m[same], piece.drift_m[same]
                )
                parts.append((found, int(same.sum())))
        parts = [(found, count) for found, count in parts if np.isfinite(found)]
        if parts:
            logs, counts = np.log([found for found, _ in parts]), [count for _, count in parts]
            memory[code] = float(np.exp(np.average(logs, weights=counts)))
    return replace(noise, memory_s=memory)


def _drift_along_across(piece: _Piece) -> np.ndarray:
    """The drift found at each sighting, along and across, metres: what was taken off the residual."""
    state = piece.solved.state[piece.seen.knot]
    heading = state[:, motion.COURSE] + state[:, motion.CRAB]
    sine, cosine = np.sin(heading), np.cos(heading)
    east = piece.drift_m * state[:, motion.DRIFT_E]
    north = piece.drift_m * state[:, motion.DRIFT_N]
    return np.column_stack([east * sine + north * cosine, east * cosine - north * sine])


def _refine_clock(
    log: _Log,
    clock: _Clock,
    cuts: tuple[_Cut, ...],
    plane: _Plane,
    noise: _Noise,
    rig: RigSection,
    pieces: tuple[_Piece | None, ...],
) -> tuple[_Clock, tuple[_Piece | None, ...]]:
    """Estimate the fine clock offset with the path; apply it where asked for and well known."""
    auto = rig.clock_offset_s == "auto"
    offset = clock.offset_s
    for _ in range(4):
        shift, sigma = _shift(pieces)
        if not auto or not sigma <= CLOCK_SIGMA_S:
            break
        step = float(np.clip(shift, -1.0, 1.0))
        offset += step
        if abs(step) < max(0.1 * sigma, 1e-3):
            break
        pieces = _resolve(log, offset, cuts, plane, noise, rig, pieces)
    shift, sigma = _shift(pieces)
    estimate = offset + shift
    applied = auto and sigma <= CLOCK_SIGMA_S
    result = _Clock(
        offset if applied else clock.offset_s, sigma if applied else float("nan"), estimate, sigma
    )
    return replace(result, doubts=_clock_doubts(result, clock, auto)), pieces


def _resolve(log, offset_s, cuts, plane, noise, rig, pieces):
    """Solve again at another clock offset, each piece with the steering it has."""
    return tuple(
        None
        if piece is None
        else _solve_piece(log, offset_s, cut, plane, noise, rig, habits=piece.solved.habits)
        for cut, piece in zip(cuts, pieces, strict=True)
    )


def _shift(pieces: tuple[_Piece | None, ...]) -> tuple[float, float]:
    """Shift of the wheel's clock all pieces ask for, and its sigma."""
    found = [motion.clock_shift(p.seen, p.arms, p.line, p.solved) for p in pieces if p is not None]
    pull, information = sum(item[0] for item in found), sum(item[1] for item in found)
    if information <= 0:
        return 0.0, float("inf")
    return pull / information, information**-0.5


def _clock_doubts(clock: _Clock, first: _Clock, auto: bool) -> tuple[Doubt, ...]:
    """Say what the motion says about the clocks."""
    if auto and not clock.estimate_sigma_s <= CLOCK_SIGMA_S:
        text = (
            f"the motion was too steady to compare the clocks (sigma {clock.estimate_sigma_s:.1f} s): offset "
            f"{clock.offset_s:.1f} s was applied; state [rig] clock_offset if it is known"
        )
        return (Doubt("s2", "clock_ambiguous", text, clock.estimate_sigma_s, "s"),)
    name = clocks.name_offset(clock.offset_s)
    if auto:
        text = (
            f"the scan clock was found {clock.offset_s:+.2f} s against UTC (sigma {clock.sigma_s:.2f} s) from the "
            f"motion, and that was applied{': ' + name if name else ''}"
        )
        return (Doubt("s2", "clock_estimated", text, clock.offset_s, "s"),)
    coarse = first.estimate_s if np.isfinite(first.estimate_s) else clock.offset_s
    far = abs(coarse - clock.offset_s) > 3.0
    off = coarse - clock.offset_s if far else clock.estimate_s - clock.offset_s
    if not far and not abs(off) > max(4 * clock.estimate_sigma_s, 0.2):
        return ()
    name = clocks.name_offset(off) or clocks.name_offset(clock.offset_s + off)
    text = (
        f"the motion says that the scan clock is {clock.offset_s + off:+.2f} s against UTC, the lot states "
        f"{clock.offset_s:+.2f} s{': ' + name if name else ''}; check [rig] clock_offset"
    )
    return (Doubt("s2", "clock_differs", text, off, "s"),)


# ------------------------------------------------------------------------------------------ the noun


def _assemble(log, clock, pieces, cuts, plane, noise, inputs, rig, accept, doubts) -> Trajectory:
    """Join the pieces on one running distance and put them on the map."""
    solved = [piece for piece in pieces if piece is not None]
    scale = _mean_scale(solved)
    if abs(scale - 1.0) > accept.wheel_gnss_frac:
        raise MismatchError(_scale_message(scale, accept))
    distance, reach = np.empty(len(log.row_s)), np.empty(len(log.row_s))
    columns: list[dict[str, np.ndarray]] = []
    reached = 0.0
    for number, (cut, piece) in enumerate(zip(cuts, pieces, strict=True)):
        wheel = log.wheel_m[cut.rows]
        if piece is None:
            own = scale * (wheel - wheel.min())
        else:
            ground = motion.ground_distance(piece.line, piece.solved)
            own = np.interp(wheel, piece.line.wheel_m, ground)
            columns.append(_knot_columns(piece, ground, reached, number, plane, rig, clock))
        distance[cut.rows] = reached + own
        reach[cut.rows] = np.maximum.accumulate(distance[cut.rows])
        reached = float(reach[cut.rows][-1]) + 0.01
    knots = _join(columns)
    if not (knots["knot_placed"] > 0).any():
        raise InputError(_nothing_placed(solved, rig))
    time_utc = log.origin + np.round((log.row_s - clock.offset_s) * 1e9).astype(np.int64).astype("m8[ns]")
    return Trajectory(
        crs=plane.crs,
        time_utc=time_utc.astype("M8[ns]"),
        distance_m=distance,
        reach_m=reach,
        speed_mps=odometry.speed_of_rows(log.row_s, distance),
        pass_code=_pass_of_rows(log, clock.offset_s, inputs),
        **knots,
        clock_offset_s=clock.offset_s,
        clock_offset_sigma_s=clock.sigma_s,
        wheel_scale=scale,
        point_scale=plane.grid_per_ground,
        convergence_deg=plane.convergence_deg,
        operation=plane.operation.as_dict(),
        diagnosis=_diagnosis(solved, noise, clock, log),
        doubts=doubts + clock.doubts + _path_doubts(solved, knots, plane),
    )


def _knot_columns(
    piece: _Piece,
    ground: np.ndarray,
    reached: float,
    number: int,
    plane: _Plane,
    rig: RigSection,
    clock: _Clock,
) -> dict[str, np.ndarray]:
    """Knot columns of one piece on the lot's distance; of knots at one place the first stays."""
    line, seen = piece.line, piece.seen
    placed = motion.place(line, piece.arms, piece.solved)
    at = line.wheel_m[seen.knot]
    tilt_m = rig.antenna_up_m * np.interp(line.wheel_m, at, piece.grade_sigma)
    clock_m = np.interp(line.wheel_m, at, seen.speed_mps) * (
        clock.sigma_s if np.isfinite(clock.sigma_s) else 0.0
    )
    along = np.sqrt(placed.along_m**2 + tilt_m**2 + clock_m**2)
    kind = _placed_kind(ground, ground[seen.knot[piece.solved.weight > 0.1]])
    kind[np.hypot(along, placed.across_m) > rig.max_sigma_m] = 0
    easting, northing = plane.to_map(placed.east_m, placed.north_m)
    keep = np.unique(np.floor(ground / 0.005), return_index=True)[1]
    columns = {
        "knot_distance_m": reached + ground,
        "knot_piece": np.full(len(ground), number, np.int16),
        "knot_easting_m": easting,
        "knot_northing_m": northing,
        "knot_heading_deg": np.degrees(placed.heading_rad) % 360.0,
        "knot_sigma_along_m": along,
        "knot_sigma_across_m": placed.across_m,
        "knot_sigma_heading_deg": np.degrees(placed.turn_rad),
        "knot_placed": kind,
    }
    return {name: values[keep] for name, values in columns.items()}


def _join(columns: list[dict[str, np.ndarray]]) -> dict[str, np.ndarray]:
    """Join the knot columns of all pieces."""
    if not columns:
        raise InputError(
            f"nothing can be placed: no stretch has at least four fixes and {SHORTEST_PIECE_M:g} m of motion; "
            "check the fixes' times against the scan, and the passes' times"
        )
    return {name: np.concatenate([part[name] for part in columns]) for name in columns[0]}


def _placed_kind(ground: np.ndarray, seen_at: np.ndarray) -> np.ndarray:
    """1 = by fixes, 2 = by wheel between two of them, 0 = at an open end."""
    kind = np.zeros(len(ground), np.int8)
    if len(seen_at) < 2:
        return kind
    moved = np.diff(seen_at)
    usual = float(np.median(moved[moved > 0])) if (moved > 0).any() else 0.0
    longest = max(BY_WHEEL_M, 5.0 * usual)
    after = np.clip(np.searchsorted(seen_at, ground, side="left"), 1, len(seen_at) - 1)
    gap = seen_at[after] - seen_at[after - 1]
    inside = (ground >= seen_at[0]) & (ground <= seen_at[-1])
    kind[inside] = np.where(gap[inside] > longest, 2, 1)
    slack = min(longest, max(0.5, 2.0 * usual))
    kind[~inside & (ground >= seen_at[0] - slack) & (ground <= seen_at[-1] + slack)] = 1
    kind[np.isin(ground, seen_at)] = 1
    return kind


def _mean_scale(pieces: list[_Piece]) -> float:
    """Ground length over wheel length, all pieces."""
    turned = sum(piece.line.wheel_m[-1] - piece.line.wheel_m[0] for piece in pieces)
    ground = sum(motion.ground_distance(piece.line, piece.solved)[-1] for piece in pieces)
    return float(ground / turned) if turned > 0 else 1.0


def _nothing_placed(pieces: list[_Piece], rig: RigSection) -> str:
    """Say why no knot got a position."""
    codes = np.concatenate([piece.quality for piece in pieces])
    shares = ", ".join(
        f"{100 * float((codes == code).mean()):.0f} % {QUALITIES[code]}" for code in np.unique(codes)
    )
    return (
        f"no stretch is placed better than [rig] max_sigma {rig.max_sigma_m:g} m: fixes are {shares}; "
        "check the correction link, or state a larger max_sigma knowingly"
    )


def _diagnosis(pieces: list[_Piece], noise: _Noise, clock: _Clock, log: _Log) -> dict[str, Any]:
    """Numbers a reader can check the rig by; rounded, so that they are the same on every machine."""
    scales = [1.0 + piece.solved.state[:, motion.SLIP] for piece in pieces]
    every = np.concatenate(scales) if scales else np.ones(1)
    found: dict[str, Any] = {
        "fixes": int(len(log.fix_s)),
        "sightings": int(sum(len(piece.time_s) for piece in pieces)),
        "pieces": len(pieces),
        "by_quality": _by_quality(pieces, noise, log),
        "wheel_scale_lowest": round(float(every.min()), 5),
        "wheel_scale_highest": round(float(every.max()), 5),
        "clock_offset_estimate_s": _rounded(clock.estimate_s, 3),
        "clock_offset_estimate_sigma_s": _rounded(clock.estimate_sigma_s, 3),
        "steering_1_per_m_root_m": [piece.solved.habits.steering for piece in pieces],
    }
    bias = _heading_bias_deg(pieces)
    if bias is not None:
        found["heading_sensor_less_path_deg"] = round(bias, 3)
    return found


def _rounded(value: float, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


def _by_quality(pieces: list[_Piece], noise: _Noise, log: _Log) -> dict[str, dict[str, Any]]:
    """Share, residuals and noise by fix quality."""
    result = {}
    for code in np.unique(log.fixes.quality):
        same = log.fixes.quality == code
        parts = [
            (piece.solved.residual_m + _drift_along_across(piece))[piece.quality == code] for piece in pieces
        ]
        off = np.hypot(*np.concatenate(parts).T) if parts else np.zeros(0)
        rejected = [(piece.solved.weight < 0.1)[piece.quality == code] for piece in pieces]
        result[QUALITIES[code]] = {
            "share_frac": round(float(same.mean()), 5),
            "residual_p50_m": _rounded(np.median(off), 4) if len(off) else None,
            "residual_p95_m": _rounded(np.percentile(off, 95), 4) if len(off) else None,
            "disbelieved_frac": _rounded(np.concatenate(rejected).mean(), 5) if len(off) else None,
            "white_sigma_m": round(float(np.median(noise.white_m[same])), 4),
            "drift_sigma_m": round(float(np.median(noise.drift_m[same])), 4),
            "drift_memory_s": round(float(noise.memory_s[code]), 1),
        }
    return result


def _heading_bias_deg(pieces: list[_Piece]) -> float | None:
    """Mean of sensor heading less the path's course at the non-slip point, degrees."""
    off = []
    for piece in pieces:
        course = piece.solved.state[piece.seen.knot, motion.COURSE]
        turn = np.degrees(piece.seen.heading_rad - course)
        off.append(((turn + 180.0) % 360.0 - 180.0)[np.isfinite(turn)])
    every = np.concatenate(off) if off else np.zeros(0)
    return float(np.median(every)) if len(every) else None


def _path_doubts(pieces: list[_Piece], knots: dict[str, np.ndarray], plane: _Plane) -> tuple[Doubt, ...]:
    """Doubts about the path as a whole."""
    doubts = []
    if plane.operation.caution:
        doubts.append(
            Doubt("s2", "frame_taken_as_equal", plane.operation.caution, plane.operation.accuracy_m, "m")
        )
    bias = _heading_bias_deg(pieces)
    if bias is not None and abs(bias) > 1.0:
        text = (
            f"the heading sensor points {bias:+.1f} deg from the path: check [rig] heading_offset and the two "
            "antennas' mounting; the sensor was believed"
        )
        doubts.append(Doubt("s2", "heading_bias", text, bias, "deg"))
    jumps = np.concatenate([piece.solved.weight < 0.1 for piece in pieces])
    if jumps.any():
        text = (
            f"{int(jumps.sum())} of {len(jumps)} groups of fixes lie off the path by far more than their sigma and "
            "were not followed: check the correction link and the sky view at those times"
        )
        doubts.append(Doubt("s2", "fixes_disbelieved", text, float(jumps.mean()), "share"))
    for kind, name, text in (
        (0, "no_position", "has no position (open end, or sigma above [rig] max_sigma)"),
        (2, "placed_by_wheel", "is placed by wheel between fixes"),
    ):
        length = _length_of(knots, kind)
        if length > 0.5:
            doubts.append(Doubt("s2", name, f"{length:.1f} m of the path {text}", length, "m"))
    return tuple(doubts)


def _length_of(knots: dict[str, np.ndarray], kind: int) -> float:
    """Path length between knots of which one has this kind."""
    step = np.diff(knots["knot_distance_m"])
    same = np.diff(knots["knot_piece"]) == 0
    placed = knots["knot_placed"]
    return float(step[same & ((placed[1:] == kind) | (placed[:-1] == kind))].sum())
