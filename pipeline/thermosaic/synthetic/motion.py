"""How the paver moves: the body beside the alignment, and the distance of C over time.

The non-slip point follows the alignment at an offset, with weave; heading is that line's tangent plus the
crab angle; C lies the lever behind. Speeds are those of C and constant between knots.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate

import numpy as np

from .plan import BackUp, LotPlan, PassPlan, Stop, generator
from .road import Road, Site

CRAB_STEP_M, BEYOND_M = 10.0, 200.0  # between places of the crab angle, and how far they go past the road
PASS_BREAK_M = 0.001  # added to the running distance between two passes


@dataclass(frozen=True, eq=False)
class Body:
    """Places of C and headings of the body, design metres and radians."""

    along_m: np.ndarray  # of the non-slip point, ground metres from the alignment's first vertex
    east_m: np.ndarray
    north_m: np.ndarray
    heading: np.ndarray

    def point(self, forward_m: np.ndarray, right_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the place of a point of the body; arrays broadcast with C's."""
        sine, cosine = np.sin(self.heading), np.cos(self.heading)
        if np.ndim(right_m):
            sine, cosine, east, north = (v[:, None] for v in (sine, cosine, self.east_m, self.north_m))
        else:
            east, north = self.east_m, self.north_m
        return east + forward_m * sine + right_m * cosine, north + forward_m * cosine - right_m * sine


@dataclass(frozen=True, eq=False)
class Motion:
    """One pass: where C is at any distance, and at which distance at any time."""

    plan: LotPlan
    pass_plan: PassPlan
    code: int
    site: Site
    base_m: float  # running distance at the pass's start
    knot_s: np.ndarray  # times since the lot's start
    knot_m: np.ndarray  # distance of C within the pass, linear between knots
    grid_along_m: np.ndarray  # along the alignment, in travel order ..
    grid_m: np.ndarray  # .. and the distance of C there

    @property
    def sign(self) -> int:
        return 1 if self.pass_plan.direction == "upstation" else -1

    @property
    def length_m(self) -> float:
        return float(self.grid_m[-1])

    def distance(self, time_s: np.ndarray) -> np.ndarray:
        """Return the distance of C within the pass at times."""
        return np.interp(time_s, self.knot_s, self.knot_m)

    def interval(self, time_s: np.ndarray) -> np.ndarray:
        """Return the number of the interval of constant speed at times."""
        return np.clip(np.searchsorted(self.knot_s, time_s, side="right") - 1, 0, len(self.knot_s) - 2)

    def speed(self, time_s: np.ndarray) -> np.ndarray:
        """Return the signed speed of C."""
        return (np.diff(self.knot_m) / np.diff(self.knot_s))[self.interval(time_s)]

    def first_time(self, distance_m: np.ndarray) -> np.ndarray:
        """Return when C first reached places; before the pass, by its first speed."""
        reach = np.maximum.accumulate(self.knot_m)
        fresh = np.flatnonzero(np.diff(reach) > 0)
        pick = fresh[np.clip(np.searchsorted(reach[fresh + 1], distance_m, side="left"), 0, len(fresh) - 1)]
        slope = (self.knot_s[pick + 1] - self.knot_s[pick]) / (self.knot_m[pick + 1] - self.knot_m[pick])
        return self.knot_s[pick] + (distance_m - self.knot_m[pick]) * slope

    def body(self, distance_m: np.ndarray) -> Body:
        """Return C and heading where C has travelled `distance_m` of the pass."""
        along = np.interp(distance_m, self.grid_m, self.grid_along_m)
        # linear between grid points, and on beyond both ends
        ahead = np.where(distance_m > self.length_m, distance_m - self.length_m, np.minimum(distance_m, 0))
        return _body(self.plan, self.pass_plan, self.site.road, along + self.sign * ahead)[0]


def _body(plan: LotPlan, pass_plan: PassPlan, road: Road, along_m: np.ndarray) -> tuple[Body, np.ndarray]:
    """Return the body with its non-slip point beside `along_m`, and metres of C's path a metre along."""
    east, north, bearing, bend, rate = road.at(along_m)
    wave = 2 * math.pi / plan.weave_length_m
    side = pass_plan.offset_m + plan.weave_m * np.sin(wave * along_m)
    slope = plan.weave_m * wave * np.cos(wave * along_m)
    slope_rate = -plan.weave_m * wave**2 * np.sin(wave * along_m)
    stretch = 1 - side * bend
    stretch_rate = -slope * bend - side * rate
    course = bearing + np.arctan2(slope, stretch)
    turn = bend + (slope_rate * stretch - slope * stretch_rate) / (stretch**2 + slope**2)
    sign = 1 if pass_plan.direction == "upstation" else -1
    crab, crab_rate = _crab(plan, road.length_m, along_m)
    heading = course + (0 if sign > 0 else math.pi) + crab
    lever = plan.rig.non_slip_forward_m
    point_east, point_north = east + side * np.cos(bearing), north - side * np.sin(bearing)
    body = Body(along_m, point_east - lever * np.sin(heading), point_north - lever * np.cos(heading), heading)
    pace = np.hypot(slope, stretch)
    forward, right = sign * pace * np.cos(crab), -sign * pace * np.sin(crab) - lever * (turn + crab_rate)
    return body, np.hypot(forward, right)


def _crab(plan: LotPlan, road_m: float, along_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Body against course, radians, and its change a metre of the alignment."""
    if math.isinf(plan.crab_length_m):
        return np.full(along_m.shape, math.radians(plan.crab_deg)), np.zeros(along_m.shape)
    place_m, crab = _crab_places(plan, road_m)
    at = np.clip(np.searchsorted(place_m, along_m) - 1, 0, len(place_m) - 2)
    return np.interp(along_m, place_m, crab), np.diff(crab)[at] / CRAB_STEP_M


@lru_cache(maxsize=4)
def _crab_places(plan: LotPlan, road_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Places along the alignment and the crab angle there, radians: a first-order Gauss-Markov process.

    It leaves the first vertex, and what lies before it, as `crab_deg` states.
    """
    before_m = np.arange(-BEYOND_M, 0.0, CRAB_STEP_M)
    after_m = np.arange(0.0, road_m + BEYOND_M, CRAB_STEP_M)
    kept = math.exp(-CRAB_STEP_M / plan.crab_length_m)
    shock = generator(plan, 8).normal(0.0, plan.crab_sigma_deg * math.sqrt(1.0 - kept**2), len(after_m) - 1)
    after = np.array(list(accumulate([plan.crab_deg, *shock], lambda last, change: kept * last + change)))
    crab = np.concatenate([np.full(before_m.shape, plan.crab_deg), after])
    return np.concatenate([before_m, after_m]), np.radians(crab)


def make_motions(plan: LotPlan, site: Site) -> tuple[Motion, ...]:
    """Drive the passes one after the other."""
    motions: list[Motion] = []
    start_s = base_m = 0.0
    for code, pass_plan in enumerate(plan.passes):
        start_s += pass_plan.wait_s
        along, grid_m = _path(plan, pass_plan, site.road)
        knot_s, knot_m = _schedule(pass_plan, grid_m[-1], start_s)
        motions.append(Motion(plan, pass_plan, code, site, base_m, knot_s, knot_m, along, grid_m))
        start_s, base_m = knot_s[-1], base_m + grid_m[-1] + PASS_BREAK_M
    return tuple(motions)


def _path(plan: LotPlan, pass_plan: PassPlan, road: Road) -> tuple[np.ndarray, np.ndarray]:
    """Return places along the alignment in travel order and the distance of C there (midpoint rule)."""
    low, high = pass_plan.from_m, road.length_m - 5 if pass_plan.to_m is None else pass_plan.to_m
    along = np.linspace(low, high, math.ceil((high - low) / 0.02) + 1)
    if pass_plan.direction == "downstation":
        along = along[::-1]
    _, pace = _body(plan, pass_plan, road, (along[1:] + along[:-1]) / 2)
    return along, np.concatenate([[0.0], np.cumsum(pace * np.abs(np.diff(along)))])


def _schedule(pass_plan: PassPlan, length_m: float, start_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Return times and distances between which the speed is constant; what lies past the end does not happen."""
    events = [(at, 0, speed) for at, speed in pass_plan.speeds]
    events += [(item.at_m, 1, item) for item in (*pass_plan.stops, *pass_plan.back_ups)]
    time_s, place_m, speed = start_s, 0.0, pass_plan.speeds[0][1]
    knots = [(time_s, place_m)]

    def go(to_m: float, pace_mps: float) -> None:
        nonlocal time_s, place_m
        if to_m != place_m:
            time_s, place_m = time_s + abs(to_m - place_m) / pace_mps, to_m
            knots.append((time_s, place_m))

    def stand(duration_s: float) -> None:
        nonlocal time_s
        time_s += duration_s
        knots.append((time_s, place_m))

    for at_m, _, event in sorted(events, key=lambda item: item[:2]):
        if at_m >= length_m:
            break
        go(at_m, speed)
        if isinstance(event, Stop):
            stand(event.duration_s)
        elif isinstance(event, BackUp):
            stand(event.pause_s)
            go(at_m - event.length_m, event.speed_mps)
            stand(event.pause_s)
            go(at_m, event.speed_mps)
        else:
            speed = event
    go(length_m, speed)
    return np.array(knots).T


def pass_at(motions: tuple[Motion, ...], time_s: np.ndarray) -> np.ndarray:
    """Return the pass code at times, -1 outside all passes."""
    code = np.full(time_s.shape, -1, dtype=np.int16)
    for motion in motions:
        code[(time_s >= motion.knot_s[0]) & (time_s <= motion.knot_s[-1])] = motion.code
    return code


def ticks(motions: tuple[Motion, ...], rate_hz: float) -> np.ndarray:
    """Return times (whole milliseconds) at which a logger of this rate writes within the passes."""
    count = math.floor(motions[-1].knot_s[-1] * rate_hz) + 1
    time_s = np.round(np.arange(count) * 1000 / rate_hz) / 1000
    return time_s[pass_at(motions, time_s) >= 0]


def utc(plan: LotPlan, time_s: np.ndarray) -> np.ndarray:
    """Turn seconds since the lot's start into UTC, to the microsecond; NaN becomes NaT."""
    time_s = np.asarray(time_s, dtype=float)
    known = np.isfinite(time_s)
    micros = np.round(np.where(known, time_s, 0) * 1e6).astype(np.int64)
    result = np.datetime64(plan.start_utc, "ns") + micros * np.timedelta64(1000, "ns")
    return np.where(known, result, np.datetime64("NaT", "ns"))
